"""Draws of some effects given draws of all others."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csc_array, csr_array, diags_array
from scipy.sparse.linalg import splu


class Given:
    """A regression whose effects are Normal, about nought, with known precisions.

    Parameters
    ----------
    columns : one column an effect, sparse, (rows, effects).
    weight : one over the variance of each row, (rows,).
    precision : one over the variance of each effect, (effects,).
    """

    def __init__(self, columns: csr_array, weight: np.ndarray, precision: np.ndarray) -> None:
        self._columns, self._weight, self._precision = columns, weight, precision
        matrix = columns.T @ diags_array(weight) @ columns + diags_array(precision)
        self._factor = splu(csc_array(matrix), permc_spec="MMD_AT_PLUS_A",
                            options={"SymmetricMode": True}, diag_pivot_thresh=0.0)  # fmt: skip

    def mean(self, left: np.ndarray) -> np.ndarray:
        """Return the effects' mean, given what the rows leave to them, (effects,)."""
        return np.asarray(self._factor.solve(self._columns.T @ (self._weight * left)))

    def draw(self, left: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Draw the effects once for each draw of what is left to them.

        By perturbing response and prior (Papandreou and Yuille, Advances in Neural Information
        Processing Systems 23, 2010): the solution then has the posterior's covariance.

        Parameters
        ----------
        left : what the rows leave to the effects, (draws, rows).

        Returns
        -------
        Effects, (draws, effects).
        """
        noisy = left + rng.standard_normal(left.shape) / np.sqrt(self._weight)
        right = self._columns.T @ (noisy * self._weight).T
        prior = rng.standard_normal((len(left), len(self._precision)))
        right += (prior * np.sqrt(self._precision)).T
        return np.asarray(self._factor.solve(right).T)
