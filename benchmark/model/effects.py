"""All effects given the noise and the standard deviations: one exact joint Normal draw.

Laps are first summed up by run. The outing's and the build-day's effects are nested, so they
are integrated out run by run (a Schur complement of diagonal blocks, twice); what is left, a
few hundred effects, is solved as one dense system and the nested ones are then drawn given it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve, solve_triangular
from scipy.linalg.lapack import dpotrf
from scipy.sparse import csr_array

from benchmark.errors import FitFailed
from benchmark.model.design import LAP_FEATURES, RUN_FEATURES
from benchmark.model.structure import JOINT, Structure

N_RUN, N_LAP = len(RUN_FEATURES), len(LAP_FEATURES)


@dataclass(frozen=True)
class RunSums:
    """Laps summed up by run: weight, weighted response, and the same with the lap features."""

    weight: np.ndarray  # (runs,)
    response: np.ndarray  # (runs,)
    features: np.ndarray  # (runs, lap features)
    features_squared: np.ndarray  # (lap features, lap features), over all laps
    features_response: np.ndarray  # (lap features,), over all laps


@dataclass
class Effects:
    """Current values of every effect; `joint` concatenates the groups of `JOINT`."""

    joint: np.ndarray
    run: np.ndarray
    lap: np.ndarray
    build_day: np.ndarray
    outing: np.ndarray

    @classmethod
    def nought(cls, s: Structure) -> Effects:
        """Return nought for every effect."""
        joint = sum(len(s.levels[group]) for group in JOINT)
        sizes = (joint, N_RUN, N_LAP, len(s.levels["build_day"]), s.n_runs)
        return cls(*(np.zeros(n) for n in sizes))


class EffectSolver:
    """Draws or solves for all effects of one structure, for any weights and deviations."""

    def __init__(self, s: Structure, lap_columns: np.ndarray) -> None:
        self.s = s
        self.lap_columns = lap_columns
        self.sizes = {group: len(s.levels[group]) for group in JOINT}
        ends = np.cumsum(list(self.sizes.values()))
        self.slices = {
            group: slice(int(end) - n, int(end))
            for (group, n), end in zip(self.sizes.items(), ends, strict=True)
        }
        self.n_joint = int(ends[-1])
        self.columns = self._columns()
        self.membership = self._membership()
        n_days = len(s.levels["build_day"])
        ones = np.ones(s.n_runs)
        self.days = csr_array(
            (ones, (s.code["build_day"], np.arange(s.n_runs))), shape=(n_days, s.n_runs)
        )

    def _columns(self) -> np.ndarray:
        """Column of each run in each joint group; the last column stands for "none"."""
        columns = [
            np.where(self.s.code[g] < 0, self.n_joint, self.s.code[g] + self.slices[g].start)
            for g in JOINT
        ]
        return np.column_stack(columns)

    def _membership(self) -> csr_array:
        """Sparse indicator matrix of the joint groups, shape (joint effects, runs)."""
        n = self.s.n_runs
        keep = self.columns.ravel() < self.n_joint
        runs = np.repeat(np.arange(n), len(JOINT))
        return csr_array(
            (np.ones(keep.sum()), (self.columns.ravel()[keep], runs[keep])),
            shape=(self.n_joint, n),
        )

    @cached_property
    def pairs(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """All ordered pairs of runs of one build on one day, and where each lands in the matrix."""
        day = self.s.code["build_day"]
        order = np.argsort(day, kind="stable")
        counts = np.bincount(day)
        starts = np.cumsum(counts) - counts
        size = counts[day[order]]
        first = np.repeat(order, size)
        offset = np.arange(len(first)) - np.repeat(np.cumsum(size) - size, size)
        second = order[np.repeat(starts[day[order]], size) + offset]
        wide = self.n_joint + 1
        flat = self.columns[first][:, :, None] * wide + self.columns[second][:, None, :]
        return first, second, flat.ravel()

    def sums(self, weight: np.ndarray, response: np.ndarray) -> RunSums:
        """Sum laps up by run; weight and response have one value a lap."""
        s, n = self.s, self.s.n_runs
        weighted = self.lap_columns * weight[:, None]
        by_run = np.column_stack(
            [np.bincount(s.run, weighted[:, k], minlength=n) for k in range(N_LAP)]
        )
        return RunSums(
            np.bincount(s.run, weight, minlength=n),
            np.bincount(s.run, weight * response, minlength=n),
            by_run,
            weighted.T @ self.lap_columns,
            weighted.T @ response,
        )

    def solve(
        self,
        sums: RunSums,
        features: np.ndarray,
        prior_mean: np.ndarray,
        prior_precision: np.ndarray,
        sd: dict[str, float],
        rng: np.random.Generator | None,
    ) -> Effects:
        """Draw all effects (or, without `rng`, return their mean).

        `features` are the run features; the priors run over joint groups, run features and lap
        features in this order.
        """
        mean_lap = sums.features / sums.weight[:, None]
        x = np.hstack([features, mean_lap])
        m = sums.response / sums.weight
        k = 1 / (sd["outing"] ** 2 + 1 / sums.weight)
        day = self.s.code["build_day"]
        k_day = np.asarray(self.days @ k) + 1 / sd["build_day"] ** 2
        matrix, right = self._system(x, m, k, k_day, sums)
        matrix[np.diag_indices_from(matrix)] += prior_precision
        right += prior_precision * prior_mean
        factor, failed = dpotrf(matrix, lower=1, clean=0, overwrite_a=1)
        if failed:
            raise FitFailed("the laps gave a system that has no solution; please report the file")
        theta = cho_solve((factor, True), right, check_finite=False)
        if rng is not None:
            noise = rng.standard_normal(len(theta))
            theta += solve_triangular(factor, noise, lower=True, trans=1, check_finite=False)
        joint, run, lap = np.split(theta, [self.n_joint, self.n_joint + N_RUN])
        left = m - self.group_sum(joint) - x @ np.concatenate([run, lap])
        build_day = (self.days @ (k * left)) / k_day
        if rng is not None:
            build_day += rng.standard_normal(len(build_day)) / np.sqrt(k_day)
        left -= build_day[day]
        precision = sums.weight + 1 / sd["outing"] ** 2
        outing = sums.weight * left / precision
        if rng is not None:
            outing += rng.standard_normal(len(outing)) / np.sqrt(precision)
        return Effects(joint, run, lap, build_day, outing)

    def group_sum(self, joint: np.ndarray) -> np.ndarray:
        """Sum of the joint group effects of each run."""
        padded = np.append(joint, 0.0)
        return np.asarray(padded[self.columns].sum(axis=1))

    def _system(
        self,
        x: np.ndarray,
        m: np.ndarray,
        k: np.ndarray,
        k_day: np.ndarray,
        sums: RunSums,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the normal equations of joint, run and lap effects, nested ones integrated out."""
        day = self.s.code["build_day"]
        n = self.n_joint
        kx = self._through(x, k, k_day, day)
        km = self._through(m[:, None], k, k_day, day)[:, 0]
        first, second, flat = self.pairs
        value = -k[first] * k[second] / k_day[day[first]]
        value += np.where(first == second, k[first], 0.0)
        wide = n + 1
        groups = np.bincount(flat, np.repeat(value, len(JOINT) ** 2), minlength=wide * wide)
        total = n + x.shape[1]
        matrix = np.empty((total, total), order="F")
        matrix[:n, :n] = groups.reshape(wide, wide)[:n, :n]
        matrix[n:, :n] = (self.membership @ kx).T
        matrix[n:, n:] = x.T @ kx
        right = np.concatenate([self.membership @ km, x.T @ km])
        within = sums.features / sums.weight[:, None]
        matrix[-N_LAP:, -N_LAP:] += sums.features_squared - sums.features.T @ within
        right[-N_LAP:] += sums.features_response - within.T @ sums.response
        return matrix, right

    def _through(
        self, x: np.ndarray, k: np.ndarray, k_day: np.ndarray, day: np.ndarray
    ) -> np.ndarray:
        """Multiply by the runs' precision with outing and build-day integrated out."""
        kx = k[:, None] * x
        return np.asarray(kx - k[:, None] * ((self.days @ kx) / k_day[:, None])[day])
