"""GUM, JCGM 106 and ILAC-G8: the arithmetic of how well a margin is known."""

from __future__ import annotations

import math

import GTC
import pytest
from GTC import type_b
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.trade.uncertainty import (
    combined_u,
    coverage_factor,
    crossings_u,
    effective_degrees_of_freedom,
    expanded_u,
    false_accept_p,
    guard_ratio,
    p_conforms,
    p_quicker,
    reading_u,
    rectangular_u,
)
from tests.reference import measuring

CONTRIBUTIONS = [u for u, _ in measuring.END_GAUGE]
DEGREES = [nu for _, nu in measuring.END_GAUGE]
spread = st.floats(0.001, 1)


def test_a_rectangle_has_the_half_width_over_root_3():
    half_width, u = measuring.RECTANGLE
    assert rectangular_u(half_width) == pytest.approx(u, abs=0.005e-6)


def test_a_rounded_reading_has_the_resolution_over_root_12():
    resolution, u = measuring.READING
    assert reading_u(resolution) == pytest.approx(u, abs=5e-5)
    tenth, u_of_tenth = measuring.SHEET_OF_TENTHS
    assert reading_u(tenth) == pytest.approx(u_of_tenth, abs=0.0005)


@pytest.mark.parametrize(("resolution", "u"), measuring.CROSSINGS)
def test_a_lap_between_two_stamped_crossings_has_the_resolution_over_root_6(resolution, u):
    assert crossings_u(resolution) == pytest.approx(u, abs=0.0005)
    assert crossings_u(resolution) == pytest.approx(resolution / math.sqrt(6), rel=1e-12)


def test_the_end_gauge_of_the_gum_comes_out():
    u = combined_u(*CONTRIBUTIONS)
    nu = effective_degrees_of_freedom(CONTRIBUTIONS, DEGREES)
    assert u == pytest.approx(measuring.END_GAUGE_U_NM_UNROUNDED, abs=0.005)
    assert nu == pytest.approx(measuring.END_GAUGE_DOF_UNROUNDED, abs=0.005)
    assert round(u) == measuring.END_GAUGE_U_NM
    assert math.floor(nu) == measuring.END_GAUGE_DOF
    assert coverage_factor(0.99, nu) == pytest.approx(measuring.END_GAUGE_K, abs=0.005)
    assert expanded_u(u, 0.99, nu) == pytest.approx(measuring.END_GAUGE_U99_NM_UNROUNDED, abs=0.05)
    assert expanded_u(round(u), 0.99, nu) == pytest.approx(measuring.END_GAUGE_U99_NM, abs=0.5)


def test_another_library_finds_the_same_of_the_end_gauge():
    standard = GTC.ureal(50000623, 25, 18)
    difference = GTC.ureal(215, 5.8, 24) + GTC.ureal(0, 3.9, 5) + GTC.ureal(0, 6.7, 8)
    expansion = GTC.ureal(0.0, type_b.uniform(1e-6), 50) * GTC.ureal(-0.1, 0.41)
    temperature = GTC.ureal(11.5e-6, type_b.uniform(2e-6)) * GTC.ureal(0.0, type_b.uniform(0.05), 2)
    length = standard + difference - standard * (expansion + temperature)
    ours = [
        25,
        *(5.8, 3.9, 6.7),
        50000623 * 0.1 * rectangular_u(1e-6),
        50000623 * 11.5e-6 * rectangular_u(0.05),
    ]
    assert combined_u(*ours) == pytest.approx(GTC.uncertainty(length), rel=1e-9)
    assert effective_degrees_of_freedom(ours, DEGREES) == pytest.approx(GTC.dof(length), rel=1e-9)


def test_exactly_known_contributions_have_no_end_of_freedom():
    assert effective_degrees_of_freedom([0.1, 0.2], [math.inf, math.inf]) == math.inf
    assert coverage_factor(0.95) == pytest.approx(1.959964, abs=5e-7)  # of the normal table


@given(st.lists(spread, min_size=1, max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_the_sources_does_not_matter(sources, random):
    mixed = random.sample(sources, len(sources))
    assert combined_u(*mixed) == pytest.approx(combined_u(*sources), rel=1e-12)


@pytest.mark.parametrize(("value", "u", "low", "high", "p", "tolerance"), measuring.CONFORMANCE)
def test_the_examples_of_jcgm_106_come_out(value, u, low, high, p, tolerance):
    limits = {name: limit for name, limit in (("low", low), ("high", high)) if limit is not None}
    assert p_conforms(value, u, **limits) == pytest.approx(p, abs=tolerance)


@pytest.mark.parametrize(("ratio", "p", "printed"), measuring.GUARD_BANDS)
def test_the_rows_of_ilac_g8_come_out_below_their_printed_bounds(ratio, p, printed):
    assert false_accept_p(ratio) == pytest.approx(p, rel=0.02)
    assert false_accept_p(ratio) <= printed


def test_five_percent_of_false_acceptance_take_0_82_of_the_expanded_uncertainty():
    assert guard_ratio(0.05) == pytest.approx(measuring.GUARD_RATIO_5_PCT, abs=5e-5)


@given(st.floats(0.0, 3.0))
def test_guard_ratio_and_false_acceptance_are_inverses(ratio):
    assert guard_ratio(false_accept_p(ratio)) == pytest.approx(ratio, abs=1e-9)


@given(spread)
def test_a_margin_at_the_guard_band_is_conformed_to_with_the_stated_chance(u):
    margin = -guard_ratio(0.05) * 2 * u
    assert p_quicker(margin, u) == pytest.approx(0.95, abs=1e-9)


@pytest.mark.parametrize(("margin", "u", "other_u", "p"), measuring.CLAIMS)
def test_the_chance_that_a_claimed_lap_was_quicker(margin, u, other_u, p):
    assert p_quicker(margin, u, other_u) == pytest.approx(p, abs=5e-5)


@given(st.floats(-2, 2), spread, spread)
def test_either_of_two_laps_was_the_quicker(margin, u, other_u):
    assert p_quicker(margin, u, other_u) + p_quicker(-margin, u, other_u) == pytest.approx(1)


@pytest.mark.parametrize(("margin", "p"), [(-0.001, 1.0), (0.0, 0.5), (0.001, 0.0)])
def test_laps_known_exactly_are_simply_compared(margin, p):
    assert p_quicker(margin, 0.0, 0.0) == p


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda: combined_u(0.1, -0.1), "a standard uncertainty of -0.1 is not possible"),
        (lambda: combined_u(math.nan), "a standard uncertainty of nan is not possible"),
        (lambda: reading_u(-1), "a half-width of -0.5 is not possible"),
        (lambda: effective_degrees_of_freedom([0.1], [0]), "degrees of freedom are above 0"),
        (lambda: coverage_factor(1.0), "a level of 1.0 is not between 0 and 1"),
        (lambda: coverage_factor(0.9, 0.5), "0.5 degrees of freedom are fewer than one"),
        (lambda: p_conforms(1, 0.1, 3, 2), "the lower limit 3 is above the upper limit 2"),
        (lambda: guard_ratio(0), "a chance of false acceptance of 0 is not between 0 and 1"),
    ],
)
def test_an_impossible_question_is_refused(ask, message):
    with pytest.raises(BadValue, match=message):
        ask()
