"""The class of a build by the default rule, tyre category by treadwear, steps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.trade.classes import (
    AREAS,
    CLASSES,
    DRIVER_LEVELS,
    DRY_TYRES,
    TYRE_CATEGORIES,
    modification_class,
    scale,
    steps,
    tyre_category_of_treadwear,
)

STANDARD = dict.fromkeys(AREAS, 0)
some_levels = st.fixed_dictionaries({area: st.integers(0, 3) for area in AREAS})


# The rule: common practice, no published source. Standard: all 0, brakes to 1 allowed; light: none
# above 1; moderate: none above 2 and at most three at 2; extensive: the rest.
@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "standard"),
        ({"brakes": 1}, "standard"),
        ({"brakes": 2}, "moderate"),
        ({"brakes": 3}, "extensive"),
        ({"engine": 1}, "light"),
        ({"engine": 1, "brakes": 1}, "light"),
        (dict.fromkeys(AREAS, 1), "light"),
        ({"suspension": 2}, "moderate"),
        ({"engine": 2, "suspension": 2, "brakes": 2}, "moderate"),
        ({"engine": 2, "suspension": 2, "brakes": 2, "aero": 1}, "moderate"),
        ({"engine": 2, "suspension": 2, "brakes": 2, "aero": 2}, "extensive"),
        ({"weight": 3}, "extensive"),
    ],
)
def test_the_default_rule_gives_the_class(changes, expected):
    assert modification_class(STANDARD | changes) == expected


@given(some_levels, st.sampled_from(AREAS))
def test_one_more_level_never_lowers_the_class(levels, area):
    before = modification_class(levels)
    after = modification_class(levels | {area: min(3, levels[area] + 1)})
    assert CLASSES.index(after) >= CLASSES.index(before)


@given(some_levels, st.permutations(AREAS))
def test_the_order_of_the_areas_does_not_matter(levels, order):
    assert modification_class({area: levels[area] for area in order}) == modification_class(levels)


@pytest.mark.parametrize(
    ("levels", "message"),
    [
        ({"engine": 1}, "no level for drivetrain, suspension, aero, weight, brakes"),
        (STANDARD | {"tyres": 1}, '"tyres" is no modification area; use engine, drivetrain'),
        (STANDARD | {"aero": 4}, "aero has level 4; use 0, 1, 2 or 3"),
        (STANDARD | {"aero": -1}, "aero has level -1"),
        (STANDARD | {"aero": float("nan")}, "aero has level nan"),
    ],
)
def test_levels_that_do_not_make_a_specification_are_refused(levels, message):
    with pytest.raises(BadValue, match=message):
        modification_class(levels)


# Bounds: common practice, no published source; the grade itself is that of 49 CFR 575.104.
@pytest.mark.parametrize(
    ("treadwear", "expected"),
    [
        (600, "touring"),
        (300, "touring"),
        (299, "sport"),
        (220, "sport"),
        (219, "track-day"),
        (200, "track-day"),
        (140, "track-day"),
        (139, "semi-slick"),
        (40, "semi-slick"),
    ],
)
def test_treadwear_points_to_a_category(treadwear, expected):
    assert tyre_category_of_treadwear(treadwear) == expected


@pytest.mark.parametrize("treadwear", [0, -20, float("nan")])
def test_a_treadwear_that_is_no_grade_is_refused(treadwear):
    with pytest.raises(BadValue, match="leave it out where there is none"):
        tyre_category_of_treadwear(treadwear)


def test_dry_tyres_are_all_but_the_wet_ones_in_their_order():
    assert (*DRY_TYRES, "wet") == TYRE_CATEGORIES


def test_steps_are_all_pairs_with_the_lower_level_first():
    assert steps("engine") == [
        ("0", "1"),
        ("0", "2"),
        ("0", "3"),
        ("1", "2"),
        ("1", "3"),
        ("2", "3"),
    ]


@pytest.mark.parametrize(
    ("area", "levels", "pairs"),
    [("tyre_category", DRY_TYRES, 10), ("driver_level", DRIVER_LEVELS, 6)],
)
def test_tyres_and_drivers_have_steps_too(area, levels, pairs):
    assert scale(area) == levels
    assert len(set(steps(area))) == pairs
    assert all(levels.index(low) < levels.index(high) for low, high in steps(area))


def test_a_word_without_levels_is_refused():
    with pytest.raises(BadValue, match='"colour" has no levels; use one of engine'):
        steps("colour")
