"""The keys of a rules file: what each means, its legal values, its default.

One table that the reader, the app's help and the commented example are held against. Values for
which no rule book gives a number are choices of ours, and say so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from benchmark.trade.classes import AREAS, CLASSES, LEVELS, TYRE_CATEGORIES
from benchmark.trade.timing import TIMING_U_S

COUNTS = ("best", "mean-of-best", "first", "expected-best", "equal-conditions")
KINDS = ("none", "class", "specification", "personal")
CLASSES_BY = ("modification", "tyre", "model", "pace", "declared")
SMALL = ("pool", "keep", "leave-out")
NEWCOMERS = ("specification", "leave-out")
SCORED_IN = ("overall", "class")
SHARED = ("same", "split")
ROUND_TIES = ("second-best", "earlier")
SEASON_TIES = ("wins", "places", "latest")
TIMINGS = tuple(method for method in TIMING_U_S if method is not None)


@dataclass(frozen=True)
class Key:
    """One key: the test that a value must pass, the legal values in words, what it means."""

    accepts: Callable[[object], bool]
    legal: str
    meaning: str
    default: Any = None
    needed: bool = False


def _text(meaning: str, such_as: str, *, default: str | None = None) -> Key:
    def accepts(value: object) -> bool:
        return isinstance(value, str) and bool(value.strip())

    return Key(accepts, f'a name in quotes, such as "{such_as}"', meaning, default, default is None)


def _whole(meaning: str, low: int, high: int, default: int | None = None) -> Key:
    def accepts(value: object) -> bool:
        return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high

    legal = f"a whole number from {low} to {high}"
    return Key(accepts, legal, meaning, default, default is None)


def _number(meaning: str, low: float, high: float, default: float | None) -> Key:
    def accepts(value: object) -> bool:
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        return number and low <= value <= high  # type: ignore[operator]

    return Key(accepts, f"a number from {low:g} to {high:g}", meaning, default)


def _day(meaning: str, *, needed: bool) -> Key:
    def accepts(value: object) -> bool:
        return isinstance(value, date) and not isinstance(value, datetime)

    return Key(accepts, "a date without quotes, such as 2026-05-31", meaning, None, needed)


def _choice(meaning: str, choices: Sequence[str], default: str) -> Key:
    def accepts(value: object) -> bool:
        return isinstance(value, str) and value in choices

    return Key(accepts, "one of " + ", ".join(f'"{c}"' for c in choices), meaning, default)


def _choices(meaning: str, choices: Sequence[str | int], default: Sequence[str] = ()) -> Key:
    def accepts(value: object) -> bool:
        if not isinstance(value, list) or not value:
            return False
        plain = [item for item in value if isinstance(item, (str, int)) and item is not True]
        return len(plain) == len(value) == len(set(plain)) and set(plain) <= set(choices)

    shown = ", ".join(f'"{c}"' if isinstance(c, str) else str(c) for c in choices)
    return Key(accepts, f"a list in brackets of some of {shown}", meaning, tuple(default))


def _names(meaning: str) -> Key:
    def accepts(value: object) -> bool:
        return isinstance(value, list) and all(isinstance(v, str) and v.strip() for v in value)

    return Key(accepts, 'a list of names in quotes, such as ["A", "B"]', meaning, ())


def _numbers(
    meaning: str, low: float, high: float, such_as: str, default: tuple[float, ...] = ()
) -> Key:
    def accepts(value: object) -> bool:
        def fine(item: object) -> bool:
            number = isinstance(item, (int, float)) and not isinstance(item, bool)
            return number and low <= item <= high  # type: ignore[operator]

        return isinstance(value, list) and bool(value) and all(fine(item) for item in value)

    legal = f"a list of numbers from {low:g} to {high:g}, such as {such_as}"
    return Key(accepts, legal, meaning, default)


def _truth(meaning: str, *, default: bool) -> Key:
    return Key(lambda value: isinstance(value, bool), "true or false", meaning, default)


def _ways() -> Key:
    def accepts(value: object) -> bool:
        return isinstance(value, list) and all(isinstance(way, dict) for way in value)

    legal = 'a list of conditions, such as [{ tyres = ["slick"], engine = [2, 3] }]'
    meaning = (
        "ways into the class: an entry belongs to the first class of which it meets one way, and "
        "all that a way names must hold; [] lets every other entry in and stands last"
    )
    return Key(accepts, legal, meaning, None, needed=True)


TOP: Mapping[str, Key] = {
    "name": _text("name of the challenge", "Spring"),
    "version": _whole("raised with every change of the rules", 1, 9999),
}
ROUND: Mapping[str, Key] = {
    "name": _text("name of the round, each its own", "Round 1"),
    "circuit": _text("name of the circuit, as the lap tables spell it", "Foxdale"),
    "layout": _text("layout of the circuit, as the lap tables spell it", "full", default="full"),
    "date": _day("day of the round; write the rounds in the order of their days", needed=True),
}
CLASS: Mapping[str, Key] = {"name": _text("name of the class", "Slicks"), "when": _ways()}
WHEN: Mapping[str, Key] = {
    "tyres": _choices("tyre categories", TYRE_CATEGORIES),
    "models": _names("car models, as the lap tables spell them"),
    "modification": _choices("modification classes by the default rule", CLASSES),
    **{area: _choices(f"levels of {area}", LEVELS) for area in AREAS},
}
TABLES: Mapping[str, Mapping[str, Key]] = {
    "entries": {
        "builds": _names("builds that may enter; left out or [] means all"),
        "tyres": _choices("tyre categories allowed", TYRE_CATEGORIES, TYRE_CATEGORIES),
        "timing": _choices("timing methods that count; left out means any", TIMINGS),
        "evidence": _truth("whether only laps with evidence on record count", default=False),
    },
    "classes": {
        "by": _choice(
            "what makes a class: how far the car is modified (standard, light, moderate, "
            "extensive), its tyre category, its model, its expected pace (with boundaries_pct and "
            "names below), or conditions of your own (declared: one [[class]] each)",
            CLASSES_BY,
            "modification",
        ),
        "boundaries_pct": _numbers(
            "expected lap of the declared car with an average club driver, in percent of the "
            "average standard car on touring tyres, that parts the classes; rising",
            50,
            150,
            "[92.0, 96.0]",
        ),
        "names": _names("names of the classes by pace, quickest first; one more than boundaries"),
        "minimum": _whole("fewest entries of a class", 1, 100, 3),
        "small": _choice(
            "what becomes of a smaller class: joined to its neighbour of nearest "
            "pace, kept, or its entries left out",
            SMALL,
            "pool",
        ),
    },
    "laps": {
        "count": _choice(
            "which time counts: the best lap, the mean of the k best, the best of "
            "the first k, the expected best of k over all laps, or the best at equal "
            "conditions",
            COUNTS,
            "best",
        ),
        "k": _whole(
            "how many laps count above speaks of, with mean-of-best, first and expected-best",
            1,
            50,
            3,
        ),
        "minimum": _whole("fewest counted laps of an entry in a round to be placed", 1, 50, 1),
    },
    "factor": {
        "kind": _choice(
            "what a time is multiplied by: nothing, one factor for a class solved for equal "
            "chances of winning, the expected pace of the entry's declared specification learned "
            "from other cars, or the entry's own earlier pace",
            KINDS,
            "class",
        ),
        "freeze": _day(
            "laps before this day make the factors; left out: day of the first round", needed=False
        ),
        "renew": _truth(
            "whether class factors (no other kind) are made anew before each later round, from "
            "all laps before its day",
            default=False,
        ),
        "tolerance_pct": _number(
            "an entry's time is scored as no more than this much quicker, in percent, "
            "than the factors assume of it; left out means no limit; choice of ours: 1.0",
            0,
            20,
            None,
        ),
        "loosen_pct": _number(
            "a personal factor loosens by at most this many percent a round; choice of ours: 0.3",
            0,
            20,
            0.3,
        ),
        "floor_pct": _number(
            "a personal factor never assumes a lap more than this many percent slower "
            "than the declared specification's; choice of ours: 2.0",
            0,
            20,
            2.0,
        ),
        "ratchet": _truth(
            "whether a personal factor tightens at once and loosens slowly", default=True
        ),
        "newcomers": _choice(
            "under personal factors, an entry without earlier laps: the specification's factor, "
            "or left out",
            NEWCOMERS,
            "specification",
        ),
        "newcomer_pct": _number("percent taken off a newcomer's factor, as caution", 0, 20, 0.5),
    },
    "points": {
        "by_place": _numbers(
            "points by place, from the first",
            0,
            10000,
            "[10, 8, 6]",
            (25, 18, 15, 12, 10, 8, 6, 4, 2, 1),
        ),
        "drop_rounds": _whole("how many of each entry's worst rounds do not count", 0, 50, 0),
        "scored_in": _choice(
            "places among all entries, or within each class", SCORED_IN, "overall"
        ),
        "shared": _choice(
            "entries that stay tied get the points of their place, or split those "
            "of the places they fill",
            SHARED,
            "same",
        ),
    },
    "ties": {
        "round": _choices(
            "tie-breaks of a round, in this order: the better second-best lap, or who set the "
            "time earlier",
            ROUND_TIES,
            ("second-best",),
        ),
        "season": _choices(
            "tie-breaks of the season, in this order: more wins; more of the better places; the "
            "better place in the latest round",
            SEASON_TIES,
            ("wins", "places", "latest"),
        ),
    },
    "results": {
        "protest_days": _whole(
            "a round is final this many days after it, unless a steward opens or closes its "
            "protest period",
            0,
            365,
            7,
        ),
        "margin_pct": _number(
            "classes whose mean scored pace differs by less than this many percent count as "
            "equal; choice of ours: 0.5",
            0.01,
            20,
            0.5,
        ),
    },
}
# A key that has an effect only with some values of another key of its table.
ONLY_WITH: Mapping[tuple[str, str], tuple[str, tuple[str, ...]]] = {
    ("classes", "boundaries_pct"): ("by", ("pace",)),
    ("classes", "names"): ("by", ("pace",)),
    ("laps", "k"): ("count", ("mean-of-best", "first", "expected-best")),
    ("factor", "renew"): ("kind", ("class",)),
    ("factor", "tolerance_pct"): ("kind", ("class", "personal")),
    ("factor", "loosen_pct"): ("kind", ("personal",)),
    ("factor", "floor_pct"): ("kind", ("personal",)),
    ("factor", "ratchet"): ("kind", ("personal",)),
    ("factor", "newcomers"): ("kind", ("personal",)),
    ("factor", "newcomer_pct"): ("kind", ("personal",)),
}
