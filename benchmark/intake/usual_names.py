"""Which column of a foreign sheet is plainly which of a lap table, by what it is called.

The names are common ones in plain English (common practice, no published source). Only what can
mean one thing stands here: "Time" may be a lap time or a time of day, "No" a lap or a car, and what
is proposed wrongly costs more than what is left open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from benchmark.intake.columns import NAMES

# By the column of the lap table, names without case, blanks and marks; its own name is one too.
USUAL: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "circuit": ("track", "venue", "circuitname", "trackname"),
        "layout": ("configuration", "tracklayout"),
        "date": ("day", "eventdate", "sessiondate"),
        "session": ("sessionname",),
        "start_time": ("start", "starttime", "sessionstart"),
        "model": ("carmodel",),
        "build": ("car", "vehicle", "entry"),
        "driver": ("drivername",),
        "driver_level": ("level", "experience"),
        "tyre_category": ("tyre", "tyres", "tire", "tires", "tyretype", "tiretype"),
        "air_temp_c": ("airtemp", "airtemperature", "ambienttemperature"),
        "track_temp_c": ("tracktemp", "tracktemperature"),
        "pressure_hpa": ("pressure", "airpressure", "stationpressure"),
        "humidity_pct": ("humidity", "relativehumidity"),
        "wind_mps": ("wind", "windspeed"),
        "altitude_m": ("altitude", "elevation"),
        "run": ("outing", "stint"),
        "lap": ("lapno", "lapnr", "lapnumber"),
        "lap_time": ("laptime", "laptimes"),
    }
)


def proposed_column(ours: str, header: Sequence[str]) -> int | None:
    """Give the place of the one column that is plainly ours, from 0; None where none or two are.

    Our own name comes before usual ones.
    """
    plain = [bare(name) for name in header]
    for names in ((bare(ours),), USUAL.get(ours, ())):
        found = [place for place, name in enumerate(plain) if name in names]
        if len(found) == 1:
            return found[0]
        if found:
            return None
    return None


def proposed_columns(header: Sequence[str]) -> list[str]:
    """Give the columns of the lap table that the sheet plainly has."""
    return [ours for ours in NAMES if proposed_column(ours, header) is not None]


def bare(name: str) -> str:
    """Write a name without case, blanks, marks."""
    return "".join(char for char in name.casefold() if char.isalnum())
