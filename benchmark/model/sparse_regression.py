"""Variance-component regression for large stores: sparse, the noise known, priors on the sizes.

The same model as `model.variance`, with no dense matrix in the number of columns.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.sparse import csr_array

from benchmark.model.nearly import solve_nearly
from benchmark.model.parted_rows import PartedRows, Rows
from benchmark.model.reml import fit_reml
from benchmark.model.sparse_cholesky import Elimination, Factor

DRAWS_AT_ONCE = 25  # so that what they are made from stays smaller than the factor
CLOSE = 0.02  # of a log variance ratio: far less than what is not known of it


class SparseComponentRegression:
    """Linear regression with blocks of partially pooled coefficients, fitted by REML.

    Parameters
    ----------
    blocks : block of each column, FIXED for an ordinary coefficient, (columns,).
    size_priors : median and standard deviation of the log of each block's standard deviation,
        (blocks, 2). The noise has standard deviation 1.
    start : standard deviations that the first fit starts from, (blocks,).
    parent : for a group's column whose rows all have one same column of another block, that column,
        -1 for others, (columns,).
    late : True on columns that join parts of the rows which have little else in common, (columns,).
    given : True on columns whose values draws are given; no parent has to be found for them,
        (columns,). By default on none.

    Parents and late columns change how long a fit takes, not what it finds.

    Attributes
    ----------
    coef_ : coefficients, (columns,).
    sds_ : standard deviation of each block.
    """

    def __init__(
        self,
        blocks: np.ndarray,
        size_priors: np.ndarray,
        start: np.ndarray,
        parent: np.ndarray,
        late: np.ndarray,
        given: np.ndarray | None = None,
    ) -> None:
        self.blocks, self.size_priors, self.parent, self.late = blocks, size_priors, parent, late
        self.given = given
        self.sds_ = start
        self.coef_ = np.zeros(len(blocks))
        self._fitted: tuple[PartedRows, Factor] | None = None

    def fit_nearly(self, rows: Rows, y: np.ndarray, weight: np.ndarray, close: float) -> None:
        """Find the coefficients with no factorisation, as closely as `close` says.

        `y` and `weight` have one value a row.
        """
        sds = np.append(self.sds_, np.inf)[self.blocks]
        self.coef_ = solve_nearly(rows, y, weight, sds, self.coef_, close)

    def fit(self, rows: Rows, y: np.ndarray, weight: np.ndarray) -> None:
        """Find the coefficients with the standard deviations as they stand: one factorisation.

        It is kept, for draws.
        """
        parted = PartedRows(rows, self.blocks, self.n_blocks, self.parent)
        equations = parted.equations(y, weight, self.late, self.given)
        factor = Elimination(equations).factor(self.sds_)
        self._fitted = parted, factor
        factor.keep_singly()
        first, rest = factor.coefficients()
        self.coef_ = parted.placed(first[:, None], rest[:, None])[:, 0]

    def fit_sizes(self, rows: Rows, y: np.ndarray, weight: np.ndarray) -> None:
        """Fit the standard deviations by REML, starting from those there are.

        Columns without a row, such as those of entries in other rows than these, add nothing.
        """
        n_groups = rows.groups.shape[1]
        found_in = np.bincount(rows.groups.indices, minlength=n_groups) > 0
        there = np.append(np.flatnonzero(found_in), np.arange(n_groups, rows.shape[1]))
        number = np.full(rows.shape[1], -1)
        number[there] = np.arange(len(there))
        parent = self.parent[there]
        parent = np.where(parent >= 0, number[parent], -1)
        few = Rows(csr_array(rows.groups[:, found_in]), rows.features)
        parted = PartedRows(few, self.blocks[there], self.n_blocks, parent)
        found = fit_reml(
            parted.equations(y, weight, self.late[there]),
            noise_sd=1.0,
            size_priors=self.size_priors,
            start=self.sds_,
            close=CLOSE,
        )
        self.sds_ = found.sds

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return len(self.size_priors)

    def draw(
        self,
        sds: np.ndarray,
        n: int,
        rng: np.random.Generator,
        at_once: int = DRAWS_AT_ONCE,
        values: np.ndarray | None = None,
    ) -> Iterator[np.ndarray]:
        """Draw n times from the coefficients given standard deviations, some at once, (k, columns).

        They come from their joint Normal distribution given the rows of the last fit and, where
        there are given columns, given also their `values`, one row a draw, (n, given columns).
        """
        assert self._fitted is not None  # noqa: S101 - drawn after a fit only
        parted, factor = self._fitted
        if not np.array_equal(sds, factor.theta):
            factor = factor.elimination.factor(np.asarray(sds))
        for begin in range(0, n, at_once):
            k = min(at_once, n - begin)
            of_these = None if values is None else values[begin : begin + k]
            first, rest = _drawn(factor, k, rng, of_these)
            yield parted.placed(first, rest).T


def _drawn(
    factor: Factor, n: int, rng: np.random.Generator, values: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray]:
    """Draw the eliminated columns' coefficients and the others', in the order they were given.

    Given columns go last, so what is drawn before them is drawn given their `values`.
    """
    plan = factor.elimination
    first, rest = factor.solution
    start = rng.standard_normal((len(rest) + 1, n))
    if values is None:
        spread = factor.backward(start)
    else:
        last = slice(len(rest) - plan.n_given, len(rest))
        off = values.T / factor.scale[last, None] - rest[last, None]
        start[last] = factor.root_of_given(off)
        spread = factor.backward(start)
        spread[last] = off
    # The eliminated columns given the rest; the response is no part of what varies.
    root = np.sqrt(factor.diagonal)[:, None]
    through = plan.coupling.T @ (factor.scale[:, None] * spread)
    drawn = first[:, None] + rng.standard_normal((len(first), n)) / root
    drawn -= (factor.own / factor.diagonal)[:, None] * through
    scaled = (rest[:, None] + spread[:-1]) * factor.scale[:-1, None]
    scaled[plan.links.child] -= scaled[plan.links.parent]
    ordered = np.empty_like(scaled)
    ordered[plan.plan.order] = scaled
    return factor.own[:, None] * drawn, ordered
