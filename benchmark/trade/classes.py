"""Words for cars, tyres, drivers and laps; the class of a build and the steps between levels.

The words are those of the lap table. The default class rule, the treadwear bounds and the
order of the tyre categories are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from benchmark.errors import BadValue

AREAS = ("engine", "drivetrain", "suspension", "aero", "weight", "brakes")
LEVEL_WORDS = ("standard", "bolt-on or adjusted", "replaced or rebuilt", "competition-only")
LEVELS = tuple(range(len(LEVEL_WORDS)))
LEVELS_TOLD = ", ".join(f"{level} {word}" for level, word in enumerate(LEVEL_WORDS))
CLASSES = ("standard", "light", "moderate", "extensive")
TYRE_CATEGORIES = ("touring", "sport", "track-day", "semi-slick", "slick", "wet")
DRY_TYRES = TYRE_CATEGORIES[:5]
DRIVER_LEVELS = ("novice", "club", "expert", "professional")
SCALED = (*AREAS, "tyre_category", "driver_level")  # what has levels in an order
INDUCTIONS = ("natural", "boosted")
SURFACES = ("dry", "damp", "wet")
LAP_KINDS = ("timed", "out", "in", "slow", "baulked", "off", "neutralised")
TIMINGS = ("transponder", "beam", "gps", "video", "stopwatch")

# Lowest grade of each category, softest last; below all of them a tyre is a semi-slick.
LOWEST_TREADWEAR = (("touring", 300), ("sport", 220), ("track-day", 140))

MOST_LEVEL_2_IN_MODERATE = 3


def modification_class(levels: Mapping[str, int]) -> str:
    """Give the modification class of a specification by the default rule.

    Standard: all areas at 0, brakes to 1 allowed. Light: none above 1. Moderate: none above 2
    and at most three areas at 2. Extensive: the rest.

    Parameters
    ----------
    levels : the level, 0 to 3, of each of the six areas.

    Raises
    ------
    BadValue
        An area is missing or unknown, or a level is not 0, 1, 2 or 3. An area that was not
        recorded must be filled in first, by a rule that the answer states.
    """
    _check_levels(levels)
    highest = max(levels.values())
    if highest <= 1 and all(level == 0 for area, level in levels.items() if area != "brakes"):
        return "standard"
    if highest <= 1:
        return "light"
    at_2 = sum(level == 2 for level in levels.values())
    return "moderate" if highest == 2 and at_2 <= MOST_LEVEL_2_IN_MODERATE else "extensive"


def tyre_category_of_treadwear(treadwear: int) -> str:
    """Give the tyre category that a treadwear grade points to: touring to semi-slick.

    A grade says nothing of grip and compares only within one maker's lines; slicks and wets
    carry none. So this checks a declared category, it never replaces one.

    Parameters
    ----------
    treadwear : the grade moulded on the tyre, by 49 CFR 575.104. [-]

    Raises
    ------
    BadValue
        A grade that is not above zero. A tyre without a grade is "unknown", never 0.
    """
    if not treadwear > 0:
        raise BadValue(f"treadwear {treadwear} is not above 0; leave it out where there is none")
    for category, lowest in LOWEST_TREADWEAR:
        if treadwear >= lowest:
            return category
    return "semi-slick"


def scale(area: str) -> tuple[str, ...]:
    """Give the levels of a modification area, of `tyre_category` or `driver_level`, in order.

    Raises
    ------
    BadValue
        None of these.
    """
    if area in AREAS:
        return tuple(str(level) for level in LEVELS)
    if area == "tyre_category":
        return DRY_TYRES
    if area == "driver_level":
        return DRIVER_LEVELS
    raise BadValue(f'"{area}" has no levels; use one of {", ".join(SCALED)}')


def steps(area: str) -> list[tuple[str, str]]:
    """Give every pair of levels of an area, the lower one first, as the text of the levels.

    Raises
    ------
    BadValue
        As `scale`.
    """
    return list(combinations(scale(area), 2))


def _check_levels(levels: Mapping[str, int]) -> None:
    unknown = [area for area in levels if area not in AREAS]
    missing = [area for area in AREAS if area not in levels]
    if unknown:
        raise BadValue(f'"{unknown[0]}" is no modification area; use {", ".join(AREAS)}')
    if missing:
        raise BadValue(f"no level for {', '.join(missing)}: a class needs all six areas")
    for area, level in levels.items():
        if level not in LEVELS:
            raise BadValue(f"{area} has level {level}; use 0, 1, 2 or 3")
