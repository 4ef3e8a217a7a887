"""The mixed-model equations of a regression with blocks of pooled coefficients, and their solution.

They are solved for spherical effects, b = theta u with u ~ Normal(0, sigma²), so that a standard
deviation of nought is an ordinary point and not a singular one (Bates, Mächler, Bolker and Walker,
Journal of Statistical Software 67(1), 2015, sections 3.4 to 3.6). A block whose columns never meet
in one row, such as the indicator columns of a factor, is eliminated first; the rest is solved
densely.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.linalg import cho_solve
from scipy.linalg.lapack import dpotrf, dpotri
from scipy.sparse import csc_array, diags_array

FIXED = -1
TINY = 1e-12
# Relative ridge on ordinary coefficients, so that aliased columns share instead of failing.
RIDGE = 1e-10


@dataclass(frozen=True)
class Normal:
    """Cross products of one problem: what the criterion needs of the data."""

    gram: csc_array  # X'WX, columns in the order eliminated, random, fixed
    right: np.ndarray  # X'Wy
    total: float  # y'Wy
    n_rows: float  # a row counts as often as its weight says
    block: np.ndarray  # block of each column, FIXED for ordinary ones
    n_eliminated: int
    n_fixed: int


@dataclass(frozen=True)
class Solution:
    """The equations solved at one set of relative standard deviations."""

    effects: np.ndarray  # spherical effects, then ordinary coefficients
    residual: float  # penalised residual sum of squares
    log_det: float  # of all equations
    log_det_random: float  # of the equations of the random effects alone
    factor: np.ndarray  # lower Cholesky factor of the dense part
    diagonal: np.ndarray  # of the eliminated part
    coupling: csc_array  # dense part by eliminated part


def solve(normal: Normal, theta: np.ndarray) -> Solution:
    """Solve the mixed-model equations at relative standard deviations `theta`, one a block."""
    scale = np.where(normal.block == FIXED, 1.0, np.append(theta, 1.0)[normal.block])
    scaling = diags_array(scale)
    scaled: Any = csc_array(scaling @ normal.gram @ scaling)
    right = scale * normal.right
    k = normal.n_eliminated
    diagonal = scaled.diagonal()[:k] + 1.0
    coupling = csc_array(scaled[k:, :k])
    dense = scaled[k:, k:].toarray(order="F")
    if k:
        dense -= (coupling @ (coupling / diagonal).T).toarray()
    random = normal.block[k:] != FIXED
    n = len(random)
    ridge = RIDGE * np.maximum(dense.diagonal(), TINY)
    dense[np.diag_indices(n)] += np.where(random, 1.0, ridge)
    factor, failed = dpotrf(dense, lower=1, clean=1)
    if failed:
        raise np.linalg.LinAlgError("the mixed-model equations are not positive definite")
    lower = right[k:] - coupling @ (right[:k] / diagonal)
    rest = cho_solve((factor, True), lower)
    first = (right[:k] - coupling.T @ rest) / diagonal
    effects = np.concatenate([first, rest])
    logs = 2 * np.log(np.diag(factor))
    eliminated = float(np.log(diagonal).sum())
    return Solution(
        effects,
        max(normal.total - float(right @ effects), TINY),
        eliminated + float(logs.sum()),
        eliminated + float(logs[random].sum()),
        factor,
        diagonal,
        coupling,
    )


def without_fixed(solution: Solution, n_fixed: int) -> Solution:
    """Return the equations of the random effects alone; ordinary columns stand last in them."""
    n = len(solution.factor) - n_fixed
    return replace(solution, factor=solution.factor[:n, :n], coupling=solution.coupling[:n])


def inverse_diagonal(solution: Solution) -> np.ndarray:
    """Return the diagonal of the inverse of the mixed-model equations."""
    inverse, _ = dpotri(solution.factor, lower=1)
    inverse = np.tril(inverse) + np.tril(inverse, -1).T
    coupling = solution.coupling.tocoo()
    through = np.asarray(solution.coupling.T @ inverse)  # eliminated by dense part
    products = coupling.data * through[coupling.coords[1], coupling.coords[0]]
    sums = np.bincount(coupling.coords[1], products, minlength=len(solution.diagonal))
    first = 1 / solution.diagonal + sums / solution.diagonal**2
    return np.concatenate([first, np.diag(inverse)])
