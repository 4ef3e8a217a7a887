"""An answer on standard output: a table to read, CSV or JSON to work with.

JSON and CSV carry the published fields: seconds, numbers rounded to four decimals, missing ones
as `null` or an empty cell. The table is for people: lap times as m:ss.sss and words.
"""

from __future__ import annotations

import csv
import io
import json
import math
import numbers
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from benchmark.show.words import shown

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

DECIMALS = 4
# What a spreadsheet may run as a formula (OWASP, "CSV Injection"), with its full-width forms.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
INNER_FORMULA = re.compile("([;,\t\n\r]\\s*)(?=[=+@\uff1d\uff0b\uff0d\uff20-])")
NARROW = 10  # a longer heading stands on several lines, so that a board fits more screens
PIPED_WIDTH = 400  # a table that is not read on a terminal is never cut


class Format(StrEnum):
    """How an answer is written."""

    TABLE = "table"
    CSV = "csv"
    JSON = "json"


@dataclass(frozen=True)
class Column:
    """One column of a table for people: its heading and the text of each row."""

    heading: str
    cells: Sequence[str]
    right: bool = False


def plain(value: Any) -> Any:
    """Give a value as JSON knows it: rounded to four decimals, missing as None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, str | bool) or value is None:
        return value
    if isinstance(value, numbers.Integral):
        return int(value)
    if isinstance(value, date):
        return value.isoformat()[:10] if value == value else None
    return _plain_number(value)


def _plain_number(value: Any) -> float | bool | None:
    try:
        number = float(value)
    except TypeError:  # pandas' NA, which is no number at all
        return None
    if type(value).__name__ == "bool":
        return bool(value)
    return round(number, DECIMALS) + 0.0 if math.isfinite(number) else None


def records(frame: pd.DataFrame, basis: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
    """One object a row, each with the basis of the answer (reference, fit, mode) behind it."""
    same = plain(dict(basis or {}))
    return [{**plain(row), **same} for row in frame.to_dict("records")]


def to_json(answer: Sequence[Mapping[str, Any]] | Mapping[str, Any]) -> str:
    """Write an array of objects, or one object, as strict JSON."""
    return json.dumps(answer, ensure_ascii=False, allow_nan=False, indent=1)


def to_csv(rows: Sequence[Mapping[str, Any]], fields: Sequence[str]) -> str:
    """Write rows as CSV with a header; nested values as JSON text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(fields)
    writer.writerows([[_cell(row[field]) for field in fields] for row in rows])
    return out.getvalue()


def _cell(value: Any) -> Any:
    nested = isinstance(value, Mapping | list)
    return json.dumps(value, ensure_ascii=False) if nested else value


def to_spreadsheet_csv(rows: Sequence[Mapping[str, Any]], fields: Sequence[str]) -> str:
    """Write rows as CSV in which no text of users runs as a formula in a spreadsheet."""
    safe = [{field: _guarded(row[field]) for field in fields} for row in rows]
    return to_csv(safe, fields)


def _guarded(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    guarded = f"'{value}" if value.startswith(FORMULA_STARTS) else value
    # Where the semicolon separates, one inside a name begins a cell, whatever stands in quotes.
    return INNER_FORMULA.sub(r"\1'", guarded)


def print_frame(
    frame: pd.DataFrame, how: Format, basis: Mapping[str, Any], columns: Sequence[Column]
) -> None:
    """Print many rows to standard output in the format asked for (`how`)."""
    if how is Format.TABLE:
        print_table(columns)
        return
    rows = records(frame, basis)
    text = to_json(rows) if how is Format.JSON else to_csv(rows, [*frame.columns, *basis])
    sys.stdout.write(text.rstrip("\n") + "\n")


def print_record(record: Mapping[str, Any], form: Format) -> None:
    """Print one answer to standard output as one JSON object, or as CSV of one row."""
    row = plain(dict(record))
    text = to_json(row) if form is Format.JSON else to_csv([row], list(row))
    sys.stdout.write(text.rstrip("\n") + "\n")


def print_table(columns: Sequence[Column]) -> None:
    """Print a table that a person reads; text of users is never taken for markup."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else PIPED_WIDTH
    Console(file=sys.stdout, width=width, highlight=False).print(_table(columns))


def _table(columns: Sequence[Column]) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for column in columns:
        heading = "\n".join(wrap(column.heading, max([NARROW, *map(len, column.cells)])))
        table.add_column(Text(heading), justify="right" if column.right else "left")
    for row in zip(*(column.cells for column in columns), strict=True):
        table.add_row(*(Text(shown(cell)) for cell in row))
    return table
