"""The columns of a lap table: one record a column, from which help, checks and store are made.

The ranges are choices of ours: wide enough for every circuit and car, narrow enough to catch a
slipped decimal, Fahrenheit, or a pressure reduced to another unit. Doubling one only lets more
typing errors through.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchmark.trade.classes import (
    AREAS,
    DRIVER_LEVELS,
    INDUCTIONS,
    LAP_KINDS,
    LEVELS_TOLD,
    SURFACES,
    TIMINGS,
    TYRE_CATEGORIES,
)
from benchmark.trade.timing import DAY_S


class Kind(StrEnum):
    """How the text of a cell is read."""

    TEXT = "text"
    CHOICE = "choice"
    LEVEL = "level"
    WHOLE = "whole"
    QUANTITY = "quantity"
    DATE = "date"
    CLOCK = "clock"
    LAP_TIME = "lap_time"


class FactOf(StrEnum):
    """What a column says something about; all rows of that thing must agree."""

    KEY = "key"
    BUILD = "build"
    SESSION = "session"
    RUN = "run"
    LAP = "lap"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the lap table.

    `default` is what an absent column and an empty cell mean, `absent` what only an absent column
    means; None is "not recorded". `low` and `high` are bounds in `unit`, both allowed. `noun` says
    what a cell holds, for messages; `meaning` is the sentence for help and README.
    """

    name: str
    kind: Kind
    fact_of: FactOf
    noun: str
    meaning: str
    needed: bool = False
    default: str | None = None
    absent: str | None = None
    choices: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0
    unit: str = ""


def _text(
    name: str,
    fact_of: FactOf,
    noun: str,
    meaning: str,
    *,
    needed: bool = False,
    default: str | None = None,
    longest: int = 200,
) -> Column:
    return Column(
        name, Kind.TEXT, fact_of, noun, meaning, needed=needed, default=default, high=longest
    )


def _quantity(name: str, low: float, high: float, unit: str, noun: str, meaning: str) -> Column:
    fact_of = FactOf.LAP if name == "timing_u_s" else FactOf.RUN
    return Column(name, Kind.QUANTITY, fact_of, noun, meaning, low=low, high=high, unit=unit)


def _choice(
    name: str,
    fact_of: FactOf,
    noun: str,
    choices: tuple[str, ...],
    meaning: str,
    *,
    needed: bool = False,
    default: str | None = None,
) -> Column:
    return Column(
        name, Kind.CHOICE, fact_of, noun, meaning, needed=needed, default=default, choices=choices
    )


def _level(area: str) -> Column:
    return Column(
        f"mod_{area}",
        Kind.LEVEL,
        FactOf.RUN,
        f"level of {area}",
        f"how far {area} is from standard on that day: {LEVELS_TOLD}; an empty cell is not "
        "recorded",
        absent="0",
        choices=("0", "1", "2", "3"),
        high=3,
    )


def _whole(
    name: str,
    fact_of: FactOf,
    bounds: tuple[int, int],
    noun: str,
    meaning: str,
    *,
    needed: bool = False,
    default: str | None = None,
) -> Column:
    low, high = bounds
    return Column(
        name,
        Kind.WHOLE,
        fact_of,
        noun,
        meaning,
        needed=needed,
        default=default,
        low=low,
        high=high,
    )


