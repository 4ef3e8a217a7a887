"""Variance-component regression for large stores: sparse, the noise known, priors on the sizes.

The same model as `model.variance`, with no dense matrix in the number of columns. Columns that
most rows have (features of a run) are held as a dense table of rows, the others as indicators;
the plan of the factorisation is made once and kept for further responses and weights.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy.sparse import block_array, csc_array, csr_array, diags_array
from threadpoolctl import threadpool_limits

from benchmark.model.mixed_equations import FIXED
from benchmark.model.reml import fit_reml
from benchmark.model.sparse_cholesky import Elimination, Factor
from benchmark.model.sparse_equations import Equations

DRAWS_AT_ONCE = 25  # so that what they are made from stays smaller than the factor
MANY = 0.02  # columns that more than this share of the rows has are held densely
CLOSE = 0.02  # of a log variance ratio: far less than what is not known of it


class SparseComponentRegression:
    """Linear regression with blocks of partially pooled coefficients, fitted by REML.

    Parameters
    ----------
    blocks : block of each column, FIXED for an ordinary coefficient, (columns,).
    size_priors : median and standard deviation of the log of each block's standard deviation,
        (blocks, 2). The noise has standard deviation 1.
    start : standard deviations that the first fit starts from, (blocks,).
    parent : for a column whose rows all have one same column of another block, that column, -1
        for others, (columns,).
    late : True on columns that join parts of the rows which have little else in common, (columns,).

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
    ) -> None:
        self.blocks, self.size_priors, self.parent, self.late = blocks, size_priors, parent, late
        self.sds_ = start
        self._x: csr_array | None = None
        self._plan: Elimination | None = None

    def fit(self, x: csr_array, y: np.ndarray, weight: np.ndarray) -> None:
        """Find the coefficients with the standard deviations as they stand: one factorisation.

        `x` are rows by columns, `y` and `weight` have one value a row. A later fit of the same
        rows keeps the order of elimination.
        """
        plan = self._planned(x, y, weight)
        with threadpool_limits(1):
            first, rest = plan.factor(self.sds_).coefficients()
        self.coef_ = self._placed(first[:, None], rest[:, None])[:, 0]

    def fit_sizes(self, x: csr_array, y: np.ndarray, weight: np.ndarray) -> None:
        """Fit the standard deviations by REML, starting from those there are."""
        plan = self._planned(x, y, weight)
        with threadpool_limits(1):
            found = fit_reml(
                plan, noise_sd=1.0, size_priors=self.size_priors, start=self.sds_, close=CLOSE
            )
        self.sds_ = found.sds

    def _planned(self, x: csr_array, y: np.ndarray, weight: np.ndarray) -> Elimination:
        """Multiply out, in the order of elimination that these rows have had before."""
        if x is not self._x:
            self._split(x)
        equations = self._equations(y, weight)
        with threadpool_limits(1):
            self._plan = Elimination(equations, self._plan.plan if self._plan else None)
        return self._plan

    def _split(self, x: csr_array) -> None:
        """Part the columns: those eliminated first, other sparse ones, dense ones."""
        self._x, self._plan = x, None
        # A parent reaches the rows through its children.
        in_rows = np.ones(x.shape[1])
        in_rows[self.parent[self.parent >= 0]] = 0.0
        columns: Any = csc_array(x @ diags_array(in_rows))
        columns.eliminate_zeros()
        often = np.diff(columns.indptr) > MANY * x.shape[0]
        linked = (in_rows == 0) | (self.parent >= 0)
        self._first_block = _independent(x, self.blocks, often | linked, len(self.size_priors))
        first = (self.blocks == self._first_block) & ~often
        self.first = np.flatnonzero(first)
        self.some, self.dense = np.flatnonzero(~first & ~often), np.flatnonzero(often)
        self._first: Any = csc_array(columns[:, self.first])
        self._some: Any = csr_array(columns[:, self.some])
        self._dense = columns[:, self.dense].toarray()
        place = np.full(x.shape[1], -1)
        place[np.concatenate([self.some, self.dense])] = np.arange(x.shape[1] - len(self.first))
        parent = self.parent[np.concatenate([self.some, self.dense])]
        self._parent = np.where(parent >= 0, place[parent], -1)

    def draw(
        self, sds: np.ndarray, n: int, rng: np.random.Generator, at_once: int = DRAWS_AT_ONCE
    ) -> Iterator[np.ndarray]:
        """Draw n times from the coefficients given standard deviations, some at once, (k, columns).

        They come from their joint Normal distribution given the rows of the last fit.
        """
        assert self._plan is not None  # noqa: S101 - drawn after a fit only
        with threadpool_limits(1):
            factor = self._plan.factor(np.asarray(sds))
        for begin in range(0, n, at_once):
            yield self._drawn(factor, min(at_once, n - begin), rng)

    def _drawn(self, factor: Factor, n: int, rng: np.random.Generator) -> np.ndarray:
        plan = factor.elimination
        first, rest = factor.solution
        with threadpool_limits(1):
            spread = factor.backward(rng.standard_normal((len(rest) + 1, n)))
        # The eliminated columns given the rest; the response is no part of what varies.
        root = np.sqrt(factor.diagonal)[:, None]
        through = plan.coupling.T @ (factor.scale[:, None] * spread)
        drawn = first[:, None] + rng.standard_normal((len(first), n)) / root
        drawn -= (factor.own / factor.diagonal)[:, None] * through
        scaled = (rest[:, None] + spread[:-1]) * factor.scale[:-1, None]
        scaled[plan.links.child] -= scaled[plan.links.parent]
        ordered = np.empty_like(scaled)
        ordered[plan.plan.order] = scaled
        return self._placed(factor.own[:, None] * drawn, ordered).T

    def _equations(self, y: np.ndarray, weight: np.ndarray) -> Equations:
        """Multiply out: the eliminated columns, the other sparse ones, the dense ones."""
        w = diags_array(weight)
        dense = np.column_stack([self._dense, y])
        weighted = weight[:, None] * dense
        some, first = csc_array(w @ self._some), self._first
        across = csc_array(some.T @ dense)
        rest = block_array(
            [[some.T @ self._some, across], [across.T, csc_array(weighted.T @ dense)]]
        )
        coupling = block_array([[some.T @ first], [csc_array((first.T @ weighted).T)]])
        block = np.concatenate([self.blocks[self.some], self.blocks[self.dense]])
        return Equations(
            np.asarray(first.power(2).T @ weight),
            csc_array(coupling),
            csc_array(rest),
            self._first_block,
            block,
            len(self.size_priors),
            float(weight.sum()),
            self._parent,
            self.late[np.concatenate([self.some, self.dense])],
        )

    def _placed(self, first: np.ndarray, rest: np.ndarray) -> np.ndarray:
        """Put coefficients in the order of the columns, (columns, k)."""
        out = np.empty((len(self.blocks), first.shape[1]))
        out[self.first], out[np.concatenate([self.some, self.dense])] = first, rest
        return out


def _independent(x: csr_array, blocks: np.ndarray, often: np.ndarray, n_blocks: int) -> int:
    """Return the largest block whose columns never meet in one row."""
    best, size = 0, -1
    for k in range(n_blocks):
        mine = (blocks == k) & (blocks != FIXED)
        if not mine.sum() > size or (often & mine).any():
            continue
        if (np.asarray(abs(x).sign() @ mine.astype(float)) <= 1).all():
            best, size = k, int(mine.sum())
    return best
