"""The Gaussian core for stores of any size: run rows to standard deviations and effects.

Where there are many circuits, a fit of a few that share their builds comes first: it takes half a
second and spares the fit of all about half of its factorisations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from benchmark.model.cross_products import POOLED, Named, equations_of
from benchmark.model.reml import Progress, Reml, fit_reml
from benchmark.model.run_rows import RunRows
from benchmark.model.sparse_cholesky import Elimination

SAMPLE, SAMPLED_FROM = 15_000, 100_000  # rows
ROUGH = 0.02  # of a log variance ratio: all that a start needs


@dataclass(frozen=True)
class Gaussian:
    """A fit of run rows.

    Attributes
    ----------
    reml : standard deviations, criterion and effects.
    named : the equations, with the groups of `POOLED` as blocks 0 to 3.
    """

    reml: Reml
    named: Named

    @property
    def sds(self) -> dict[str, float]:
        """Standard deviation of each group and of the noise, in log lap time."""
        sds = dict(zip(POOLED, map(float, self.reml.sds), strict=True))
        return {**sds, "noise": self.reml.noise_sd}


def fit_rows(
    rows: RunRows, *, start: np.ndarray | None = None, progress: Progress | None = None
) -> Gaussian:
    """Fit the crossed model of `model.cross_products` to run rows by REML.

    Parameters
    ----------
    start : standard deviations of the groups over that of the noise, as a last fit found them.
    progress : called with the number of factorisations and the length of the last step.
    """
    if start is None:
        start = start_from_sample(rows)
    named = equations_of(rows)
    return fit_equations(named, Elimination(named.equations), start=start, progress=progress)


def fit_equations(
    named: Named,
    elimination: Elimination,
    *,
    start: np.ndarray | None = None,
    progress: Progress | None = None,
) -> Gaussian:
    """Fit equations that have been made and planned; see `fit_rows`."""
    with threadpool_limits(1):
        return Gaussian(fit_reml(elimination, start=start, progress=progress), named)


def start_from_sample(rows: RunRows) -> np.ndarray | None:
    """Fit the rows of some circuits: where the fit of all begins; None where there are few rows.

    The circuits are one and those where its builds run most, as people stay in their region.
    """
    if len(rows) < SAMPLED_FROM:
        return None
    circuit, n_circuits = rows.group("circuit")
    build, n_builds = rows.group("build")
    counts = np.bincount(circuit, minlength=n_circuits)
    there = np.bincount(build[circuit == np.argmax(counts)], minlength=n_builds) > 0
    shared = np.bincount(circuit, there[build], minlength=n_circuits)
    order = np.argsort(-shared, kind="stable")
    enough = int(np.searchsorted(np.cumsum(counts[order]), SAMPLE)) + 1
    chosen = np.flatnonzero(np.isin(circuit, order[:enough]))
    if len(chosen) > len(rows) / 2:
        return None
    with threadpool_limits(1):
        theta = fit_reml(equations_of(rows.take(chosen)).equations, close=ROUGH).theta
    # A variance that a sample puts on nought may yet be found in all rows.
    return np.where(theta > 0, theta, np.max(theta) / 10)
