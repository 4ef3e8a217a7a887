"""Runs summed up as Normal observations: the moments of the exact product, and no bias."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import exponnorm, norm

from benchmark.model import run_sites
from benchmark.model.noise import LapNoise, Noise
from benchmark.model.run_sites import RunSites

SIGMA, TAU = 0.003, 0.012
OUTING, DAY = 0.002, 0.003


def only_delays(tau: float = TAU) -> Noise:
    """Noise whose laps are all ordinary."""
    return Noise(SIGMA, np.array([tau]), tau, 0.5, 0.1, 0.06, np.array([1.0, 0.0, 0.0]))


def driven(runs: int, laps: int, *, tau: float = TAU, pace_sd: float = 0.0) -> SimpleNamespace:
    """Runs of one driver, each on a build and day of its own, whose mean pace is nought."""
    rng = np.random.default_rng(6)
    n = runs * laps
    pace = pace_sd * rng.standard_normal(runs)
    noise = SIGMA * rng.standard_normal(n) + tau * rng.standard_exponential(n)
    return SimpleNamespace(
        n_runs=runs,
        run=np.repeat(np.arange(runs), laps),
        log_time=np.repeat(pace, laps) + noise,
        laps=LapNoise(np.zeros(n), np.zeros(n, dtype=np.int64), 1),
        code={"build_day": np.arange(runs)},
    )


def settled(s: SimpleNamespace, noise: Noise, rounds: int = 6) -> tuple[RunSites, np.ndarray]:
    """Observations of runs whose common mean is all that is to be found, and that mean."""
    sites, pace = RunSites(s), np.zeros(s.n_runs)
    sd = np.hypot(OUTING, DAY)
    for _ in range(rounds):
        sites.match(noise, s.log_time - pace[s.run], pace, OUTING, DAY)
        weight = 1 / (sd**2 + 1 / sites.precision)
        mean = np.sum(weight * sites.response) / weight.sum()
        share = sites.precision / (sites.precision + 1 / sd**2)
        pace = mean + share * (sites.response - mean)
    return sites, pace


def test_an_observation_gives_the_moments_of_the_exact_product():
    """Against scipy's density of a Normal plus an Exponential, integrated numerically."""
    s, noise = driven(3, 5, pace_sd=0.003), only_delays()
    sites, pace = settled(s, noise)
    others, variance = sites._others(pace, OUTING, DAY)
    sites.match(noise, s.log_time - pace[s.run], pace, OUTING, DAY)
    precision = sites.precision + 1 / variance
    mean = (sites.precision * sites.response + others / variance) / precision
    for k in range(s.n_runs):
        times = s.log_time[s.run == k]

        def product(at: float, times=times, k=k) -> float:
            laps = exponnorm.logpdf(times - at, TAU / SIGMA, scale=SIGMA).sum()
            return float(np.exp(laps - 15 + norm.logpdf(at, others[k], np.sqrt(variance[k]))))

        ends = (others[k] - 0.04, others[k] + 0.04)
        moment = [quad(lambda a, p=p: a**p * product(a), *ends, limit=400)[0] for p in range(3)]
        expected = moment[1] / moment[0]
        spread = np.sqrt(moment[2] / moment[0] - expected**2)
        assert mean[k] == pytest.approx(expected, abs=0.02 * spread)
        assert 1 / np.sqrt(precision[k]) == pytest.approx(spread, rel=0.02)


def test_many_short_runs_are_not_slower_together_than_they_are():
    """Each taken at its most likely pace, they would be: a delay is never negative."""
    s, noise = driven(4000, 4, pace_sd=float(np.hypot(OUTING, DAY))), only_delays()
    sites, _ = settled(s, noise)
    weight = 1 / (OUTING**2 + DAY**2 + 1 / sites.precision)
    mean, error = np.sum(weight * sites.response) / weight.sum(), 1 / np.sqrt(weight.sum())
    assert abs(mean) < 3 * error
    grid = np.linspace(-0.03, 0.03, 601)
    logs = np.stack([sites._log_likelihood(noise, s.log_time, at) for at in grid])
    logs -= 0.5 * grid[:, None] ** 2 / (OUTING**2 + DAY**2)
    assert grid[logs.argmax(axis=0)].mean() > 4 * error


def test_laps_without_delays_are_averaged():
    s, noise = driven(20, 6, tau=1e-6), only_delays(1e-6)
    sites, _ = settled(s, noise)
    assert sites.precision == pytest.approx(np.full(20, 6 / SIGMA**2), rel=0.02)
    mean = np.bincount(s.run, s.log_time) / 6
    assert sites.response == pytest.approx(mean, abs=0.05 * SIGMA)


def test_laps_in_batches_give_what_all_at_once_give(monkeypatch):
    s, noise = driven(30, 5), only_delays()
    whole, _ = settled(s, noise)
    monkeypatch.setattr(run_sites, "BATCH", 37)
    parts, _ = settled(s, noise)
    assert parts.response == pytest.approx(whole.response, rel=1e-9)
    assert parts.precision == pytest.approx(whole.precision, rel=1e-9)
