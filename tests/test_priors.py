"""Priors: each says where it comes from, lies where the trade says, and can be widened."""

from __future__ import annotations

import re

import numpy as np
import pytest

from benchmark.errors import BadQuestion
from benchmark.model import pace
from benchmark.model.design import AREA_SLOPES, LAP_FEATURES, RUN_FEATURES, STEPS, TYRE_STEPS
from benchmark.model.gibbs import SD_GROUPS
from benchmark.model.posterior import interval
from benchmark.model.priors import EFFECTS, PRACTICE, SIZES, STANDARD_PRIORS
from benchmark.model.simulate import simulate
from tests.conftest import SMALL

ALL = {**EFFECTS, **SIZES}
NOISE_SIZES = {"sigma", "delay", "delay_spread", "slow", "gross"}
# What causes cost or bring, as a share of the lap time, least and most: common practice, no
# published source. Quicker is negative.
USUAL = {
    "steps": (-0.010, 0.0),  # a bolt-on step is rarely above 1 %
    "tyre": (-0.025, -0.015),  # one category
    "professional": (-0.03, -0.01),  # against a club driver
    "damp": (0.05, 0.10),
    "wet": (0.10, 0.25),
}


@pytest.mark.parametrize("name", ALL)
def test_every_prior_says_where_its_size_comes_from(name):
    why = ALL[name].why
    published = re.search(r"\b(19|20)\d\d\b", why)  # a source carries its year
    assert PRACTICE in why or "our choice" in why or published
    assert len(why) > len(PRACTICE) or "our choice" in why  # and what it is the size of


def test_every_effect_of_the_model_has_its_own_prior_and_no_prior_is_idle():
    alone = set(RUN_FEATURES) - set(STEPS) - set(AREA_SLOPES) - set(TYRE_STEPS)
    assert set(EFFECTS) == {"circuit", "tyre"} | alone | set(LAP_FEATURES)
    assert set(SIZES) == set(SD_GROUPS) | NOISE_SIZES


@pytest.mark.parametrize("name", USUAL)
def test_a_prior_is_centred_where_common_practice_puts_the_effect(name):
    least, most = USUAL[name]
    prior = EFFECTS[name]
    assert least <= prior.centre <= most
    # Weak: what is usual is no more than two standard deviations off.
    assert max(prior.centre - least, most - prior.centre) <= 2 * prior.width * 1.05


@pytest.mark.parametrize("name", ALL)
def test_every_prior_has_a_positive_width(name):
    prior = ALL[name]
    assert (prior.width if name in EFFECTS else prior.log_sd) > 0


def test_widening_keeps_centres_and_multiplies_every_width():
    wide = STANDARD_PRIORS.widened(3)
    assert wide.scale == 3
    for name, prior in EFFECTS.items():
        assert wide.effects[name].centre == prior.centre
        assert wide.effects[name].width == pytest.approx(3 * prior.width)
    for name, size in SIZES.items():
        assert wide.sizes[name].median == size.median
        assert wide.sizes[name].log_sd == pytest.approx(3 * size.log_sd)


def test_widening_twice_multiplies_and_the_standard_stays():
    assert STANDARD_PRIORS.widened(2).widened(0.5).effects == STANDARD_PRIORS.effects
    assert STANDARD_PRIORS.widened(2).widened(2).scale == 4
    assert STANDARD_PRIORS.scale == 1


@pytest.mark.parametrize("scale", [0.1, 1, 20])
def test_a_sensible_width_is_taken(scale):
    assert STANDARD_PRIORS.widened(scale).scale == scale


@pytest.mark.parametrize(
    ("scale", "said"), [(0.05, "0.05"), (20.5, "20.5"), (0, "0"), (-1, "-1"), (np.nan, "nan")]
)
def test_a_senseless_width_is_refused_with_what_to_write(scale, said):
    with pytest.raises(BadQuestion) as refused:
        STANDARD_PRIORS.widened(scale)
    assert str(refused.value) == f'widen "{said}": use a number from 0.1 to 20'


def test_wider_priors_make_few_laps_say_less(monkeypatch):
    # Widths differ by far more than short chains err.
    monkeypatch.setattr(pace, "WARM_UP", 30)
    monkeypatch.setattr("benchmark.model.fit.R_HAT_MOST", np.inf)
    laps = simulate(SMALL, 4).counted().sample(12, random_state=1)
    widths = []
    for scale in (0.5, 3):
        found = pace.fit(laps, draws=80, priors=STANDARD_PRIORS.widened(scale))
        low, high = interval(found.log_time(pace.adjusted_rows(found)))
        widths.append(float(np.mean(high - low)))
        assert found.prior_scale == scale
    assert widths[1] > 1.5 * widths[0]
