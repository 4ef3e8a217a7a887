"""A foreign sheet read through a column mapping: made a lap table, and read as any other.

Each record of the sheet becomes one record of a lap table in a file of ours, so rows keep their
numbers; faults then name the sheet's own column and what stands there.
"""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path

from benchmark.errors import BadValue, Fault
from benchmark.intake.cells import clean
from benchmark.intake.columns import BY_NAME, NAMES, Kind
from benchmark.intake.foreign_sheet import Report, opened, utf8_copy
from benchmark.intake.formats import read_pattern
from benchmark.intake.laptable import LapFile, read_lap_table
from benchmark.intake.mapping import ColumnMapping
from benchmark.intake.pasted_words import plain_time
from benchmark.intake.source import WholeFile
from benchmark.intake.units import converted
from benchmark.trade.classes import AREAS

BROKEN = "?"  # stands in every cell of a record that could not be split
NOT_RECORDED = tuple(f"mod_{area}" for area in AREAS)
MOST_FAULTS = 100_000
SHOWN = 80


@dataclass
class _Turned:
    """What came of turning a sheet into a lap table, for telling faults in the sheet's words."""

    places: dict[str, int]
    theirs: dict[str, str]
    unused: list[str]
    faults: list[Fault] = field(default_factory=list)
    broken: set[int] = field(default_factory=set)
    wrong: set[tuple[int, str]] = field(default_factory=set)

    def add(self, fault: Fault) -> None:
        """Note what is wrong with one cell, which then needs no second fault, or one record."""
        self.faults.append(fault)
        if fault.column == "-":
            self.broken.add(fault.row or 0)
        self.wrong.add((fault.row or 0, fault.column))


def read_mapped(
    path: Path, mapping: ColumnMapping, *, name: str | None = None, progress: Report | None = None
) -> LapFile:
    """Read a foreign CSV file through a mapping, with every fault of it.

    Parameters
    ----------
    path : the file.
    name : what the file is called; its own name by default.
    progress : is told the share done (0 to 1) and what is being done.

    Raises
    ------
    OSError
        The file cannot be read. Everything else that is wrong with it is in the faults.
    """
    name = path.name if name is None else name
    told = progress or _silent
    with tempfile.TemporaryDirectory(prefix="mapped-") as folder:
        table = Path(folder) / "laps.csv"
        sha256 = ""
        try:
            copy, sha256 = utf8_copy(path, Path(folder), mapping.encoding, told)
            turned = _turn(copy, table, mapping, name, told)
        except WholeFile as whole:
            fault = Fault(name, None, whole.column, _shown(whole.value), whole.message)
            table.write_text(",".join(NAMES) + "\n", encoding="utf-8")
            empty = read_lap_table(table, name=name)
            return replace(empty, path=path, sha256=sha256, faults=[fault])
        read = read_lap_table(table, name=name, progress=lambda s, w: told(0.5 + s / 2, w))
        faults = _in_their_words(read.faults, turned, mapping, copy)
        return replace(
            read,
            path=path,
            sha256=sha256,
            faults=sorted([*turned.faults, *faults], key=lambda f: (f.row or 0, f.column)),
            ignored_columns=turned.unused,
        )


def _turn(copy: Path, table: Path, mapping: ColumnMapping, name: str, told: Report) -> _Turned:
    """Write the sheet as a lap table, one record each."""
    size = max(copy.stat().st_size, 1)
    with (
        copy.open(encoding="utf-8", newline="") as text,
        table.open("w", encoding="utf-8", newline="") as out,
    ):
        _, header, records = opened(text, mapping)
        first = next(records, None)
        width = len(header) or len(first or ())
        places = _places(mapping, header, width)
        turned = _Turned(
            places,
            {ours: header[at] if header else f"column {at + 1}" for ours, at in places.items()},
            [cell or f"column {at + 1} (no name)" for at, cell in enumerate(header)
             if at not in places.values()],
        )  # fmt: skip
        # A sheet that says nothing of a modification does not say that there is none.
        ours = [name for name in NAMES if name in {*places, *mapping.fixed, *NOT_RECORDED}]
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(ours)
        turner = _Turner(mapping, places, ours)
        done = 0
        for row, cells in enumerate(_chained(first, records), start=1):
            done += sum(map(len, cells)) + len(cells)
            if row % 20_000 == 0:
                told(0.1 + 0.4 * min(done / size, 1), f"turning {name} into a lap table")
            message = _broken(cells, width, places)
            if message:
                turned.add(Fault(name, row, "-", _shown(",".join(cells)), message))
                writer.writerow([BROKEN] * len(ours))
                continue
            written, wrong = turner.turn(cells)
            writer.writerow(written)
            for column, why in wrong:
                value = _shown(clean(cells[places[column]]))
                turned.add(Fault(name, row, turned.theirs[column], value, why))
            if len(turned.faults) > MOST_FAULTS:
                break
    return turned


