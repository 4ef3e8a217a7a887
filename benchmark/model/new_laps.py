"""A quick fit: laps that are new since the last fit count at once, for whom they touch.

The effects of the builds, drivers, days and sessions that new laps touch (`model.touched`) are
worked out anew from all of their runs, once for each draw of the last fit, given its draw of all
other effects. Noise and standard deviations stay as the last fit has them; the effects are drawn
with their medians, so what few laps tell comes out a little too sure. What the new laps tell of all
others - of tyres, of parts, of a model - is left to the full fit that follows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array
from threadpoolctl import threadpool_limits

from benchmark.errors import BadQuestion
from benchmark.model.carried import carried
from benchmark.model.chain import Arrays
from benchmark.model.design import REFERENCE_LAP, lap_features, softness
from benchmark.model.fast import TAU_GRID, driver_delays, mean_noise
from benchmark.model.fit import Fit
from benchmark.model.frame import ModelFrame, subset
from benchmark.model.gibbs import Gibbs
from benchmark.model.given import Given
from benchmark.model.noise import Noise
from benchmark.model.posterior import total
from benchmark.model.priors import Priors
from benchmark.model.run_sites import RunSites
from benchmark.model.structure import Structure, structure
from benchmark.model.touched import Touched, touched

ROUNDS = 8  # of summing up the laps and solving: few runs, so they cost little
MOST_NEAR = 12_000  # runs; with more, the fast mode fits everything as quickly


def quick_draws(
    frame: ModelFrame, start: Gibbs, last: Fit, n: int, as_fit: Callable[[Arrays], Fit]
) -> Arrays:
    """Return n draws of everything, in the form of `model.chain.run_chain`.

    Parameters
    ----------
    start : of the frame's structure, facts that nobody recorded at their most likely value.
    last : the fit to go on from.
    as_fit : puts draws together to a fit of the frame, to ask it what is held.

    Raises
    ------
    BadQuestion
        The new laps touch too many runs.
    """
    with threadpool_limits(1):
        new = touched(start.s, frame.laps, frame.circuits, last)
        if len(new.near) > MOST_NEAR:
            raise BadQuestion(
                f"what is new since the last fit touches {len(new.near):,} of {start.s.n_runs:,} "
                f"outings, more than {MOST_NEAR:,}: fit in full"
            )
        arrays = carried(start.s, start, frame.circuits, last, new, n)
        if len(new.near):
            _Near(frame, start, new, last, as_fit(arrays)).write(arrays)
        return arrays


@dataclass(frozen=True)
class _Effects:
    """Effects worked out anew: where each group's stand, their columns and prior precisions."""

    columns: csr_array
    precision: np.ndarray
    parts: dict[str, slice]


