"""Lap tables for the tests of intake and store: an invented circuit, car and driver."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet

from benchmark.intake.laptable import LapFile, read_lap_table
from benchmark.store.store import Store

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

READ: dict[tuple[str, bytes], LapFile] = {}

# The key of lap 2 of these.
KEY = {
    "circuit": "Quillmoor",
    "layout": "full",
    "date": "2025-04-12",
    "session": "S1",
    "build": "Blue Heron",
    "run": 1,
    "lap": 2,
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


def read_once(path: Path) -> LapFile:
    """Read a lap table, unless the same has been read before in this process.

    For tests of what comes after the reading; whose subject it is read each file anew.
    """
    key = path.name, path.read_bytes()
    if key not in READ:
        READ[key] = read_lap_table(path)
    return replace(READ[key], path=path)


def told(lap_file: LapFile) -> list[str]:
    return [str(fault) for fault in lap_file.faults]


def laps_of(lap_file: LapFile) -> pd.DataFrame:
    assert told(lap_file) == []
    return lap_file.laps


def parquet(folder: Path, **columns: object) -> Path:
    table = pa.table({**{name: [text] for name, text in LAP.items()}, **columns})
    path = folder / "spring.parquet"
    pa.parquet.write_table(table, path)
    return path


def stored(
    folder: Path,
    rows: Sequence[Mapping[str, str]] | None = None,
    *,
    name: str = "spring.csv",
    db: str = "laps.duckdb",
) -> Path:
    """Add rows, by default laps 1 to 3, to the store in the folder and give its path."""
    path = folder / db
    table = read_once(write(folder, rows or [lap(1), lap(2), lap(3)], name=name))
    with Store.open(path, create=True) as store:
        store.add(table)
    return path
