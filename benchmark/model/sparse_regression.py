"""Variance-component regression for large stores: sparse, the noise known, priors on the sizes.

The same model as `model.variance`, with no dense matrix in the number of columns. Columns that
most rows have (features of a run) are held as a dense table of rows, the others as indicators;
the plan of the factorisation is made once and kept for further responses and weights.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.sparse import block_array, csc_array, csr_array, diags_array
from threadpoolctl import threadpool_limits

from benchmark.model.mixed_equations import FIXED
from benchmark.model.reml import Reml, fit_reml
from benchmark.model.sparse_cholesky import Elimination, Equations

MANY = 0.02  # columns that more than this share of the rows has are held densely
CLOSE = 5e-3  # of a log variance ratio: far less than what is not known of it


class SparseComponentRegression:
    """Linear regression with blocks of partially pooled coefficients, fitted by REML.

    Parameters
    ----------
    blocks : block of each column, FIXED for an ordinary coefficient, (columns,).
    size_priors : median and standard deviation of the log of each block's standard deviation,
        (blocks, 2). The noise has standard deviation 1.
    start : standard deviations that the first fit starts from, (blocks,).

    Attributes
    ----------
    coef_ : coefficients, (columns,).
    sds_ : standard deviation of each block.
    """

    def __init__(self, blocks: np.ndarray, size_priors: np.ndarray, start: np.ndarray) -> None:
        self.blocks, self.size_priors, self.start = blocks, size_priors, start
        self._x: csr_array | None = None
        self._plan: Elimination | None = None
        self._fit: Reml | None = None

    def fit(self, x: csr_array, y: np.ndarray, weight: np.ndarray) -> None:
        """Fit rows by columns to a response and weights of the rows.

        A later fit of the same rows starts from the one before and keeps its plan.
        """
        if x is not self._x:
            self._split(x)
        equations = self._equations(y, weight)
        with threadpool_limits(1):
            self._plan = Elimination(equations, self._plan.plan if self._plan else None)
            start = self._fit.theta if self._fit else self.start
            self._fit = fit_reml(
                self._plan, noise_sd=1.0, size_priors=self.size_priors, start=start, close=CLOSE
            )
        first, rest = self._fit.effects()
        self.coef_ = self._placed(first[:, None], rest[:, None])[:, 0]
        self.sds_ = self._fit.sds

    def _split(self, x: csr_array) -> None:
        """Part the columns: those eliminated first, other sparse ones, dense ones."""
        self._x, self._plan, self._fit = x, None, None
        columns: Any = csc_array(x)
        often = np.diff(columns.indptr) > MANY * x.shape[0]
        self._first_block = _independent(x, self.blocks, often, len(self.size_priors))
        first = (self.blocks == self._first_block) & ~often
        self.first = np.flatnonzero(first)
        self.some, self.dense = np.flatnonzero(~first & ~often), np.flatnonzero(often)
        self._first: Any = csc_array(columns[:, self.first])
        self._some: Any = csr_array(columns[:, self.some])
        self._dense = columns[:, self.dense].toarray()

    def draw(self, sds: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
        """Draw coefficients given standard deviations, (n, columns)."""
        assert self._plan is not None  # noqa: S101 - drawn after a fit only
        with threadpool_limits(1):
            factor = self._plan.factor(np.asarray(sds))
            first, rest = factor.effects
            spread = factor.backward(rng.standard_normal((len(rest) + 1, n)))
        # The eliminated columns given the rest; the response is no part of what varies.
        root = np.sqrt(factor.diagonal)[:, None]
        through = self._plan.coupling.T @ (factor.scale[:, None] * spread)
        drawn = first[:, None] + rng.standard_normal((len(first), n)) / root
        drawn -= (factor.own / factor.diagonal)[:, None] * through
        scaled = (rest[:, None] + spread[:-1]) * factor.scale[:-1, None]
        ordered = np.empty_like(scaled)
        ordered[self._plan.plan.order] = scaled
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
