"""A small invented record to claim against, and claims that were reasoned by hand."""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd

from benchmark.answers.claim_case import Claim
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.trade.timing import format_lap_time

CIRCUIT = "Larkhill Ring"
LIGHT = {"mod_engine": 1, "mod_drivetrain": 0, "mod_suspension": 1, "mod_aero": 0,
         "mod_weight": 0, "mod_brakes": 1}  # fmt: skip
MODERATE = {**LIGHT, "mod_engine": 2}
MILD = {"air_temp_c": 20.0, "track_temp_c": 30.0, "humidity_pct": 50.0, "pressure_hpa": 1013.0}
COOL = {**MILD, "air_temp_c": 5.0, "track_temp_c": 6.0}
HOT = {**MILD, "air_temp_c": 34.0, "track_temp_c": 55.0}


def _laps(build: str, driver: str, times: list[float], **facts: Any) -> list[dict[str, Any]]:
    row = {"circuit": CIRCUIT, "layout": "full", "date": "2025-05-03", "session": "S1",
           "model": "Invented Wren", "induction": "natural", "build": build, "driver": driver,
           "driver_level": "club", **LIGHT, "tyre_category": "track-day", "treadwear": 180,
           "tyre_heat_cycles": 2, **MILD, "surface": "dry", "run": 1, "lap_kind": "timed",
           "timing": "transponder"}  # fmt: skip
    return [{**row, "lap": k, "lap_time_s": t, **facts} for k, t in enumerate(times, start=2)]


def record() -> pd.DataFrame:
    """Counted laps. Red is 0.6 s a lap and more quicker than Blue and Green, on two mild days.

    Best laps of light Wrens at the full layout: Red 1:39.400, Blue 1:39.900, Green 1:40.300.
    Grey is the only moderate Wren, Finch another model, on semi-slicks. Blue alone has laps of the
    short layout. Hot is a Heron that drove only on a hot afternoon: 1:40.100 at its best.
    """
    later = {"date": "2025-06-07"}
    rows = [
        *_laps("Red", "Ada", [99.5, 99.4, 99.7, 99.6, 99.8]),
        *_laps("Red", "Ada", [99.6, 99.5, 99.4, 99.8], **later),
        *_laps("Blue", "Bo", [100.1, 99.9, 100.3, 100.2]),
        *_laps("Blue", "Bo", [100.0, 100.2, 99.95, 100.4], **later),
        *_laps("Green", "Cy", [100.5, 100.3, 100.8]),
        *_laps("Green", "Cy", [100.6, 100.4, 100.9, 100.5], **later),
        *_laps("Hot", "Di", [100.2, 100.1, 100.4, 100.3], model="Invented Heron",
               date="2025-07-12", **HOT),
        *_laps("Grey", "Ed", [98.0, 98.3, 98.1], **MODERATE),
        *_laps("Finch", "Flo", [95.0, 95.2, 95.4], model="Invented Finch",
               tyre_category="semi-slick", treadwear=60, **later),
        *_laps("Blue", "Bo", [70.1, 70.0, 70.4], layout="short", date="2025-06-08"),
    ]  # fmt: skip
    return pd.DataFrame(rows)


@cache
def fitted() -> Fit:
    """The record, fitted once."""
    return fit(record(), draws=400, data_version=7)


def claim(lap_time: float | str, scope: str = "model,class", **facts: Any) -> Claim:
    """A claim of Red's on a mild day of its own, timed by transponder, but for the facts given."""
    text = lap_time if isinstance(lap_time, str) else format_lap_time(lap_time)
    texts = {"circuit": CIRCUIT, "build": "Red", "model": "Invented Wren", "driver": "Ada",
             "date": "2025-06-21", "tyre_category": "track-day", "timing": "transponder",
             "lap": 3, **MILD, "lap_time": text, **facts}  # fmt: skip
    about = {k: texts.pop(k) for k in (*ABOUT,) if k in texts}
    given = {column: str(value) for column, value in texts.items() if value is not None}
    return Claim(given, scope, **about)


ABOUT = ("claimed_class", "claimed_tyre", "flying_laps", "metar", "trace")
