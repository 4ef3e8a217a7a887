"""How large a made-up season is, and of what kind: cars, days, laps, gaps in the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType

from benchmark.model.truth import Track

NORTH = Track("Invented North", "full", 96.0, 40.0)
SOUTH = Track("Invented South", "full", 71.0, 310.0)
SOUTH_SHORT = Track("Invented South", "short", 52.0, 310.0)
HIGH = Track("Invented High", "full", 118.0, 780.0)

# Share of sessions, runs, cars or drivers whose fact was not written down.
GAPS: Mapping[str, float] = MappingProxyType(
    {
        "day_weather": 0.05,  # no weather at all on that day
        "track_temp_c": 0.20,  # of sessions
        "pressure_hpa": 0.15,  # of days
        "humidity_pct": 0.15,  # of days
        "driver_level": 0.10,  # of drivers
        "induction": 0.05,  # of builds
        "treadwear": 0.25,  # of builds
        "tyre_heat_cycles": 0.30,  # of builds
        "mods": 0.02,  # of builds' days: one area was left empty
    }
)
TIMING: Mapping[str | None, float] = MappingProxyType(
    {"transponder": 0.75, "gps": 0.12, "video": 0.06, "beam": 0.04, "stopwatch": 0.01, None: 0.02}
)


@dataclass(frozen=True)
class SeasonPlan:
    """Size and kind of a season.

    Attributes
    ----------
    n_models, n_builds, n_drivers : how many take part.
    tracks : the layouts, visited in turn.
    n_days, sessions_a_day : of the calendar.
    attendance : chance that a build comes to a day. The first `always` builds come to all.
    p_run, p_second_run : chance that it goes out in a session, and again in the same session.
    flying_laps : least and most flying laps of a run.
    p_parts : chance that a build comes with new parts.
    p_shared : chance that another driver takes a run.
    p_traffic : laps baulked and labelled so. p_slow : slow laps without a label.
    p_gross : laps timed grossly wrong. p_wet : days with a damp or wet surface.
    matched : all builds of one class, near one specification, on track-day tyres.
    gaps, timing : what is not recorded (see `GAPS`), and how laps are timed; shares.
    """

    n_models: int
    n_builds: int
    n_drivers: int
    tracks: tuple[Track, ...]
    n_days: int
    sessions_a_day: int
    attendance: float
    p_run: float = 0.85
    p_second_run: float = 0.1
    flying_laps: tuple[int, int] = (2, 8)
    p_parts: float = 0.2
    p_shared: float = 0.12
    p_traffic: float = 0.03
    p_slow: float = 0.02
    p_gross: float = 0.005
    p_wet: float = 0.06
    matched: bool = False
    always: int = 0
    first_date: date = date(2026, 3, 14)
    gaps: Mapping[str, float] = field(default_factory=lambda: GAPS)
    timing: Mapping[str | None, float] = field(default_factory=lambda: TIMING)

    def recorded_fully(self) -> SeasonPlan:
        """Return the same plan with every fact written down and all laps timed by transponder."""
        return replace(self, gaps=dict.fromkeys(GAPS, 0.0), timing={"transponder": 1.0})


# The four sizes of the study. Usable laps are flying laps that count.
ONE_CAR = SeasonPlan(3, 10, 9, (NORTH, SOUTH), 6, 3, 0.30, always=1)  # about 330 usable laps
MATCHED = SeasonPlan(4, 24, 24, (NORTH,), 6, 3, 0.50, matched=True)  # about 1,000
CLUB = SeasonPlan(6, 25, 25, (NORTH, SOUTH), 8, 3, 0.36)  # about 950
LARGE = SeasonPlan(  # about 5,000
    14, 120, 115, (NORTH, SOUTH, HIGH), 14, 3, 0.22
)
PLANS: Mapping[str, SeasonPlan] = MappingProxyType(
    {"one-car": ONE_CAR, "matched": MATCHED, "club": CLUB, "large": LARGE}
)
