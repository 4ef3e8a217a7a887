"""The days of a made-up season: calendar, weather, and who went out when with what.

Temperatures rise with the session, as on real days, so heat and lateness are confounded. The
sizes are common practice, no published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from benchmark.model.entrants import Car, Driver, before_the_day
from benchmark.model.plan import SeasonPlan
from benchmark.model.truth import MODS, Track
from benchmark.trade.classes import AREAS
from benchmark.trade.conditions import station_pressure

SEASON_DAYS = 140  # from the first day to the last
FIRST_SESSION_H = 9.0
LAST_SESSION_H = 15.0
RUN_COLUMNS = (
    "circuit",
    "layout",
    "date",
    "session",
    "start_time",
    "model",
    "induction",
    "build",
    "driver",
    "driver_level",
    *MODS,
    "tyre_category",
    "treadwear",
    "tyre_heat_cycles",
    "air_temp_c",
    "track_temp_c",
    "pressure_hpa",
    "humidity_pct",
    "wind_mps",
    "altitude_m",
    "surface",
    "run",
    "timing",
)


@dataclass(frozen=True, slots=True)
class Day:
    """One event day at one layout, and its weather."""

    track: Track
    date: date
    morning_c: float
    warming_c: float  # from morning to the hottest hour
    sun: float  # 0 overcast to 1 clear
    qnh_hpa: float
    humidity_pct: float  # in the morning
    wind_mps: float
    surface: str
    turnout: float = 1.0  # by what every car's chance of coming is multiplied

    def weather(self, hour: float) -> dict[str, object]:
        """Weather at an hour of the day, rounded as people write it down."""
        warmth = self.warming_c * math.sin(math.pi * np.clip((hour - 7) / 16, 0, 1)) ** 1.5
        air = self.morning_c + warmth
        over = 2 + 18 * self.sun * math.sin(math.pi * np.clip((hour - 7) / 13, 0, 1))
        wet = self.surface != "dry"
        return {
            "air_temp_c": round(air, 1),
            "track_temp_c": round(air + (1.0 if wet else over), 1),
            "pressure_hpa": round(float(station_pressure(self.qnh_hpa, self.track.altitude_m)), 1),
            "humidity_pct": round(float(np.clip(self.humidity_pct - 3 * warmth, 20, 100))),
            "wind_mps": round(self.wind_mps * (0.7 + 0.05 * (hour - 8)), 1),
            "altitude_m": self.track.altitude_m,
            "surface": self.surface,
        }


def calendar(plan: SeasonPlan, rng: np.random.Generator) -> list[Day]:
    """Return the event days, from a cold spring to a hot summer, layouts in turn."""
    gaps = np.linspace(0, SEASON_DAYS, plan.n_days)
    return [_day(plan, i, float(gap), rng) for i, gap in enumerate(gaps)]


def _day(plan: SeasonPlan, i: int, after_days: float, rng: np.random.Generator) -> Day:
    wet = rng.random() < plan.p_wet
    warm = after_days / SEASON_DAYS
    return Day(
        track=plan.tracks[i % len(plan.tracks)],
        date=plan.first_date + timedelta(days=round(after_days)),
        morning_c=float(5 + 13 * warm + 3 * rng.standard_normal()),
        warming_c=float(rng.uniform(2, 5) if wet else rng.uniform(5, 12)),
        sun=float(0.1 if wet else rng.uniform(0.2, 1)),
        qnh_hpa=float(1015 + 7 * rng.standard_normal()),
        humidity_pct=float(92 if wet else rng.uniform(55, 90)),
        wind_mps=float(rng.gamma(3.0, 1.0)),
        surface=str(rng.choice(["damp", "wet"])) if wet else "dry",
    )


def session_hours(sessions: int) -> list[float]:
    """Hour of the day at which each session starts."""
    return [float(hour) for hour in np.linspace(FIRST_SESSION_H, LAST_SESSION_H, sessions)]


def runs_of_season(
    plan: SeasonPlan,
    days: list[Day],
    people: list[Driver],
    fleet: list[Car],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return one row an outing with `RUN_COLUMNS`, every fact written, and `flying_laps`.

    Parameters
    ----------
    plan : how often cars come and go out, with whom.
    days : the event days.
    people, fleet : drivers and cars before the first day; the cars are changed day by day.
    rng : draws it all.
    """
    rows: list[dict[str, object]] = []
    for day, present in zip(days, _present(days, fleet, rng), strict=True):
        for car in present:
            before_the_day(car, plan, rng)
            rows += _day_of_car(plan, day, car, people, rng)
    table = pd.DataFrame(rows, columns=[*RUN_COLUMNS, "flying_laps"])
    order = ["date", "circuit", "layout", "session", "run", "build"]
    return table.sort_values(order, kind="stable").reset_index(drop=True)


def _present(days: list[Day], fleet: list[Car], rng: np.random.Generator) -> list[list[Car]]:
    """Draw which cars come to each day; every car comes at least once."""
    chance = np.outer([day.turnout for day in days], [car.attendance for car in fleet])
    come = rng.random(chance.shape) < chance
    once = rng.integers(0, len(days), len(fleet))
    idle = ~come.any(axis=0)
    come[once[idle], np.flatnonzero(idle)] = True
    return [[car for car, here in zip(fleet, row, strict=True) if here] for row in come]


def _day_of_car(
    plan: SeasonPlan, day: Day, car: Car, people: list[Driver], rng: np.random.Generator
) -> list[dict[str, object]]:
    timing = _drawn_timing(plan, rng)
    wets = day.surface != "dry" and rng.random() < 0.6
    rows = []
    for k, hour in enumerate(session_hours(plan.sessions_a_day)):
        if rng.random() >= car.p_run:
            continue
        for run in range(1, 2 + int(rng.random() < plan.p_second_run)):
            driver = car.owner
            if rng.random() < plan.p_shared:
                driver = people[int(rng.integers(len(people)))]
            row = _run_row(day, f"S{k + 1}", hour, run, car, driver, wets=bool(wets))
            low, high = plan.flying_laps
            rows.append({**row, "timing": timing, "flying_laps": int(rng.integers(low, high + 1))})
            if not wets:
                car.cycles += 1
    return rows


def _run_row(
    day: Day, session: str, hour: float, run: int, car: Car, driver: Driver, *, wets: bool = False
) -> dict[str, object]:
    """Return the facts of one outing, as the columns of the lap table."""
    minutes = round(60 * hour)
    return {
        "circuit": day.track.circuit,
        "layout": day.track.layout,
        "date": day.date.isoformat(),
        "session": session,
        "start_time": f"{minutes // 60:02d}:{minutes % 60:02d}",
        "model": car.model,
        "induction": car.induction,
        "build": car.build,
        "driver": driver.name,
        "driver_level": driver.level,
        **{f"mod_{area}": car.levels[area] for area in AREAS},
        "tyre_category": "wet" if wets else car.tyre,
        "treadwear": np.nan if wets else car.treadwear,
        "tyre_heat_cycles": 3 if wets else car.cycles,
        **day.weather(hour),
        "run": run,
    }


def _drawn_timing(plan: SeasonPlan, rng: np.random.Generator) -> str | None:
    methods, shares = list(plan.timing), np.array(list(plan.timing.values()))
    return methods[int(rng.choice(len(methods), p=shares / shares.sum()))]
