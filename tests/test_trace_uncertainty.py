"""Whether the stated uncertainty of a traced lap holds: by source, and all together."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmark.intake.trace import find_laps
from benchmark.intake.trace_uncertainty import (
    interpolation_bound,
    interpolation_u,
    noise_u,
    slow_error_u,
    stamp_u,
)
from tests.drive import Truth, drive, line, observe
from tests.reference.traces import (
    INTERPOLATION,
    NOISE_MS,
    ROUNDING_MS,
    SLOW_MS,
    WHOLE_SECOND_U_S,
)

LAPS = 300  # a share of 0.954 then scatters by 0.012


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drive(LAPS, np.random.default_rng(3))


def errors(truth: Truth, rate_hz: float, **receiver) -> tuple[np.ndarray, np.ndarray]:
    """Errors of all laps, and their stated standard uncertainties [s]."""
    trace = observe(truth, rate_hz, np.random.default_rng(7), **receiver)
    laps = find_laps(trace, line())
    assert len(laps) == LAPS
    traced = np.array([lap.lap_time_s for lap in laps])
    return traced - truth.laps_s, np.array([lap.timing_u_s for lap in laps])


@pytest.mark.parametrize(("rate_hz", "bound_s"), INTERPOLATION)
def test_the_bound_of_interpolation_is_the_published_one(rate_hz, bound_s):
    assert interpolation_bound(-8.0, 1 / rate_hz, 40.0) == pytest.approx(bound_s, rel=1e-9)
    assert interpolation_u(8.0, 1 / rate_hz, 40.0) == pytest.approx(bound_s / math.sqrt(3))


@pytest.mark.parametrize(("sigma", "tau", "closed_ms", "simulated_ms"), SLOW_MS)
def test_the_slow_error_cancels_as_published(sigma, tau, closed_ms, simulated_ms):
    u_ms = 1000 * slow_error_u((sigma, sigma), (40.0, 40.0), 90.0, tau)
    assert u_ms == pytest.approx(closed_ms, abs=0.05)  # printed digits
    assert u_ms == pytest.approx(simulated_ms, rel=0.01)  # of 200,000 draws


def test_unequal_speeds_no_longer_cancel():
    """An error of 1 m that never changes: 1/40 less 1/50 of a second, by hand."""
    assert slow_error_u((1.0, 1.0), (40.0, 50.0), 90.0, 1e12) == pytest.approx(0.005, abs=1e-6)


@pytest.mark.parametrize(("noise", "published_ms"), NOISE_MS)
def test_noise_of_single_fixes_adds_as_published(noise, published_ms):
    assert 1000 * noise_u(noise, 40.0) == pytest.approx(published_ms, rel=0.04)


@pytest.mark.parametrize(("step_deg", "published_ms"), ROUNDING_MS)
def test_rounded_positions_add_as_published(step_deg, published_ms):
    """Along a meridian; the published ones mix headings, so they agree to a fifth."""
    step_m = step_deg * 111_131.8
    assert 1000 * noise_u(step_m / math.sqrt(12), 40.0) == pytest.approx(published_ms, rel=0.2)


def test_whole_second_stamps_add_as_published():
    assert stamp_u(1.0) == pytest.approx(WHOLE_SECOND_U_S, abs=0.005)
    assert stamp_u(0.0) == 0.0


@pytest.mark.parametrize(
    ("rate_hz", "receiver"),
    [
        (1, {"noise_m": 0.3, "decimals": 7}),
        (5, {"noise_m": 0.1, "decimals": 7}),
        (10, {"noise_m": 0.05, "decimals": 6}),
        (25, {"noise_m": 0.05, "decimals": 7}),
    ],
)
def test_the_true_lap_lies_within_two_u_as_often_as_it_should(truth, rate_hz, receiver):
    error, u = errors(truth, rate_hz, sigma_m=1.5, **receiver)
    inside = np.mean(np.abs(error) <= 2 * u)
    assert 0.90 <= inside <= 0.98  # 0.954 of a normal error, 0.012 of chance


@pytest.mark.parametrize(
    ("rate_hz", "receiver"),
    [
        (10, {"sigma_m": 3.0}),
        (10, {"noise_m": 0.3}),
        (25, {"noise_m": 0.1}),
        (10, {"decimals": 5}),
        (5, {"decimals": 5}),
    ],
    ids=["slow error", "noise at 10 Hz", "noise at 25 Hz", "rounding at 10 Hz", "at 5 Hz"],
)
def test_each_source_alone_is_stated_at_its_size(truth, rate_hz, receiver):
    """The standard deviation of 300 errors scatters by 4 %; the rest is that noise is estimated."""
    error, u = errors(truth, rate_hz, **receiver)
    assert np.sqrt(np.mean(error**2)) / np.sqrt(np.mean(u**2)) == pytest.approx(1, abs=0.2)


@pytest.mark.parametrize("rate_hz", [1, 5, 10, 25])
def test_exact_fixes_err_by_less_than_stated(truth, rate_hz):
    error, u = errors(truth, rate_hz)
    assert np.mean(np.abs(error) <= 2 * u) > 0.98
    assert np.abs(error).max() < 0.03
