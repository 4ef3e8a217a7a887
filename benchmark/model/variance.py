"""Variance-component regression: the numeric core, as a scikit-learn estimator.

y = X b + e with e ~ Normal(0, sigma²); a row of weight w counts as w rows. Columns of X belong to
blocks; the coefficients of one block share a standard deviation that is estimated by restricted
maximum likelihood (REML), the others are ordinary regression coefficients.

The equations themselves stand in `model.mixed_equations`.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize
from scipy.sparse import csc_array, csr_array, diags_array
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

from benchmark.model.mixed_equations import (
    FIXED,
    TINY,
    Normal,
    Solution,
    inverse_diagonal,
    solve,
    without_fixed,
)

METHODS = ("reml", "ml")
# Where a standard deviation found at nought is tried again, over that of the noise.
RESTARTS = (0.3, 0.1)
# The most that a block may add to the typical row, as a standard deviation over that of the noise.
# Where the effects can follow every distinct row and rows repeat, the likelihood grows without end
# as the noise goes to nought, and where a search stops would be a matter of rounding.
MOST = 1e3


class VarianceComponentRegression(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Linear regression with blocks of partially pooled coefficients, fitted by REML.

    Parameters
    ----------
    blocks : array of int, shape (features,), or None
        Block of each column: -1 for an ordinary coefficient, 0, 1, ... for a pooled block. None
        puts all columns into block 0.
    fit_intercept : whether to add an ordinary column of ones.
    method : "reml" or "ml".
    noise_sd : the residual standard deviation where it is known; None estimates it.
    size_priors : array, shape (blocks, 2), or None
        Median and standard deviation of the log of each block's standard deviation, a log-normal
        prior; needs `noise_sd`.
    max_iter, tol : of the optimiser.

    Attributes
    ----------
    coef_ : shape (features,), best linear unbiased predictions of pooled coefficients.
    intercept_ : the ordinary constant, 0.0 without it.
    sds_ : standard deviation of each block.
    noise_sd_ : residual standard deviation. Where it is estimated, no block adds more than a
        thousand times as much to a typical row: a fit without residuals ends there.
    criterion_ : -2 times the (restricted) log likelihood at the optimum, with all constants.
    n_iter_ : iterations of the optimiser.

    References
    ----------
    Bates, Mächler, Bolker and Walker, Journal of Statistical Software 67(1), 2015.
    """

    def __init__(
        self,
        blocks: Any = None,
        *,
        fit_intercept: bool = True,
        method: str = "reml",
        noise_sd: float | None = None,
        size_priors: Any = None,
        max_iter: int = 200,
        tol: float = 1e-9,
    ) -> None:
        self.blocks = blocks
        self.fit_intercept = fit_intercept
        self.method = method
        self.noise_sd = noise_sd
        self.size_priors = size_priors
        self.max_iter = max_iter
        self.tol = tol

    def fit(self, X: Any, y: Any, sample_weight: Any = None) -> Self:  # noqa: N803
        """Fit to X (rows, features; dense or sparse), y (rows,) and weights (rows,).

        Raises
        ------
        ValueError
            An unknown method, blocks that do not match the columns, or a prior without noise_sd.
        """
        X, y = validate_data(  # noqa: N806
            self, X, y, accept_sparse=["csr", "csc"], y_numeric=True, dtype=np.float64
        )
        weight = _check_sample_weight(sample_weight, X, dtype=np.float64)
        self._check()
        y = np.asarray(y, dtype=float)
        # About its mean, or squares of a large response cancel to too few digits.
        self._offset = float(np.average(y, weights=weight)) if self.fit_intercept else 0.0
        self._normal, self._order = self._cross_products(X, y - self._offset, weight)
        theta = self._optimise(np.ones(self._n_blocks))
        self._take(theta)
        return self

    def predict(self, X: Any) -> np.ndarray:  # noqa: N803
        """Return the prediction of each row of X, shape (rows,)."""
        check_is_fitted(self)
        X = validate_data(self, X, accept_sparse=["csr", "csc"], reset=False)  # noqa: N806
        return np.asarray(X @ self.coef_ + self.intercept_)

    def draw(self, sds: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
        """Draw coefficients given standard deviations, shape (n, features).

        They come from their joint Normal distribution given the data (the constant, if any, is
        integrated out).
        """
        check_is_fitted(self)
        noise = float(self.noise_sd_)
        theta = np.asarray(sds) / noise
        solution = solve(self._normal, theta)
        k, size = self._normal.n_eliminated, len(solution.effects)
        z = rng.standard_normal((size, n))
        rest = solve_triangular(solution.factor, z[k:], lower=True, trans=1)
        spread = z[:k] / np.sqrt(solution.diagonal)[:, None]
        first = spread - (solution.coupling.T @ rest) / solution.diagonal[:, None]
        u = solution.effects[:, None] + noise * np.concatenate([first, rest])
        scaled = u * self._scale(theta)[:, None]
        out = np.empty_like(scaled)
        out[self._order] = scaled
        return np.asarray(out[: self.n_features_in_].T)

    def objective(self, log_sds: np.ndarray) -> float:
        """Return the criterion plus -2 log prior at log standard deviations, one a block."""
        return self._value(np.exp(log_sds) / float(self.noise_sd_))[0]

    def _check(self) -> None:
        if self.method not in METHODS:
            raise ValueError(f'method "{self.method}": use reml or ml')
        if self.size_priors is not None and self.noise_sd is None:
            raise ValueError("size_priors need noise_sd")

    def _cross_products(
        self, x: Any, y: np.ndarray, weight: np.ndarray
    ) -> tuple[Normal, np.ndarray]:
        """Order the columns (eliminated, random, fixed) and multiply out."""
        columns: Any = csc_array(x)
        block = self._block(columns.shape[1])
        if self.fit_intercept:
            ones = csc_array(np.ones((columns.shape[0], 1)))
            columns = csc_array(_hstack(columns, ones))
            block = np.append(block, FIXED)
        self._n_blocks = int(block.max(initial=FIXED)) + 1
        weighted: Any = csr_array(diags_array(weight) @ columns)
        gram = csc_array(weighted.T @ columns)
        first = _eliminable(gram, block)
        order = np.concatenate(
            [
                np.flatnonzero((block == first) & (block != FIXED)),
                np.flatnonzero((block != first) & (block != FIXED)),
                np.flatnonzero(block == FIXED),
            ]
        )
        normal = Normal(
            csc_array(gram[order][:, order]),
            np.asarray(weighted.T @ y)[order],
            float(weight @ y**2),
            float(weight.sum()),
            block[order],
            int(((block == first) & (block != FIXED)).sum()),
            int((block == FIXED).sum()),
        )
        return normal, order

    def _block(self, n_columns: int) -> np.ndarray:
        if self.blocks is None:
            return np.zeros(n_columns, dtype=np.int64)
        block = np.asarray(self.blocks, dtype=np.int64)
        if block.shape != (n_columns,):
            raise ValueError(f"blocks has shape {block.shape}, X has {n_columns} columns")
        return block

    def _scale(self, theta: np.ndarray) -> np.ndarray:
        block = self._normal.block
        return np.where(block == FIXED, 1.0, np.append(theta, 1.0)[block])

    def _value(self, theta: np.ndarray) -> tuple[float, Solution]:
        """Criterion and solution at relative standard deviations."""
        normal = self._normal
        solution = solve(normal, theta)
        df = self._df()
        log_det = solution.log_det if self.method == "reml" else solution.log_det_random
        if self.noise_sd is None:
            fit = df * (1 + np.log(2 * np.pi * solution.residual / df))
        else:
            fit = df * np.log(2 * np.pi * self.noise_sd**2) + solution.residual / self.noise_sd**2
        return float(log_det + fit + self._penalty(theta)[0]), solution

    def _df(self) -> float:
        """Rows that the residual variance is reckoned over."""
        normal = self._normal
        return max(normal.n_rows - (normal.n_fixed if self.method == "reml" else 0), 1.0)

    def _penalty(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """-2 log prior of the standard deviations, and its gradient with respect to theta."""
        if self.size_priors is None:
            return 0.0, np.zeros(len(theta))
        median, log_sd = np.asarray(self.size_priors, dtype=float).T
        theta = np.maximum(theta, TINY)
        off = np.log(theta * float(self.noise_sd or 1.0) / median) / log_sd
        return float(off @ off), 2 * off / (log_sd * theta)

    def _gradient(self, theta: np.ndarray, solution: Solution) -> np.ndarray:
        """Gradient of the criterion (Bates and DebRoy, J. Multivariate Analysis 91, 2004)."""
        normal = self._normal
        random = normal.block != FIXED
        if self.method == "ml":
            held = 1 - inverse_diagonal(without_fixed(solution, normal.n_fixed))
        else:
            held = 1 - inverse_diagonal(solution)[random]
        squares = solution.effects[random] ** 2
        block = normal.block[random]
        n = self._n_blocks
        df = self._df()
        noise = solution.residual / df if self.noise_sd is None else self.noise_sd**2
        total = np.bincount(block, 2 * held - 2 * squares / noise, minlength=n)
        return np.asarray(
            np.where(theta > TINY, total / np.maximum(theta, TINY), 0.0) + self._penalty(theta)[1]
        )

    def _optimise(self, start: np.ndarray) -> np.ndarray:
        """Minimise the criterion over relative standard deviations, nought included.

        The search is over what each block adds to the typical row, so that the units of the
        columns change nothing.
        """
        if not len(start):
            self.n_iter_ = 0
            return start
        unit = self._unit()

        def value(size: np.ndarray) -> Any:
            criterion, solution = self._value(size * unit)
            return criterion, unit * self._gradient(size * unit, solution)

        if self.size_priors is not None:
            start = np.asarray(self.size_priors, dtype=float)[:, 0] / float(self.noise_sd or 1.0)
        found = self._minimum(value, start)
        self.n_iter_ = int(found.nit)
        for fraction in RESTARTS if self.size_priors is None else ():
            # A first step may land on nought, where the gradient vanishes whatever the data say.
            stuck = found.x <= TINY
            if not stuck.any():
                break
            again = self._minimum(value, np.where(stuck, fraction, found.x))
            self.n_iter_ += int(again.nit)
            found = again if again.fun < found.fun else found
        return np.asarray(self._boundary(found.x * unit))

    def _minimum(self, value: Any, start: np.ndarray) -> Any:
        # Where the noise is known its size keeps the search from running away.
        most = None if self.noise_sd is not None else MOST
        return minimize(
            value,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, most)] * len(start),
            options={"maxiter": self.max_iter, "ftol": self.tol * 1e-3, "gtol": 1e-7},
        )

    def _unit(self) -> np.ndarray:
        """Relative standard deviations at which each block adds to a row what the noise adds."""
        if self.noise_sd is not None:
            return np.ones(self._n_blocks)
        normal = self._normal
        random = normal.block != FIXED
        squares = np.bincount(
            normal.block[random], normal.gram.diagonal()[random], minlength=self._n_blocks
        )
        typical = np.sqrt(squares / normal.n_rows)
        return np.asarray(1 / np.where(typical > 0, typical, 1.0))

    def _boundary(self, theta: np.ndarray) -> np.ndarray:
        """Put a standard deviation on nought where that is no worse."""
        # The gradient vanishes at nought whatever the data say, so the optimiser may miss it.
        best = self._value(theta)[0]
        for k in range(len(theta)):
            trial = theta.copy()
            trial[k] = 0.0
            if self.size_priors is None and self._value(trial)[0] <= best + 1e-7:
                theta = trial
        return theta

    def _take(self, theta: np.ndarray) -> None:
        """Set the fitted attributes."""
        self.criterion_, solution = self._value(theta)
        noise = np.sqrt(solution.residual / self._df()) if self.noise_sd is None else self.noise_sd
        self.noise_sd_ = float(noise)
        self.sds_ = theta * self.noise_sd_
        scaled = solution.effects * self._scale(theta)
        coefficients = np.empty_like(scaled)
        coefficients[self._order] = scaled
        self.coef_ = coefficients[: self.n_features_in_]
        self.intercept_ = self._offset + float(coefficients[-1]) if self.fit_intercept else 0.0

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.sparse = True
        return tags


def _hstack(a: csc_array, b: csc_array) -> Any:
    from scipy.sparse import hstack

    return hstack([a, b])


def _eliminable(gram: csc_array, block: np.ndarray) -> int:
    """Return the largest block whose columns never meet in one row, or FIXED for none."""
    best, size = FIXED, 1
    for k in range(int(block.max(initial=FIXED)) + 1):
        columns = np.flatnonzero(block == k)
        if len(columns) <= size:
            continue
        part = gram[columns][:, columns]
        if (part - diags_array(part.diagonal())).count_nonzero() == 0:
            best, size = k, len(columns)
    return best
