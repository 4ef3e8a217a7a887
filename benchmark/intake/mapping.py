"""A column mapping: which column of a foreign sheet is which of a lap table, kept as TOML.

encoding = "utf-8"            # or windows-1252, utf-16
delimiter = ";"               # else the one that splits the header best
header_line = 1               # blank ones not counted; 0: none, then columns by position
date_format = "DD.MM.YYYY"    # YYYY YY MM M MMM DD D
time_format = "HH:mm"         # HH H hh h mm ss A

[columns]                     # our column = theirs, by name or by position from 1
lap_time = "Best time"
lap = 4

[fixed]                       # the same for every lap of the sheet
circuit = "Highmarl"

[units]                       # units that are not ours
air_temp_c = "°F"

[values.tyre_category]        # their word = ours
"Semi" = "semi-slick"
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from benchmark.errors import BadValue, Fault, FaultyFile
from benchmark.intake.cells import clean, read_value
from benchmark.intake.columns import BY_NAME, COLUMNS, NAMES
from benchmark.intake.formats import read_pattern
from benchmark.intake.source import DELIMITERS
from benchmark.intake.toml_text import read_toml, text_of
from benchmark.intake.units import UNITS

ENCODINGS = ("utf-8", "windows-1252", "utf-16")
KEYS = ("encoding", "delimiter", "header_line", "date_format", "time_format", "columns", "fixed",
        "units", "values")  # fmt: skip
MOST_COLUMNS = 10_000
LAST_HEADER_LINE = 100
ISO_DATE, ISO_TIME = "YYYY-MM-DD", "HH:mm"


@dataclass(frozen=True)
class ColumnMapping:
    """A mapping that was read and checked; its fields are the keys of the file.

    `columns` gives the name, or the position from 1, of their column for each of ours.
    """

    columns: Mapping[str, str | int]
    fixed: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    encoding: str = "utf-8"
    delimiter: str | None = None
    header_line: int = 1
    date_format: str = ISO_DATE
    time_format: str = ISO_TIME

    def to_toml(self) -> str:
        """Write the mapping as the file that `parse_mapping` reads back."""
        lines = [
            f"{key} = {_toml(getattr(self, key))}"
            for key in ("encoding", "delimiter", "header_line", "date_format", "time_format")
            if getattr(self, key) is not None
        ]
        for table in ("columns", "fixed", "units"):
            lines += _table(f"[{table}]", getattr(self, table))
        for column, words in self.values.items():
            lines += _table(f"[values.{column}]", words)
        return "\n".join(lines) + "\n"


def read_mapping(path: Path) -> ColumnMapping:
    """Read a mapping from a TOML file.

    Raises
    ------
    FaultyFile
        With every fault of it: key, value, what is wrong, the legal choices.
    """
    return parse_mapping(text_of(path), path.name)


def parse_mapping(text: str, name: str) -> ColumnMapping:
    """Read a mapping from text; `name` is what its faults call it.

    Raises
    ------
    FaultyFile
        With every fault.
    """
    try:
        data = read_toml(text)
    except BadValue as bad:
        raise FaultyFile([Fault(name, None, "-", "", str(bad))]) from bad
    except tomllib.TOMLDecodeError as error:
        told = str(error).splitlines()[0]
        way_on = 'write key = value, such as lap_time = "Best time", below a line [columns]'
        why = f"is no mapping: {way_on} (TOML: {told})"
        raise FaultyFile([Fault(name, None, "-", "", why)]) from error
    return make_mapping(data, name)


def make_mapping(data: Mapping[str, Any], name: str) -> ColumnMapping:
    """Check a mapping that was read or clicked together.

    Raises
    ------
    FaultyFile
        With every fault.
    """
    reading = _Reading(name)
    found = reading.mapping(data)
    if reading.faults:
        raise FaultyFile(reading.faults)
    return found


class _Reading:
    """One reading: takes what is legal and notes what is not."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.faults: list[Fault] = []

    def fault(self, key: str, value: object, message: str) -> None:
        shown = "".join(c if c.isprintable() else "?" for c in str(value))
        self.faults.append(Fault(self.name, None, key, shown[:80], message))

    def mapping(self, data: Mapping[str, Any]) -> ColumnMapping:
        self.known("", data, KEYS)
        tables = {key: self.table(key, data) for key in ("columns", "fixed", "units", "values")}
        for key in ("columns", "fixed", "units", "values"):
            self.known(f"{key}.", tables[key], NAMES)
        columns = {
            ours: theirs for ours, theirs in tables["columns"].items() if self.column(ours, theirs)
        }
        fixed = {
            ours: str(text) for ours, text in tables["fixed"].items() if self.fixed(ours, text)
        }
        self.covered(columns, fixed)
        return ColumnMapping(
            columns,
            fixed,
            {ours: unit for ours, unit in tables["units"].items() if self.unit(ours, unit)},
            {ours: taken for ours, w in tables["values"].items() if (taken := self.words(ours, w))},
            self.choice("encoding", data, ENCODINGS, "utf-8") or "utf-8",
            self.choice("delimiter", data, DELIMITERS, None),
            self.header_line(data),
            self.pattern("date_format", data, ISO_DATE),
            self.pattern("time_format", data, ISO_TIME),
        )

    def known(self, prefix: str, found: Mapping[str, Any], legal: Iterable[str]) -> None:
        legal = tuple(legal)
        for key in [key for key in found if key not in legal]:
            near = get_close_matches(key, legal, n=1, cutoff=0.6)
            meant = f"did you mean {near[0]}? " if near else ""
            self.fault(prefix + key, found[key], f"is not a key here: {meant}use {_listed(legal)}")

    def table(self, key: str, data: Mapping[str, Any]) -> dict[str, Any]:
        found = data.get(key, {})
        if isinstance(found, Mapping):
            return dict(found)
        self.fault(key, found, f"must be a table: write a line [{key}] and its keys below")
        return {}

    def column(self, ours: str, theirs: object) -> bool:
        if isinstance(theirs, int) and not isinstance(theirs, bool):
            if 1 <= theirs <= MOST_COLUMNS:
                return ours in NAMES
            self.fault(f"columns.{ours}", theirs, "is no position; the first column is 1")
        elif not isinstance(theirs, str) or not clean(theirs):
            self.fault(f"columns.{ours}", theirs, "is no column; write its name or its position")
        return ours in NAMES

    def fixed(self, ours: str, text: object) -> bool:
        if ours not in NAMES:
            return False
        if isinstance(text, (bool, float, dict, list)):
            self.fault(f"fixed.{ours}", text, "is no text; write the value in quotes")
            return False
        try:
            read_value(ours, str(text))
        except BadValue as bad:
            self.fault(f"fixed.{ours}", text, str(bad))
        return True

    def covered(self, columns: Mapping[str, Any], fixed: Mapping[str, Any]) -> None:
        for ours in columns.keys() & fixed.keys():
            self.fault(f"fixed.{ours}", fixed[ours], "has a column as well; keep one of the two")
        for column in COLUMNS:
            if column.needed and column.name not in {*columns, *fixed}:
                way_on = f"name their column under [columns], or the {column.noun} under [fixed]"
                self.fault(f"columns.{column.name}", "", f"is missing: {way_on}")

    def unit(self, ours: str, unit: object) -> bool:
        if ours not in NAMES:
            return False
        of_ours = BY_NAME[ours].unit
        legal = tuple(UNITS.get(of_ours, ()))
        if not legal:
            self.fault(f"units.{ours}", unit, "has no unit; take the line out")
        elif unit not in legal:
            self.fault(f"units.{ours}", unit, f"is not a unit of it; use {_listed(legal)}")
        return unit in legal

    def words(self, ours: str, words: object) -> dict[str, str]:
        if not isinstance(words, Mapping):
            way_on = f'write a line [values.{ours}] and "their word" = "ours" below'
            self.fault(f"values.{ours}", words, f"must be a table: {way_on}")
            return {}
        taken: dict[str, str] = {}
        for theirs, text in words.items():
            place = f"values.{ours}.{theirs}"
            if isinstance(text, (bool, float, dict, list)):
                self.fault(place, text, "is no text; write the value in quotes")
                continue
            taken[theirs] = str(text)
            try:
                if ours in NAMES and (str(text) or BY_NAME[ours].needed):
                    read_value(ours, str(text))
            except BadValue as bad:
                self.fault(place, text, str(bad))
        return taken

    def choice(
        self, key: str, data: Mapping[str, Any], legal: tuple[str, ...], default: str | None
    ) -> str | None:
        value = data.get(key, default)
        if value == default or (isinstance(value, str) and value in legal):
            return value if value is None else str(value)
        shown = ", ".join(json.dumps(one) for one in legal)
        self.fault(key, value, f"is not legal here; use {shown}")
        return default

    def header_line(self, data: Mapping[str, Any]) -> int:
        line = data.get("header_line", 1)
        whole = isinstance(line, int) and not isinstance(line, bool)
        if not whole or not 0 <= line <= LAST_HEADER_LINE:
            way_on = f"write a whole number to {LAST_HEADER_LINE}, 0 where no line names columns"
            self.fault("header_line", line, f"is no line of a header; {way_on}")
            return 1
        for ours, theirs in self.table("columns", data).items():
            if line == 0 and isinstance(theirs, str):
                message = "is a name, but no line names columns; write the position"
                self.fault(f"columns.{ours}", theirs, message)
        return int(line)

    def pattern(self, key: str, data: Mapping[str, Any], default: str) -> str:
        text = data.get(key, default)
        if not isinstance(text, str):
            self.fault(key, text, f'is no pattern; write one such as "{default}"')
            return default
        try:
            pattern = read_pattern(text)
        except BadValue as bad:
            self.fault(key, text, str(bad))
            return default
        if not (pattern.has_date if key == "date_format" else pattern.has_time):
            parts = "year, month and day" if key == "date_format" else "hour and minute"
            self.fault(key, text, f'tells no {parts}; write a pattern such as "{default}"')
        return text


def _listed(legal: Iterable[str]) -> str:
    return ", ".join(legal)


def _table(head: str, rows: Mapping[str, Any]) -> list[str]:
    if not rows:
        return []
    return ["", head, *(f"{_toml(key)} = {_toml(value)}" for key, value in rows.items())]


def _toml(value: str | int) -> str:
    """Write a value; JSON text is TOML text but for DEL, which TOML wants escaped."""
    if isinstance(value, int):
        return str(value)
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
