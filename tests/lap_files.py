"""Lap tables for the tests of intake and store: an invented circuit, car and driver."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

LAP = {
    "circuit": "Quillmoor",
    "date": "2025-04-12",
    "session": "S1",
    "model": "Corvane GT",
    "build": "Blue Heron",
    "driver": "A. Marsh",
    "tyre_category": "track-day",
    "lap": "1",
    "lap_time": "1:02.345",
}


def lap(number: int = 1, time: str = "1:02.345", **changes: str) -> dict[str, str]:
    """Make one row; what is not given is as in `LAP`."""
    return {**LAP, "lap": str(number), "lap_time": time, **changes}


def write(
    folder: Path,
    rows: Sequence[Mapping[str, str]],
    *,
    name: str = "spring.csv",
    delimiter: str = ",",
) -> Path:
    """Write rows as a CSV lap table, with each column that any row has."""
    columns = list(dict.fromkeys(column for row in rows for column in row))
    path = folder / name
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, columns, restval="", delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)
    return path
