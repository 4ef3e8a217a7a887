"""Hourly weather of a day to come, as a CSV file: one row an hour.

Columns: `time` (HH:MM, local), and any of `air_temp_c`, `track_temp_c`, `pressure_hpa` (station
pressure), `humidity_pct`, `wind_mps`, `surface`, with the meaning and bounds of the lap table.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from benchmark.errors import BadValue
from benchmark.intake.cells import read_value
from benchmark.intake.columns import WEATHER
from benchmark.intake.sheet import Faults, Record, read_sheet
from benchmark.trade.conditions import Conditions

TIME = "time"
CONDITIONS = (*WEATHER, "surface")


@dataclass(frozen=True)
class Hour:
    """Weather at one time of the day; what is not given is None."""

    time: str
    conditions: Conditions


def read_hours(path: Path) -> list[Hour]:
    """Read hourly weather, in the order of the file.

    Raises
    ------
    FaultyFile
        With every fault: file, row (1 is the first after the header), column, value.
    """
    faults = Faults(path.name)
    records = read_sheet(path, (TIME,), CONDITIONS)
    hours = [_hour(row, record, faults) for row, record in enumerate(records, start=1)]
    seen: set[str] = set()
    for row, hour in enumerate(hours, start=1):
        if hour.time in seen:
            faults.add(row, TIME, hour.time, "stands twice; one row an hour")
        seen.add(hour.time)
    faults.raise_if_any()
    return hours


def _hour(row: int, record: Record, faults: Faults) -> Hour:
    time = faults.read(row, TIME, record, _time)
    values: dict[str, Any] = {
        column: faults.read(row, column, record, partial(read_value, column))
        for column in CONDITIONS
        if column in record
    }
    given = {column: value for column, value in values.items() if value is not None}
    return Hour(time or f"row {row}", Conditions(**given))


def _time(text: str) -> str:
    value = read_value("start_time", text)
    if value is None:
        raise BadValue("is empty; write HH:MM")
    return str(value)
