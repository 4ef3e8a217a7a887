"""The file as people hand it in: a private copy with its digest, and what its header says.

The copy is what is read, so the digest belongs to what was imported even where the file changes
meanwhile. It has no byte-order mark, line ends of one kind and a plain name: DuckDB would take
`laps[1].csv` for a pattern, and refuses mixed line ends.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from benchmark.intake.cells import clean
from benchmark.intake.columns import COLUMNS, NAMES, Column

CHUNK_BYTES = 1 << 20
DELIMITERS = (",", ";", "\t")
LONGEST_RECORD = 1 << 21  # DuckDB's own limit for one line
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
PARQUET_MAGIC = b"PAR1"

# gzip, bzip2, xz, Zstandard, 7z
COMPRESSED = (b"\x1f\x8b", b"BZh", b"\xfd7zX", b"\x28\xb5\x2f\xfd", b"7z\xbc\xaf")
# What people hand in by mistake, by its first bytes.
NOT_A_TABLE = (
    (b"PK\x03\x04", "is a spreadsheet or an archive; save the sheet as CSV UTF-8"),
    (b"\xd0\xcf\x11\xe0", "is a spreadsheet; save the sheet as CSV UTF-8"),
    *((magic, "is compressed; unpack it first") for magic in COMPRESSED),
    (b"%PDF", "is a PDF document; hand in the table as CSV UTF-8"),
    (b"\xff\xfe", "is UTF-16 text; save it as CSV UTF-8"),
    (b"\xfe\xff", "is UTF-16 text; save it as CSV UTF-8"),
)
EMPTY = "is an empty file; hand in a header row and one row a lap"
NO_HEADER = (
    "is no header of a lap table; the first row must name the columns, "
    "such as circuit, date, session, model, build, driver, tyre_category, lap and lap_time"
)


class WholeFile(Exception):
    """Something wrong with the file as a whole: column, value and message of a fault."""

    def __init__(self, message: str, *, column: str = "-", value: str = "") -> None:
        self.column, self.value, self.message = column, value, message
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class Heading:
    """What a header says: where each lap-table column stands (0 is the first), what is not ours."""

    width: int
    places: dict[str, int]
    ignored_columns: list[str]
    faults: list[WholeFile]


def take_copy(path: Path, folder: Path, told: Callable[[float], None]) -> tuple[Path, str]:
    """Copy the file into the folder; give the copy (`.csv` or `.parquet`) and its SHA-256.

    Raises
    ------
    OSError
        The file cannot be read.
    WholeFile
        It is empty, no table, or not UTF-8 text.
    """
    digest = hashlib.sha256()
    with path.open("rb") as original:
        start = original.read(4)
        original.seek(0)
        _refuse_other_forms(start)
        chunks = _hashed(original.read, digest, max(path.stat().st_size, 1), told)
        if start == PARQUET_MAGIC:
            copy = _write(folder / "laps.parquet", chunks)
        else:
            copy = _write(folder / "laps.csv", _without_leading_lines(_one_line_end(_text(chunks))))
    return copy, digest.hexdigest()


def csv_header(copy: Path) -> tuple[str, list[str]]:
    """Give the delimiter of a copied CSV file and the cells of its header.

    Raises
    ------
    WholeFile
        The file has no line, or its header cannot be read.
    """
    found = {delimiter: _first_record(copy, delimiter) for delimiter in DELIMITERS}
    if not found[","]:
        raise WholeFile(EMPTY)
    delimiter = max(DELIMITERS, key=lambda one: len(_known(found[one])))
    return delimiter, found[delimiter]


def heading(header: Iterable[str]) -> Heading:
    """Match the cells of a header with the columns of a lap table, in any order and case.

    Raises
    ------
    WholeFile
        None of them is a column of a lap table.
    """
    cells = [clean(cell) for cell in header]
    names = [cell.lower() for cell in cells]
    if not _known(names):
        raise WholeFile(NO_HEADER, value=",".join(cells))
    ignored = [
        cell or f"column {place} (no name)"
        for place, cell in enumerate(cells, start=1)
        if cell.lower() not in NAMES
    ]
    places = {name: names.index(name) for name in NAMES if name in names}
    return Heading(len(cells), places, ignored, [*_repeated(names), *_missing(names, ignored)])


def _repeated(names: list[str]) -> list[WholeFile]:
    counts = Counter(names)
    return [
        WholeFile(f"stands {counts[name]} times in the header; keep one", column=name, value=name)
        for name in NAMES
        if counts[name] > 1
    ]


def _missing(names: list[str], ignored: list[str]) -> list[WholeFile]:
    return [
        WholeFile(f"is missing; {_remedy(column, ignored)}", column=column.name)
        for column in COLUMNS
        if column.needed and column.name not in names
    ]


def _remedy(column: Column, ignored: list[str]) -> str:
    near = get_close_matches(column.name, [cell.lower() for cell in ignored], n=1, cutoff=0.7)
    for cell in ignored:
        if [cell.lower()] == near:
            return f'if it is "{cell}", name that {column.name}'
    return f"add a column {column.name}: {column.meaning}"


def _known(names: Iterable[str]) -> set[str]:
    return {clean(name).lower() for name in names} & set(NAMES)


def _first_record(copy: Path, delimiter: str) -> list[str]:
    with copy.open(encoding="utf-8", newline="") as text:
        try:
            return next(csv.reader(text, delimiter=delimiter), [])
        except csv.Error:
            raise WholeFile(NO_HEADER) from None


def _refuse_other_forms(start: bytes) -> None:
    if not start:
        raise WholeFile(EMPTY)
    for magic, message in NOT_A_TABLE:
        if start.startswith(magic):
            raise WholeFile(message)


def _hashed(
    read: Callable[[int], bytes],
    digest: hashlib._Hash,
    size: int,
    told: Callable[[float], None],
) -> Iterator[bytes]:
    done = 0
    while chunk := read(CHUNK_BYTES):
        digest.update(chunk)
        done += len(chunk)
        told(min(done / size, 1.0))
        yield chunk


def _text(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Pass the bytes on without a byte-order mark, refusing all that is not UTF-8 text."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    before = 0
    lines = 1
    for chunk in chunks:
        if b"\0" in chunk:
            line = lines + chunk[: chunk.index(b"\0")].count(b"\n")
            raise WholeFile(f"has a NUL byte in line {line}; save it as CSV UTF-8")
        try:
            if not chunk.isascii() or decoder.getstate()[0]:  # else there is nothing to decode
                decoder.decode(chunk)
        except UnicodeDecodeError as error:
            line = lines + error.object[: error.start].count(b"\n")
            value = error.object[error.start : error.start + 1]
            message = f"is not UTF-8 text (line {line}); save it as CSV UTF-8"
            raise WholeFile(message, value=f"0x{value.hex().upper()}") from None
        lines += chunk.count(b"\n")
        yield chunk.removeprefix(BYTE_ORDER_MARK) if before == 0 else chunk
        before += len(chunk)
    _finish(decoder, lines)


def _finish(decoder: codecs.IncrementalDecoder, lines: int) -> None:
    try:
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        raise WholeFile(f"breaks off within a character (line {lines}); copy it again") from None


def _one_line_end(chunks: Iterator[bytes]) -> Iterator[bytes]:
    r"""Turn \r\n and \r into \n, also where a chunk ends between the two."""
    held = b""
    for chunk in chunks:
        if not held and b"\r" not in chunk:
            yield chunk
            continue
        whole = held + chunk
        held = b"\r" if whole.endswith(b"\r") else b""
        yield whole.removesuffix(b"\r").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if held:
        yield b"\n"


def _without_leading_lines(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Drop blank lines before the header: DuckDB would take the first of them for the header."""
    for chunk in chunks:
        rest = chunk.lstrip(b"\n")
        if rest:
            yield rest
            break
    yield from chunks


def _write(copy: Path, chunks: Iterable[bytes]) -> Path:
    with copy.open("wb") as out:
        out.writelines(chunks)
    return copy