class _Near:
    """The runs that new laps touch, and what is held of them."""

    def __init__(self, frame: ModelFrame, start: Gibbs, new: Touched, last: Fit, held: Fit) -> None:
        self.new, self.rng = new, start.rng
        self.s = structure(_of_runs(frame, new.near))
        self.sd = {group: float(np.median(sd)) for group, sd in last.sds.items()}
        self.effects = self._effects(start.s, start.priors)
        soft = softness(self.s.facts.tyre)[self.s.run]
        self.lap_columns = lap_features(self.s.lap, soft)
        self.counts = np.bincount(self.s.run, minlength=self.s.n_runs)
        self.lap_mean = np.column_stack([self._mean(one) for one in self.lap_columns.T])
        self.lap_effects = held.posterior.lap_effects.astype(float)
        self.held = self._held(held) + self.lap_effects @ self.lap_mean.T
        drivers, before = self.s.levels["driver"], last.level_numbers["driver"]
        self.new_driver = np.array([name not in before for name in drivers])
        self.drivers = np.array([held.level_numbers["driver"][name] for name in drivers])
        self.sites = RunSites(self.s)
        self.noise = self._sum_up(mean_noise(last.posterior.noise, last.levels["driver"], self.s))

    def _effects(self, s: Structure, priors: Priors) -> _Effects:
        rows, columns, precision, parts, first = [], [], [], {}, 0
        for group, free in self.new.free.items():
            code = s.code[group][self.new.near]
            chosen = np.flatnonzero((code >= 0) & np.append(free, False)[code])
            rows.append(chosen)
            columns.append(first + (np.cumsum(free) - 1)[code[chosen]])
            width = priors.effects["circuit"].width if group == "circuit" else self.sd[group]
            precision.append(np.full(free.sum(), 1 / width**2))
            parts[group] = slice(first, first + int(free.sum()))
            first = parts[group].stop
        at = np.concatenate(rows), np.concatenate(columns)
        ones = np.ones(len(at[0]))
        shape = len(self.new.near), first
        return _Effects(csr_array((ones, at), shape=shape), np.concatenate(precision), parts)

    def _mean(self, values: np.ndarray) -> np.ndarray:
        """Mean over the laps of each run."""
        return np.asarray(np.bincount(self.s.run, values, self.s.n_runs) / self.counts)

    def _held(self, held: Fit) -> np.ndarray:
        """Draws of what is held of each run at its reference lap, (draws, runs)."""
        rows = held.runs.loc[self.new.near].reset_index().assign(lap=REFERENCE_LAP)
        places = list(zip(rows["circuit"], rows["layout"], strict=True))
        median_s = held.circuits["median_s"].reindex(places).to_numpy()
        out = np.empty((held.draws, len(rows)))
        for here, parts in held.parts_in_blocks(rows):
            out[:, here] = total(parts)
        return out - np.log(median_s)

    def _sum_up(self, noise: Noise) -> Noise:
        """Sum up each run's laps; return the noise, with the delays of new drivers."""
        s, lap, held = self.s, self.lap_effects.mean(axis=0), self.held.mean(axis=0)
        centre, delays = s.quick_laps()[s.run], None
        for k in range(ROUNDS):
            error = s.log_time - centre
            if k and self.new_driver.any():
                delays = driver_delays(s, noise, error, delays)
                tau = noise.tau_centre * TAU_GRID[delays]
                noise = replace(noise, tau=np.where(self.new_driver, tau, noise.tau))
            self.sites.match(noise, error, self._mean(centre), self.sd["outing"],
                             self.sd["build_day"])  # fmt: skip
            fitted = held + self.effects.columns @ self._given().mean(self.sites.response - held)
            level = fitted + self._outing(fitted) - self.lap_mean @ lap
            centre = level[s.run] + self.lap_columns @ lap
        return noise

    def _given(self) -> Given:
        weight = 1 / (self.sd["outing"] ** 2 + 1 / self.sites.precision)
        return Given(self.effects.columns, weight, self.effects.precision)

    def _outing(self, fitted: np.ndarray) -> np.ndarray:
        """Mean of each run's outing, given its centre without it."""
        share = self.sites.precision / (self.sites.precision + 1 / self.sd["outing"] ** 2)
        return np.asarray((self.sites.response - fitted) * share)

    def write(self, arrays: Arrays) -> None:
        """Draw what is free, into the draws of everything."""
        free = self._given().draw(self.sites.response - self.held, self.rng)
        for group, part in self.effects.parts.items():
            arrays[f"groups/{group}"][:, self.new.free[group]] = free[:, part]
        outing = self._outing(self.held + (self.effects.columns @ free.T).T)
        spread = np.sqrt(self.sites.precision + 1 / self.sd["outing"] ** 2)
        outing += self.rng.standard_normal(outing.shape) / spread
        arrays["groups/outing"][:, self.new.near] = outing
        arrays["noise/tau"][:, self.drivers[self.new_driver]] = self.noise.tau[self.new_driver]


def _of_runs(frame: ModelFrame, near: np.ndarray) -> ModelFrame:
    """Return the frame of some runs, by their places."""
    mine = np.zeros(len(frame.runs), dtype=bool)
    mine[near] = True
    return subset(frame, frame.laps[mine[frame.laps["run_id"].to_numpy()]])