COLUMNS: tuple[Column, ...] = (
    _text("circuit", FactOf.KEY, "circuit", "name of the circuit", needed=True),
    _text(
        "layout",
        FactOf.KEY,
        "layout",
        "which configuration of the circuit; two layouts never compare",
        default="full",
    ),
    Column("date", Kind.DATE, FactOf.KEY, "date", "ISO 8601 date of the event day", needed=True),
    _text(
        "session",
        FactOf.KEY,
        "session",
        "label of the session within that day at that circuit, such as S1",
        needed=True,
    ),
    Column(
        "start_time",
        Kind.CLOCK,
        FactOf.SESSION,
        "start time",
        "local time the session started, HH:MM",
    ),
    _text("model", FactOf.BUILD, "model", "make, model and generation of the car", needed=True),
    _choice(
        "induction",
        FactOf.RUN,
        "kind of induction",
        INDUCTIONS,
        "natural or boosted (turbocharged or supercharged), of the car as it runs on that day",
    ),
    _text(
        "build", FactOf.KEY, "build", "one individual car: the entry that is ranked", needed=True
    ),
    _text("driver", FactOf.RUN, "driver", "who drove", needed=True),
    _choice(
        "driver_level",
        FactOf.RUN,
        "driver level",
        DRIVER_LEVELS,
        "novice, club, expert or professional",
    ),
    *(_level(area) for area in AREAS),
    _choice(
        "tyre_category",
        FactOf.RUN,
        "category",
        TYRE_CATEGORIES,
        "touring, sport, track-day, semi-slick, slick or wet",
        needed=True,
    ),
    _whole(
        "treadwear",
        FactOf.RUN,
        (1, 1000),
        "treadwear grade",
        "treadwear grade moulded on the tyre, where it has one",
    ),
    _whole(
        "tyre_heat_cycles",
        FactOf.RUN,
        (0, 500),
        "number of heat cycles",
        "heat cycles on the set before this run",
    ),
    _quantity("air_temp_c", -30, 60, "°C", "air temperature", "air temperature, degrees Celsius"),
    _quantity(
        "track_temp_c", -30, 90, "°C", "track temperature", "track temperature, degrees Celsius"
    ),
    _quantity(
        "pressure_hpa",
        500,
        1100,
        "hPa",
        "station pressure",
        "station pressure (not reduced to sea level), hPa",
    ),
    _quantity("humidity_pct", 0, 100, "%", "humidity", "relative humidity, 0 to 100"),
    _quantity("wind_mps", 0, 60, "m/s", "wind speed", "mean wind speed, m/s"),
    _quantity(
        "altitude_m",
        -430,
        5000,
        "m",
        "altitude",
        "height of the circuit above mean sea level, metres",
    ),
    _choice("surface", FactOf.RUN, "surface", SURFACES, "dry, damp or wet", default="dry"),
    _whole(
        "run", FactOf.KEY, (1, 999), "run number", "which outing within the session", default="1"
    ),
    _whole(
        "lap",
        FactOf.KEY,
        (1, 9999),
        "lap number",
        "lap number within the run, 1 is the first lap after leaving the pits",
        needed=True,
    ),
    Column(
        "lap_time",
        Kind.LAP_TIME,
        FactOf.LAP,
        "lap time",
        "m:ss.sss, h:mm:ss.sss or plain seconds; up to four decimals are kept, more are rounded",
        needed=True,
        low=5,
        high=DAY_S,
        unit="s",
    ),
    _choice(
        "lap_kind",
        FactOf.LAP,
        "kind of lap",
        LAP_KINDS,
        "timed, out, in, slow (warm-up, cool-down, scrubbing tyres), baulked (traffic), "
        "off (left the track, or a cut), neutralised (yellow or red flag)",
        default="timed",
    ),
    _choice(
        "timing",
        FactOf.LAP,
        "timing method",
        TIMINGS,
        "transponder, beam, gps, video or stopwatch",
    ),
    _quantity(
        "timing_u_s",
        0.000001,
        10,
        "s",
        "standard uncertainty",
        "standard uncertainty of one lap time in seconds, where the user knows it",
    ),
    _text(
        "evidence",
        FactOf.LAP,
        "evidence",
        "file name or address of what supports the lap",
        longest=2000,
    ),
)

BY_NAME = {column.name: column for column in COLUMNS}
NAMES = tuple(BY_NAME)
WEATHER = ("air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps")
RUN_KEY = ("circuit", "layout", "date", "session", "build", "run")
LAP_KEY = (*RUN_KEY, "lap")


def facts_of(thing: FactOf) -> tuple[str, ...]:
    """Give the names of the columns that say something about a run, a lap, a session or a build."""
    return tuple(column.name for column in COLUMNS if column.fact_of is thing)


def stored_name(name: str) -> str:
    """Give the name that a column has once it is read: `lap_time` has become `lap_time_s`."""
    return "lap_time_s" if name == "lap_time" else name
