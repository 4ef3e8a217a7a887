"""Test plans: the power formula against published and reference values, and by simulation."""

import math

import numpy as np
import pytest
from scipy.stats import t as student
from statsmodels.stats.power import TTestPower

from benchmark.answers.plan import Spreads, swap_power, t_power

SPREADS = Spreads(lap=0.010, outing=0.002, session=0.003, day=0.003, build_day=0.002)


@pytest.mark.parametrize(("pairs", "reached"), [(19.96892, 0.85)])
def test_power_agrees_with_a_published_example_of_pairs(pairs, reached):
    # Dalgaard, Introductory Statistics with R, section 9.3: delta 10, sd of differences
    # 10 sqrt 2, level 5 %, power 85 % need 19.96892 pairs. The printed figure leaves out the far
    # tail, which is under 1e-6 here.
    error = 10 * math.sqrt(2) / math.sqrt(pairs)
    assert t_power(10, error, pairs - 1, 0.05) == pytest.approx(reached, abs=1e-5)


@pytest.mark.parametrize("swaps", [2, 3, 6, 12])
@pytest.mark.parametrize("gain", [0.001, 0.003, 0.01])
def test_power_agrees_with_statsmodels(swaps, gain):
    spread = SPREADS.run(5) * math.sqrt(1.5)
    other = TTestPower().power(gain / spread, swaps, 0.05, df=2 * swaps - 1)
    assert swap_power(gain, SPREADS, swaps, 5, 0.05) == pytest.approx(other, abs=1e-6)


@pytest.mark.parametrize(("swaps", "laps", "gain"), [(3, 5, 0.006), (8, 3, 0.006), (5, 8, 0.0)])
def test_stated_power_is_met_by_simulation_within_three_points(swaps, laps, gain):
    rng = np.random.default_rng(3)
    n, n_runs = 20_000, 3
    sigma, tau = 0.0035, math.sqrt(SPREADS.lap**2 - 0.0035**2)
    shape = (n, swaps, n_runs, laps)
    lap = sigma * rng.standard_normal(shape) + tau * rng.standard_exponential(shape)
    level = SPREADS.session * rng.standard_normal((n, swaps, 1))
    run = lap.mean(axis=3) + SPREADS.outing * rng.standard_normal((n, swaps, n_runs)) + level
    run[:, :, 1] -= gain
    # Least squares of run means on swap and part, as the plan tells people to do it.
    step = run[:, :, 1] - (run[:, :, 0] + run[:, :, 2]) / 2
    between = ((step - step.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / 1.5
    pairs = ((run[:, :, 0] - run[:, :, 2]) ** 2).sum(axis=1) / 2
    variance = (between + pairs) / (2 * swaps - 1)
    seen = np.abs(step.mean(axis=1)) / np.sqrt(1.5 * variance / swaps)
    share = (seen > student.isf(0.025, 2 * swaps - 1)).mean()
    assert share == pytest.approx(swap_power(gain, SPREADS, swaps, laps, 0.05), abs=0.03)
