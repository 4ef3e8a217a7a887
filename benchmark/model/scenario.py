"""The demo season as declared: who, where, when, and the true effects. All of it is invented.

No car, circuit or person here exists. The sizes follow the trade's table of causes (common
practice, no published source). Four stories are written into the season by `SCRIPT` and
`MISTIMED`; `datasets/README.md` tells them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from benchmark.model.plan import GAPS, SeasonPlan
from benchmark.model.runs import Day
from benchmark.model.truth import Track

SEED = 195  # of some hundred tried, one in which chance hides none of the stories

TARNEBROOK = Track("Tarnebrook", "full", 84.0, 62.0)
TARNEBROOK_CLUB = Track("Tarnebrook", "club", 57.5, 62.0)
HIGHMARL = Track("Highmarl", "full", 111.0, 430.0)

# Name, induction, true effect on log lap time, the word in the names of its builds.
MODELS = (
    ("Ovestra Pipit II", "natural", 0.004, "Pipit"),
    ("Tamberley Dunlin 2.0T", "boosted", -0.012, "Dunlin"),
    ("Quorvex Merle Mk3", "natural", 0.016, "Merle"),
    ("Hallin Siskin GT", "boosted", -0.024, "Siskin"),
    ("Veskar Fjeld S", "boosted", -0.016, "Fjeld"),
    ("Dunmarrow Wren 16", "natural", 0.030, "Wren"),
)
COLOURS = ("Amber", "Black", "Blue", "Copper", "Green", "Grey", "Orange", "Red", "Silver", "White")

NOVICES = (
    "Bram Tindlefoot",
    "Fenn Larkspurrow",
    "Joss Wickerdale",
    "Nils Aspenlow",
    "Vera Snowdrake",
    "Gaspard Noisetine",
    "Mireille Houblonne",
)
CLUB_DRIVERS = (
    "Alda Pebblewick",
    "Cora Marrowby",
    "Dov Thimblethorpe",
    "Edda Quillfeather",
    "Greta Mossbottle",
    "Hamo Dunnockby",
    "Ilse Crumblehorn",
    "Kaja Nettlegrove",
    "Lorcan Brindlewick",
    "Maud Fiddlecote",
    "Oona Rushpuddle",
    "Pavel Cobblestrand",
    "Quentin Gorsebury",
    "Rhea Willowfen",
    "Stellan Bramblekey",
    "Tova Hazelmoth",
    "Ulf Barleymoss",
    "Wim Otterbank",
    "Yorick Fennelthwaite",
    "Zoë Appletarn",
    "Bertil Skogsvinge",
    "Dagny Isblomst",
    "Frida Tallkotte",
    "Jürg Apfelzwick",
)
EXPERTS = (
    "Xenia Plumgarth",
    "Anouk Brimbelle",
    "Ciarán Duskmantle",
    "Éloi Merlefontaine",
    "Ivo Chestnutley",
    "Katla Mýrifugl",
    "Luca Ghiandolo",
    "Olwen Cressbeck",
)
HIRED = "Hedda Lyngtopp"  # the one professional
KEEN_OF_LEVEL = {"novice": -1.2, "club": 0.0, "expert": 1.1}

PLAN = SeasonPlan(
    n_models=len(MODELS),
    n_builds=45,
    n_drivers=len(NOVICES) + len(CLUB_DRIVERS) + len(EXPERTS),
    tracks=(TARNEBROOK, TARNEBROOK_CLUB, HIGHMARL),
    n_days=14,
    sessions_a_day=3,
    attendance=0.41,
    p_second_run=0.08,
    flying_laps=(3, 8),
    p_shared=0.10,
    p_parts=0.15,
    p_slow=0.012,
    p_gross=0.0,  # the gross errors of this season are declared in MISTIMED
    gaps={**GAPS, "day_weather": 0.0, "track_temp_c": 0.15, "pressure_hpa": 0.1},
    timing={"transponder": 0.80, "gps": 0.12, "video": 0.06, "stopwatch": 0.02},
)


def _day(
    track: Track,
    on: str,
    morning_c: float,
    warming_c: float,
    sun: float,
    qnh_hpa: float,
    humidity_pct: float = 78,
    wind_mps: float = 2.5,
    *,
    surface: str = "dry",
    turnout: float = 1.0,
) -> Day:
    when = date.fromisoformat(on)
    weather = (morning_c, warming_c, sun, qnh_hpa, humidity_pct, wind_mps)
    return Day(track, when, *weather, surface, turnout)


# Date, temperature early in the morning and how much it rises, sun, sea-level pressure.
CALENDAR = (
    _day(TARNEBROOK, "2026-03-14", 3, 7, 0.6, 1032, turnout=0.45),
    _day(HIGHMARL, "2026-03-28", 6, 6, 0.4, 1018),
    _day(TARNEBROOK, "2026-04-11", 11, 7, 0.7, 1014),
    _day(HIGHMARL, "2026-04-25", 11, 11, 0.9, 1016),
    _day(TARNEBROOK, "2026-05-09", 9, 3, 0.1, 1004, 95, 4.5, surface="wet"),
    _day(HIGHMARL, "2026-05-23", 10, 9, 0.5, 1013),
    _day(TARNEBROOK_CLUB, "2026-05-30", 12, 10, 0.8, 1019),
    _day(TARNEBROOK, "2026-06-13", 14, 11, 0.9, 1017),
    _day(HIGHMARL, "2026-06-27", 15, 11, 0.8, 1015),
    _day(TARNEBROOK, "2026-07-11", 18, 13, 1.0, 1014),
    _day(HIGHMARL, "2026-07-18", 17, 13, 1.0, 1016),
    _day(TARNEBROOK_CLUB, "2026-08-01", 18, 14, 0.9, 1012),
    _day(TARNEBROOK, "2026-08-08", 19, 14, 1.0, 1013),
    _day(HIGHMARL, "2026-08-22", 10, 15, 0.7, 1022),
)
DRYING = ("2026-05-09", "S3")  # the wet day dries up to damp in its last session
NO_WEATHER = ("2026-05-23",)  # nobody wrote anything down

# True effects on log lap time; 0.01 is 1 %. Steps of an area need not be alike, and one hurts.
EFFECTS: Mapping[str, float] = {
    "step:engine:1": -0.0050,
    "step:engine:2": -0.0065,
    "step:engine:3": -0.0060,
    "step:drivetrain:1": -0.0020,
    "step:drivetrain:2": -0.0035,
    "step:drivetrain:3": -0.0020,
    "step:suspension:1": -0.0045,
    "step:suspension:2": -0.0040,
    "step:suspension:3": -0.0025,
    "step:aero:1": 0.0008,
    "step:aero:2": -0.0060,
    "step:aero:3": -0.0055,
    "step:weight:1": -0.0040,
    "step:weight:2": -0.0050,
    "step:weight:3": -0.0060,
    "step:brakes:1": -0.0012,
    "step:brakes:2": -0.0015,
    "step:brakes:3": -0.0003,
    "tyre:sport": -0.020,
    "tyre:track-day": -0.018,
    "tyre:semi-slick": -0.015,
    "tyre:slick": -0.021,
    "wet_tyre": 0.018,
    "novice": 0.021,
    "expert": -0.010,
    "professional": -0.022,
    "density_natural": -0.095,
    "density_boosted": -0.050,
    "heat": 0.0005,
    "heat_soft": 0.0045,
    "heat_curve": 0.0002,
    "heat_curve_soft": 0.0008,
    "cycles": 0.0010,
    "cycles_soft": 0.0080,
    "treadwear": 0.0090,
    "damp": 0.072,
    "wet": 0.165,
    "wet_tyre_damp": -0.038,
    "wet_tyre_wet": -0.085,
    "soft_wet": 0.028,
    "lap_warm": -0.0015,
    "lap_warm_soft": 0.0020,
    "fade": 0.0003,
    "fade_soft": 0.0020,
}
SDS: Mapping[str, float] = {
    "area": 0.0015,
    "step": 0.0026,
    "model": 0.020,
    "model_circuit": 0.004,
    "build": 0.006,
    "build_spec": 0.0015,
    "driver": 0.007,
    "driver_circuit": 0.0025,
    "day": 0.0025,
    "session": 0.0025,
    "wet_session": 0.015,
    "build_day": 0.002,
    "outing": 0.002,
}
SIGMA, DELAY, DELAY_SPREAD = 0.0030, 0.009, 0.5
SLOW, GROSS = 0.10, 0.055

# The cars of the stories.
COOL_MORNING = "Yellow Wren 31"
SEASON_OF_PARTS = "Blue Pipit 17"
HIRED_PROFESSIONAL = "Black Fjeld 88"
MISTIMED_CAR = "White Merle 45"
CHANGES_CLASS = "Green Dunlin 52"
# Build: model, owner, six levels (engine, drivetrain, suspension, aero, weight, brakes), tyre,
# treadwear. They stay so but for what SCRIPT changes.
STORY_CARS: Mapping[str, tuple[int, str, str, str, float]] = {
    COOL_MORNING: (5, "Kaja Nettlegrove", "212121", "semi-slick", 60),
    SEASON_OF_PARTS: (0, "Dov Thimblethorpe", "001010", "track-day", 180),
    HIRED_PROFESSIONAL: (4, "Wim Otterbank", "111011", "semi-slick", 80),
    MISTIMED_CAR: (2, "Frida Tallkotte", "111011", "sport", 240),
    CHANGES_CLASS: (1, "Luca Ghiandolo", "101010", "track-day", 200),
}
PARTNER = "Anouk Brimbelle"  # an expert who shares the car of the season of parts
# True effects of single drivers and builds, where a story needs them.
DRIVER_EFFECTS = {"Dov Thimblethorpe": -0.004, PARTNER: 0.002, HIRED: -0.002}
BUILD_EFFECTS = {SEASON_OF_PARTS: 0.002, COOL_MORNING: 0.001, HIRED_PROFESSIONAL: 0.003}


@dataclass(frozen=True, slots=True)
class Change:
    """A change of facts on a build's outings between two dates, in one session where named.

    `driver` takes the wheel; `mods` are six levels; `cycles` is the heat cycles before the first
    outing of each day, one more for each further one; `away` drops the outings.
    """

    build: str
    first: str
    last: str = "2026-12-31"
    session: str | None = None
    driver: str | None = None
    mods: str | None = None
    cycles: int | None = None
    timing: str | None = None
    away: bool = False


SCRIPT = (
    # Quick on the cool morning of the first day; at Tarnebrook later on only in the heat.
    Change(COOL_MORNING, "2026-03-14", "2026-03-14", cycles=1, timing="transponder"),
    Change(COOL_MORNING, "2026-03-14", "2026-03-14", "S3", away=True),
    Change(COOL_MORNING, "2026-04-11", "2026-06-13", away=True),
    Change(COOL_MORNING, "2026-07-11", "2026-08-08", "S1", away=True),
    # Parts arrive all season; on the last day also a fresh set, an expert and a cool morning.
    Change(SEASON_OF_PARTS, "2026-03-14", "2026-03-28", away=True),
    Change(SEASON_OF_PARTS, "2026-04-25", "2026-04-25", "S1", away=True),
    Change(SEASON_OF_PARTS, "2026-04-11", "2026-05-09", cycles=7),
    Change(SEASON_OF_PARTS, "2026-05-23", "2026-06-27", mods="101010", cycles=10),
    Change(SEASON_OF_PARTS, "2026-07-11", "2026-08-08", mods="102011", cycles=14),
    Change(SEASON_OF_PARTS, "2026-08-22", mods="102111", cycles=2),
    Change(SEASON_OF_PARTS, "2026-04-11", timing="transponder"),
    Change(SEASON_OF_PARTS, "2026-04-25", "2026-04-25", driver="Dov Thimblethorpe"),
    Change(SEASON_OF_PARTS, "2026-06-13", "2026-06-13", "S2", driver=PARTNER),
    Change(SEASON_OF_PARTS, "2026-06-27", "2026-06-27", "S2", driver=PARTNER),
    Change(SEASON_OF_PARTS, "2026-08-22", "2026-08-22", "S1", driver=PARTNER),
    # A professional is hired for three days.
    Change(HIRED_PROFESSIONAL, "2026-06-13", "2026-06-27", driver=HIRED),
    Change(HIRED_PROFESSIONAL, "2026-07-18", "2026-07-18", driver=HIRED),
    # This owner times by camera.
    Change(MISTIMED_CAR, "2026-03-14", timing="video"),
    # From light to moderate in June: engine, suspension and brakes rebuilt.
    Change(CHANGES_CLASS, "2026-06-13", mods="202011"),
    Change(CHANGES_CLASS, "2026-07-11", mods="202012"),
)


@dataclass(frozen=True, slots=True)
class Mistimed:
    """A gross error: this build's lap of the day (its n-th quickest) is off by so much."""

    build: str
    date: str
    nth: int
    off: float  # log lap time; -0.05 is 5 % too quick


# The one of the story, too quick by video; others are drawn among hand and video timed laps.
MISTIMED = (Mistimed(MISTIMED_CAR, "2026-06-27", 3, -0.062),)
MISTIMED_ELSEWHERE = (0.045, 0.08, -0.02, 0.03, 0.06)

# How files are written: what a club's spreadsheet did to them on the way.
SEMICOLON_DAYS = ("2026-04-11",)  # semicolons, decimal commas, byte-order mark, Windows line ends
REORDERED_DAYS = ("2026-06-27",)  # columns in another order, headed in capitals
KEPT_DAYS = ("2026-03-14", "2026-04-25", "2026-08-22")  # the stories rest on their weather
KEPT_DRIVERS = (HIRED, PARTNER, "Dov Thimblethorpe", "Kaja Nettlegrove")
