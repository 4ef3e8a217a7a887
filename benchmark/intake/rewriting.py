"""Laps that were read, written back as a lap table: what was shown becomes a file of its own."""

from __future__ import annotations

import csv
import io
from datetime import date
from decimal import Decimal

from benchmark.intake.columns import NAMES, stored_name
from benchmark.intake.formulas import guarded
from benchmark.intake.laptable import LapFile
from benchmark.trade.timing import format_lap_time


def as_lap_table(lap_file: LapFile) -> bytes:
    """Write the laps as a CSV lap table, in the order of the file; read again they are the same."""
    whole = lap_file.run_laps.join(lap_file.runs.drop_columns("row"), "run_no").sort_by("row")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(NAMES)
    columns = [whole.column(stored_name(name)).to_pylist() for name in NAMES]
    writer.writerows([_cell(value) for value in row] for row in zip(*columns, strict=True))
    return out.getvalue().encode()


def same_laps(one: LapFile, other: LapFile) -> bool:
    """Tell whether two files say the same of the same laps, in the same order."""
    if one.faults or other.faults:
        return False
    left, right = (file.laps.reset_index(drop=True) for file in (one, other))
    return len(left) == len(right) and bool(left.equals(right))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return format_lap_time(value, 4)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return repr(value)
    return guarded(value) if isinstance(value, str) else str(value)