def _broken(cells: list[str], width: int, places: Mapping[str, int]) -> str | None:
    """Say what is wrong with a record as a whole."""
    if len(cells) != width:
        return f"has {len(cells)} fields, the header {width}; correct the row"
    if not any(clean(cells[at]) for at in places.values()):
        return "has nothing in the columns of the mapping; take the row out"
    return None


def _chained(first: list[str] | None, rest: Iterator[list[str]]) -> Iterator[list[str]]:
    if first is not None:
        yield first
        yield from rest


def _places(mapping: ColumnMapping, header: list[str], width: int) -> dict[str, int]:
    """Find their columns, by name in any case, or by position.

    Raises
    ------
    WholeFile
        The first that is not there, or stands twice.
    """
    names = [cell.lower() for cell in header]
    places = {}
    for ours, theirs in mapping.columns.items():
        if isinstance(theirs, int):
            if theirs > width:
                message = f"is position {theirs}, but the sheet has {width} columns"
                raise WholeFile(message, column=ours, value=str(theirs))
            places[ours] = theirs - 1
            continue
        wanted = clean(theirs).lower()
        if names.count(wanted) > 1:
            message = f"stands {names.count(wanted)} times in the header; give its position"
            raise WholeFile(message, column=theirs, value=theirs)
        if wanted not in names:
            near = get_close_matches(wanted, names, n=1, cutoff=0.6)
            meant = f'did you mean "{header[names.index(near[0])]}"? ' if near else ""
            message = f"is not in the header: {meant}it has {', '.join(header)[:300]}"
            raise WholeFile(message, column=theirs, value=theirs)
        places[ours] = names.index(wanted)
    return places


class _Turner:
    """Turns the cells of one record into those of a lap table."""

    def __init__(self, mapping: ColumnMapping, places: Mapping[str, int], ours: list[str]) -> None:
        words = {
            column: {clean(theirs).casefold(): text for theirs, text in table.items()}
            for column, table in mapping.values.items()
        }

        @lru_cache(maxsize=65_536)  # names and weather repeat from row to row
        def turned(column: str, cell: str) -> tuple[str, str | None]:
            text = clean(cell)
            known = words.get(column, {})
            if text.casefold() in known:
                return known[text.casefold()], None
            if not text:
                return "", None
            try:
                return _turned(column, text, mapping), None
            except BadValue as bad:
                return "", str(bad)

        self._turned = turned
        self._plan = [(column, places.get(column), mapping.fixed.get(column)) for column in ours]

    def turn(self, cells: list[str]) -> tuple[list[str], list[tuple[str, str]]]:
        """Give the cells of the lap table, and what is wrong with which of ours."""
        written, wrong = [], []
        for column, place, fixed in self._plan:
            if place is None:
                written.append(fixed or "")
                continue
            text, message = self._turned(column, cells[place])
            if message is not None:
                wrong.append((column, message))
            written.append(text)
        return written, wrong


def _turned(column: str, text: str, mapping: ColumnMapping) -> str:
    """Turn one text by its kind: dates and times by pattern, quantities by unit."""
    what = BY_NAME[column]
    if column in mapping.units:
        return converted(text, mapping.units[column], what.unit)
    if what.kind is Kind.DATE:
        return read_pattern(mapping.date_format).date_in(text)
    if what.kind is Kind.CLOCK:
        return read_pattern(mapping.time_format).time_in(text)
    if what.kind is Kind.LAP_TIME:
        return plain_time(text)  # which knows more forms than a lap table takes
    return text


def _in_their_words(
    faults: list[Fault], turned: _Turned, mapping: ColumnMapping, copy: Path
) -> list[Fault]:
    """Say the faults of the lap table that was made as faults of the sheet."""
    asked = {fault.row for fault in faults if fault.row is not None}
    cells = _cells_of(asked, mapping, copy) if asked else {}
    told = []
    for fault in faults:
        theirs = turned.theirs.get(fault.column)
        row = fault.row or 0
        if row in turned.broken or (row, theirs) in turned.wrong:
            continue
        if theirs is not None and row in cells:
            text = _shown(clean(cells[row][turned.places[fault.column]]))
            read_as = f" (read as {fault.value})" if text != fault.value else ""
            told.append(replace(fault, column=theirs, value=text, message=fault.message + read_as))
        else:
            fixed = fault.column in mapping.fixed
            told.append(replace(fault, column=f"fixed.{fault.column}") if fixed else fault)
    return told


def _cells_of(rows: set[int], mapping: ColumnMapping, copy: Path) -> dict[int, list[str]]:
    """Read some records once more; only a sheet with faults pays for that."""
    with copy.open(encoding="utf-8", newline="") as text:
        _, _, records = opened(text, mapping)
        return {row: cells for row, cells in enumerate(records, start=1) if row in rows}


def _shown(value: str) -> str:
    one_line = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in value)
    return one_line if len(one_line) <= SHOWN else f"{one_line[:SHOWN]}..."


def _silent(share: float, words: str) -> None:
    """Tell nobody."""
