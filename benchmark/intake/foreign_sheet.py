"""A foreign sheet as text in columns: a UTF-8 copy of it, its header and its records."""

from __future__ import annotations

import csv
import hashlib
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from benchmark.intake.cells import clean
from benchmark.intake.mapping import ColumnMapping
from benchmark.intake.source import DELIMITERS, EMPTY, LONGEST_RECORD, WholeFile, take_copy

Report = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The head of a foreign sheet: how it is split, the names of its columns, some records."""

    delimiter: str
    header: list[str]
    records: list[list[str]]


def look_at_sheet(path: Path, mapping: ColumnMapping | None = None, rows: int = 8) -> Sheet:
    """Read the head of a foreign sheet, to show its columns.

    Raises
    ------
    WholeFile
        It cannot be read as text in columns.
    OSError
        The file cannot be read.
    """
    how = mapping or ColumnMapping({})
    with tempfile.TemporaryDirectory(prefix="mapped-") as folder:
        copy, _ = utf8_copy(path, Path(folder), how.encoding, lambda *_: None)
        with copy.open(encoding="utf-8", newline="") as text:
            delimiter, header, records = opened(text, how)
            found = [cells for cells, _ in zip(records, range(rows), strict=False)]
    width = len(found[0]) if found else 0
    return Sheet(delimiter, header or [f"column {n + 1}" for n in range(width)], found)


def utf8_copy(path: Path, folder: Path, encoding: str, told: Report) -> tuple[Path, str]:
    """Copy the sheet as UTF-8, with the digest of what was handed in."""
    if encoding != "utf-8":
        return _recoded(path, folder, encoding)
    copy, digest = take_copy(path, folder, lambda done: told(0.1 * done, f"reading {path.name}"))
    if copy.suffix == ".parquet":
        raise WholeFile("is Parquet; a mapping reads CSV, so save the sheet as CSV UTF-8")
    return copy.rename(folder / "sheet.csv"), digest


def _recoded(path: Path, folder: Path, encoding: str) -> tuple[Path, str]:
    """Write text of another encoding as UTF-8; the digest is that of the file as it was."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    plain = folder / "plain.csv"
    try:
        with (
            path.open(encoding=encoding, newline="") as text,
            plain.open("w", encoding="utf-8", newline="") as out,
        ):
            while chunk := text.read(1 << 20):
                out.write(chunk)
    except (UnicodeError, LookupError):
        raise WholeFile(f"is not {encoding} text; correct the mapping's encoding") from None
    copy, _ = take_copy(plain, folder, lambda _: None)
    if copy.suffix == ".parquet":
        raise WholeFile("is Parquet; a mapping reads CSV, so save the sheet as CSV UTF-8")
    return copy.rename(folder / "sheet.csv"), digest


def opened(text: TextIO, mapping: ColumnMapping) -> tuple[str, list[str], Iterator[list[str]]]:
    """Give delimiter, header and records of an opened sheet; blank records are left out."""
    csv.field_size_limit(LONGEST_RECORD)
    start, first = 0, ""
    for _ in range(max(mapping.header_line, 1)):  # lines that hold something
        first = "\n"
        while first and not first.strip():
            start = text.tell()
            first = text.readline(LONGEST_RECORD)
    if not first:
        line = mapping.header_line
        raise WholeFile(EMPTY if line <= 1 else f"has no line {line}, where the header should be")
    delimiter = mapping.delimiter or max(DELIMITERS, key=first.count)
    text.seek(start)
    records = _records(csv.reader(text, delimiter=delimiter, strict=False))
    header = next(records, []) if mapping.header_line else []
    return delimiter, [clean(cell) for cell in header], records


def _records(reader: Iterator[list[str]]) -> Iterator[list[str]]:
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise WholeFile(f"cannot be split into records: {error}") from None
        if any(clean(cell) for cell in cells):
            yield cells
