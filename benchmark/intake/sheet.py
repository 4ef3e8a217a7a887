"""A small CSV file with a header, such as costs or hourly weather: its records as text."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from benchmark.errors import BadValue, Fault, FaultyFile
from benchmark.intake.cells import clean
from benchmark.intake.source import DELIMITERS

LARGEST_BYTES = 1_000_000  # a table that people write by hand is far smaller

Record = dict[str, str]
Value = TypeVar("Value")


class Faults:
    """Gathers the faults of one file, so that whoever mends it sees all of them."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.found: list[Fault] = []

    def add(self, row: int | None, column: str, value: str, message: str) -> None:
        """Note one fault."""
        self.found.append(Fault(self.file, row, column, value, message))

    def read(
        self, row: int, column: str, record: Record, reader: Callable[[str], Value]
    ) -> Value | None:
        """Read one cell; where it cannot be taken, note why and give None."""
        text = record.get(column, "")
        try:
            return reader(text)
        except BadValue as error:
            self.add(row, column, text, str(error))
            return None

    def raise_if_any(self) -> None:
        """Refuse the file where it has faults.

        Raises
        ------
        FaultyFile
            With all of them.
        """
        if self.found:
            raise FaultyFile(self.found)


def read_sheet(path: Path, needed: Sequence[str], optional: Sequence[str]) -> list[Record]:
    """Read the records of a small CSV file (UTF-8; comma, semicolon or tab), names in lower case.

    Parameters
    ----------
    needed, optional : names of columns; others are not looked at.

    Returns
    -------
    One dict a record, blank lines left out, cells trimmed; a column that is absent is left out.

    Raises
    ------
    FaultyFile
        The file cannot be read, has no record, lacks a needed column or has a ragged record.
    """
    faults = Faults(path.name)
    lines = [line for line in _text(path, faults).splitlines() if line.strip()]
    faults.raise_if_any()
    if not lines:
        faults.add(None, "-", "", f"is empty; write a header: {','.join([*needed, *optional])}")
    faults.raise_if_any()
    delimiter = max(DELIMITERS, key=lines[0].count)
    header, *rows = _records(lines, delimiter, faults)
    names = [clean(name).lower() for name in header]
    for column in needed:
        if column not in names:
            faults.add(None, column, "", "is missing from the header; add this column")
    if not rows:
        faults.add(None, "-", "", "has a header but no record; add a row")
    for number, cells in enumerate(rows, start=1):
        if len(cells) != len(names):
            message = f"has {len(cells)} cells, the header has {len(names)}; correct the row"
            faults.add(number, "-", delimiter.join(cells), message)
    faults.raise_if_any()
    known = {*needed, *optional}
    return [
        {name: clean(cell) for name, cell in zip(names, cells, strict=True) if name in known}
        for cells in rows
    ]


def _records(lines: list[str], delimiter: str, faults: Faults) -> list[list[str]]:
    try:
        return list(csv.reader(lines, delimiter=delimiter))
    except csv.Error as error:  # a quotation mark that is never closed makes one endless cell
        faults.add(None, "-", "", f"cannot be read: {error}; look for an open quotation mark")
        raise FaultyFile(faults.found) from error


def _text(path: Path, faults: Faults) -> str:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            faults.add(
                None, "-", "", f"is larger than {LARGEST_BYTES:,} bytes; is it another file?"
            )
            return ""
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        faults.add(None, "-", "", f"cannot be read: {error.strerror or error}")
    except UnicodeDecodeError:
        faults.add(None, "-", "", "is not UTF-8 text; save it as CSV UTF-8")
    return ""
