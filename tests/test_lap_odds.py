"""The noise about the centre against scipy's exponentially modified Gaussian."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import exponnorm, norm

from benchmark.model.lap_odds import LapOdds, lap_odds
from tests.claims import fitted

SIGMA, TAU, SLOW, GROSS = 0.0035, 0.009, 0.1, 0.06
SHARES = (0.95, 0.03, 0.02)
ERRORS = np.array([[-0.03, -0.005, 0.0, 0.004, 0.02, 0.15]])
TIMING_VAR = 0.001**2
SD = np.hypot(SIGMA, 0.001)


def odds(shares=SHARES):
    return LapOdds(*(np.array([[size]]) for size in (SIGMA, TAU, SLOW, GROSS)), np.array([shares]))


def test_the_density_is_the_mixture_of_scipys():
    wide = np.hypot(SD, GROSS)
    expected = (
        SHARES[0] * exponnorm.pdf(ERRORS, TAU / SD, scale=SD)
        + SHARES[1] * exponnorm.pdf(ERRORS, SLOW / SD, scale=SD)
        + SHARES[2] * norm.pdf(ERRORS, scale=wide)
    )
    assert np.exp(odds().log_density(ERRORS, TIMING_VAR)) == pytest.approx(expected, rel=1e-9)


def test_the_chance_of_a_slower_lap_is_scipys():
    expected = exponnorm.sf(ERRORS, TAU / SD, scale=SD)
    assert np.exp(odds().log_above(ERRORS, TIMING_VAR)) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("laps", [1, 5, 40])
def test_the_best_of_several_is_one_less_all_slower(laps):
    expected = 1 - exponnorm.sf(ERRORS, TAU / SD, scale=SD) ** laps
    found = odds().p_best_within(ERRORS, TIMING_VAR, laps)
    assert found == pytest.approx(expected, abs=1e-10)


def test_a_driver_nobody_knows_is_one_of_the_crowd():
    fit = fitted()
    known, new = lap_odds(fit, "Ada"), lap_odds(fit, "Nobody")
    assert known.tau.shape == new.tau.shape == (fit.draws, 1)
    centre = fit.posterior.noise["tau_centre"].astype(float)
    # The crowd's own spread is log-normal about its centre: a median ratio of 1, wide.
    assert np.median(new.tau[:, 0] / centre) == pytest.approx(1.0, abs=0.15)
    assert new.tau.std() > known.tau.std()
