"""Simulation-based calibration, its quick version; the full one is `tests.studies.sbc`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from benchmark.model.priors import STANDARD_PRIORS
from tests.studies import sbc

pytestmark = pytest.mark.slow

MOST_OFF = 3.3  # standard errors of a mean rank; with 26 quantities chance has it once in 40


def far_off(ranks: pd.DataFrame) -> list[str]:
    """Quantities whose mean rank is too far from the middle to be chance."""
    levels = sbc.KEPT + 1
    error = np.sqrt((levels**2 - 1) / 12 / len(ranks))
    off = (ranks.mean() - sbc.KEPT / 2).abs() / error
    return list(off.index[off > MOST_OFF])


@pytest.fixture
def few_sweeps(monkeypatch):
    for name, value in {"WARM_UP": 50, "THIN": 8, "KEPT": 7}.items():
        monkeypatch.setattr(sbc, name, value)


@pytest.mark.usefixtures("few_sweeps")
def test_the_truth_ranks_anywhere_among_the_draws():
    found = pd.concat([sbc.study(kind, 3) for kind in sbc.DESIGNS])
    assert far_off(found) == []


@pytest.mark.usefixtures("few_sweeps")
def test_a_generator_that_is_not_the_model_shows_in_the_ranks():
    wider = replace(STANDARD_PRIORS.sizes["sigma"], median=0.014)  # four times the model's
    priors = replace(STANDARD_PRIORS, sizes={**STANDARD_PRIORS.sizes, "sigma": wider})
    assert "sigma" in far_off(sbc.study("recorded", 5, priors=priors))


@pytest.mark.parametrize(
    ("shape", "uniform"),
    [((1.0, 1.0), True), ((0.5, 0.5), False), ((2.0, 2.0), False), ((1.0, 1.8), False)],
    ids=["uniform", "too narrow", "too wide", "shifted"],
)
def test_the_test_of_uniformity_tells_good_ranks_from_bad(shape, uniform):
    rng = np.random.default_rng(1)
    ranks = pd.DataFrame({"it": np.floor(rng.beta(*shape, 400) * (sbc.KEPT + 1)).astype(int)})
    assert (sbc.uniformity(ranks)["it"] > 0.001) == uniform


def test_the_correction_for_many_tests_is_holms():
    p = pd.Series(np.random.default_rng(2).random(20) ** 3)
    expected = multipletests(p, method="holm")[1]  # another implementation
    np.testing.assert_allclose(sbc.holm(p), expected)
