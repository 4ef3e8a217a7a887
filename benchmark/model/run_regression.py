"""Runs as the rows of one regression: what the fast mode fits once laps are summed up.

The standard deviations are fitted once, of a large store to some of its runs, and all runs are then
solved with them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.sparse import csr_array, hstack, vstack
from scipy.sparse.csgraph import connected_components

from benchmark.model.chain import NOISE, Arrays, snapshot
from benchmark.model.design import AREA_SLOPES, COLUMN, STEPS, effect_priors
from benchmark.model.effects import N_LAP, N_RUN
from benchmark.model.gibbs import Gibbs
from benchmark.model.mixed_equations import FIXED
from benchmark.model.noise import Noise
from benchmark.model.parted_rows import Rows
from benchmark.model.priors import Priors
from benchmark.model.run_sites import RunSites
from benchmark.model.sparse_regression import SparseComponentRegression
from benchmark.model.structure import JOINT, Structure

# Runs that a large store's standard deviations are fitted to: some as a start, then no more than
# tell them to a few per cent.
START_RUNS, SIZE_RUNS = 4_000, 12_000
NEIGHBOURS = 4  # circuits that these runs are of, unless so few have too few
SHARED = 0.25  # of the builds of the circuit that has fewer: then two are of one region
# Blocks of the estimator, in order; the circuit's baseline has a fixed width.
BLOCKS = ("area", "step", *(group for group in JOINT if group != "circuit"), "build_day")
# Groups that lie wholly inside another: a session is of one day.
INSIDE = {
    "model_circuit": "model",
    "build_spec": "build",
    "driver_circuit": "driver",
    "session": "day",
}


@dataclass(frozen=True)
class Shared:
    """Draws of what the cars of all regions share, in log lap time.

    Attributes
    ----------
    models : effect of each model, by its name, (draws, models).
    features : effects of `RUN_FEATURES` and then of `LAP_FEATURES`, (draws, features).
    """

    models: pd.DataFrame
    features: np.ndarray


class RunRegression:
    """Runs as rows of the variance-component estimator.

    What is `shared` takes the values it was drawn with; all else is drawn given these.
    """

    def __init__(
        self,
        s: Structure,
        start: Gibbs,
        priors: Priors,
        outing_sd: float,
        shared: Shared | None = None,
    ) -> None:
        self.s, self.start, self.outing_sd = s, start, outing_sd
        counts = np.bincount(s.run, minlength=s.n_runs)
        sums = start.solver.sums(np.ones(len(s.run)), s.log_time)
        self.lap_mean = sums.features / counts[:, None]
        self.n_days = len(s.levels["build_day"])
        self.sized = 1.0  # share of the runs that the standard deviations were fitted to
        self.n_groups = start.solver.n_joint + self.n_days
        self.blocks = self._blocks()
        self.groups = csr_array(hstack([start.solver.membership.T, start.solver.days.T]))
        prior_rows, self.prior_response, self.prior_weight = self._prior_rows(priors)
        self.rows = Rows(
            csr_array(vstack([self.groups, prior_rows.groups])),
            np.vstack([np.hstack([start.state.features, self.lap_mean]), prior_rows.features]),
        )
        sizes = np.array([[priors.sizes[g].median, priors.sizes[g].log_sd] for g in BLOCKS])
        sds = np.array([start.known.sd[name] for name in BLOCKS])
        self.model = SparseComponentRegression(
            self.blocks, sizes, sds, self._parents(), self._late(), self._given(shared)
        )

    def _blocks(self) -> np.ndarray:
        """Block of each column: joint groups, build-days, run features, lap features."""
        solver = self.start.solver
        number = {name: k for k, name in enumerate(BLOCKS)}
        blocks = [np.full(solver.n_joint, FIXED)]
        for group in JOINT:
            blocks[0][solver.slices[group]] = number.get(group, FIXED)
        blocks.append(np.full(self.n_days, number["build_day"]))
        features = np.full(N_RUN, FIXED)
        features[[COLUMN[name] for name in AREA_SLOPES]] = number["area"]
        features[[COLUMN[name] for name in STEPS]] = number["step"]
        return np.concatenate([*blocks, features, np.full(N_LAP, FIXED)])

    def _parents(self) -> np.ndarray:
        """Column of the group that each level's group lies inside, -1 for none, (columns,)."""
        slices, out = self.start.solver.slices, np.full(len(self.blocks), -1)
        for group, whole in INSIDE.items():
            out[slices[group].start + self.s.code[group]] = slices[whole].start + self.s.code[whole]
        return out

    def _late(self) -> np.ndarray:
        """Say which columns have runs in more than one region, (columns,); features have."""
        region = regions(self.s)
        each = csr_array((np.ones(len(region)), (np.arange(len(region)), region)))
        there: Any = csr_array(self.groups.T @ each)
        late = np.ones(len(self.blocks), dtype=bool)
        late[: self.n_groups] = np.diff(there.indptr) > 1
        return late

    def _given(self, shared: Shared | None) -> np.ndarray | None:
        """Say which columns' values are given, (columns,), and keep these."""
        self.values: np.ndarray | None = None
        if shared is None:
            return None
        models = [name for (name,) in self.s.levels["model"]]
        place = shared.models.columns.get_indexer(pd.Index(models))
        known = place >= 0
        self.values = np.hstack([shared.models.to_numpy()[:, place[known]], shared.features])
        given = np.zeros(len(self.blocks), dtype=bool)
        given[self.start.solver.slices["model"]] = known
        given[self.n_groups :] = True
        return given

    def _prior_rows(self, priors: Priors) -> tuple[Rows, np.ndarray, np.ndarray]:
        """Priors of ordinary coefficients as rows: one observation of each, at its centre."""
        centre, width, kind = effect_priors(priors)
        offset = self.n_groups
        circuit = self.start.solver.slices["circuit"]
        columns = np.concatenate(
            [np.arange(circuit.start, circuit.stop), offset + np.flatnonzero(kind == 0)]
        )
        n_circuits = circuit.stop - circuit.start
        response = np.concatenate([np.zeros(n_circuits), centre[kind == 0]])
        widths = np.concatenate(
            [np.full(n_circuits, priors.effects["circuit"].width), width[kind == 0]]
        )
        rows = csr_array(
            (np.ones(len(columns)), (np.arange(len(columns)), columns)),
            shape=(len(columns), len(self.blocks)),
        )
        parts = Rows(csr_array(rows[:, :offset]), rows[:, offset:].toarray())
        return parts, response, 1 / widths**2

    @property
    def day_sd(self) -> float:
        """Standard deviation of a build's day, as it stands."""
        return float(self.model.sds_[BLOCKS.index("build_day")])

    def fit(self, sites: RunSites, close: float | None = None) -> None:
        """Fit the coefficients to the runs' observations, the priors as further rows.

        Exactly, which draws need, or as closely as `close` says (`model.nearly`).
        """
        rows, y, weight = self._rows(sites, np.arange(self.s.n_runs))
        if close is None:
            self.model.fit(rows, y, weight)
        else:
            self.model.fit_nearly(rows, y, weight, close)

    def fit_sizes(self, sites: RunSites) -> None:
        """Fit the standard deviations to some of the runs, then to more.

        The second fit starts from the first, which spares it most of its steps.
        """
        for runs in (START_RUNS, SIZE_RUNS):
            chosen = neighbours(self.s, runs)
            self.model.fit_sizes(*self._rows(sites, chosen))
            self.sized = len(chosen) / self.s.n_runs
            if len(chosen) == self.s.n_runs:
                break

    def _rows(self, sites: RunSites, chosen: np.ndarray) -> tuple[Rows, np.ndarray, np.ndarray]:
        """Rows, response and weights of some runs and of the priors."""
        rows = self.rows
        if len(chosen) < self.s.n_runs:
            rows = rows[np.append(chosen, np.arange(self.s.n_runs, rows.shape[0]))]
        weight = 1 / (self.outing_sd**2 + 1 / sites.precision[chosen])
        return (
            rows,
            np.append(sites.response[chosen], self.prior_response),
            np.append(weight, self.prior_weight),
        )

    def run_centre(self, centre: np.ndarray) -> np.ndarray:
        """Mean centre of each run's laps."""
        counts = np.bincount(self.s.run, minlength=self.s.n_runs)
        return np.asarray(np.bincount(self.s.run, centre, minlength=self.s.n_runs) / counts)

    def laps_centre(self, sites: RunSites) -> np.ndarray:
        """Centre of every lap at the estimates, outings' effects included."""
        fitted = self._fitted(self.model.coef_[None])[0]
        outing = self._outing(fitted, sites)
        lap = self.model.coef_[-N_LAP:]
        level = fitted + outing - self.lap_mean @ lap
        return np.asarray(level[self.s.run] + self.start.solver.lap_columns @ lap)

    def _fitted(self, effects: np.ndarray) -> np.ndarray:
        """Centre of each run without its outing, (draws, runs)."""
        out = (self.groups @ effects[:, : self.n_groups].T).T
        out += effects[:, self.n_groups :] @ self.rows.features[: self.s.n_runs].T
        return np.asarray(out)

    def _outing(self, fitted: np.ndarray, sites: RunSites) -> np.ndarray:
        """Mean of each run's outing, given its centre without it."""
        share = sites.precision / (sites.precision + 1 / self.outing_sd**2)
        return np.asarray((sites.response - fitted) * share)

    def arrays(
        self,
        sizes: np.ndarray,
        sites: RunSites,
        noise: Noise,
        n: int,
        rng: np.random.Generator,
    ) -> Arrays:
        """Draw everything: for each draw of the sizes, the effects given it."""
        each = -(-n // len(sizes))
        solver, first = self.start.solver, self.start.solver.n_joint
        parts = {f"groups/{g}": solver.slices[g] for g in JOINT}
        parts["groups/build_day"] = slice(first, first + self.n_days)
        parts["run_effects"] = slice(first + self.n_days, first + self.n_days + N_RUN)
        parts["lap_effects"] = slice(-N_LAP, None)
        out: Arrays = {
            name: np.empty((n, len(self.blocks[part])), _kind(name)) for name, part in parts.items()
        }
        out["groups/outing"] = np.empty((n, self.s.n_runs), _kind("groups/outing"))
        root = np.sqrt(sites.precision + 1 / self.outing_sd**2)
        sd_draws = np.repeat(sizes, each, axis=0)[:n]
        done = 0
        for draws in self._drawn(sizes, each, n, rng):
            here = slice(done, done + len(draws))
            for name, part in parts.items():
                out[name][here] = draws[:, part]
            outing = self._outing(self._fitted(draws), sites)
            outing += rng.standard_normal(outing.shape) / root
            out["groups/outing"][here] = outing
            done = here.stop
        out.update({f"sds/{g}": sd_draws[:, k] for k, g in enumerate(BLOCKS)})
        out["sds/outing"] = np.full(n, self.outing_sd)
        out.update({f"noise/{k}": _repeated(getattr(noise, k), n) for k in NOISE})
        out.update(self._unknown(n))
        return out

    def _drawn(
        self, sizes: np.ndarray, each: int, n: int, rng: np.random.Generator
    ) -> Iterator[np.ndarray]:
        """Draw n times, `each` for a draw of the sizes, a few at once."""
        for begin, sd in zip(range(0, n, each), sizes, strict=False):
            many = min(each, n - begin)
            values = None if self.values is None else self.values[begin : begin + many]
            yield from self.model.draw(sd, many, rng, values=values)

    def _unknown(self, n: int) -> Arrays:
        """Facts nobody recorded, at their most likely value in every draw."""
        found = {k: v for k, v in snapshot(self.start).items() if k.startswith("unknown/")}
        return {k: _repeated(v, n) for k, v in found.items()}


def regions(s: Structure) -> np.ndarray:
    """Number the regions of circuits that share a good part of their builds: of each run, (runs,).

    Who travels between regions joins them, but most stay in theirs.
    """
    circuit, build = s.code["circuit"], s.code["build"]
    shape = len(s.levels["circuit"]), len(s.levels["build"])
    there = csr_array((np.ones(s.n_runs), (circuit, build)), shape=shape)
    there.data[:] = 1.0  # as many runs as there were
    shared = (there @ there.T).toarray()
    fewer = np.minimum(*np.meshgrid(np.diag(shared), np.diag(shared)))
    _, region = connected_components(shared >= SHARED * fewer, directed=False)
    return np.asarray(region[circuit])


def neighbours(s: Structure, enough: int) -> np.ndarray:
    """Choose runs close to each other: of circuits that share builds, days in a row.

    Builds, drivers and days then come as often as in the whole store, which a choice of runs by
    chance would tear apart.
    """
    circuit, build = s.code["circuit"], s.code["build"]
    n_circuits = len(s.levels["circuit"])
    largest = int(np.argmax(np.bincount(circuit, minlength=n_circuits)))
    there = np.bincount(build[circuit == largest], minlength=len(s.levels["build"])) > 0
    shared = np.bincount(circuit, there[build], minlength=n_circuits)
    order = np.argsort(-shared, kind="stable")
    counts = np.cumsum(np.bincount(circuit, minlength=n_circuits)[order])
    most = max(NEIGHBOURS, int(np.searchsorted(counts, enough)) + 1)
    close = np.flatnonzero(np.isin(circuit, order[:most]))
    date = s.runs["date"].to_numpy()[close]
    in_order = close[np.argsort(date, kind="stable")]
    begin = max((len(in_order) - enough) // 2, 0)
    return np.sort(in_order[begin : begin + enough])


def _kind(name: str) -> type:
    return np.float32 if name.startswith("groups/") else np.float64


def _repeated(value: np.ndarray | float, n: int) -> np.ndarray:
    """The same value in every draw, kept once."""
    value = np.asarray(value)
    return np.broadcast_to(value, (n, *value.shape))
