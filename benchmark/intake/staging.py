"""A copied file as a relation of cells, and the staging table made of it.

The staging table holds every row of a file as trimmed text under the lap table's column names.
Row 1 is the first record after the header; blank lines are not counted, nor lines that hold
nothing but separators, as spreadsheets leave them behind.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet

from benchmark.intake.cells import clean_sql
from benchmark.intake.columns import COLUMNS, Column, Kind
from benchmark.intake.formulas import unguarded_sql
from benchmark.intake.source import LONGEST_RECORD, Heading, WholeFile, csv_header, heading

MEMORY = "1GB"  # beyond it DuckDB goes on in temporary files
SMALL_BYTES = 1 << 24  # a database in memory opens sooner than one in a file
NESTED = ("STRUCT", "MAP", "UNION", "BLOB", "]")


@dataclass(frozen=True, slots=True)
class Cells:
    """A copied file as DuckDB reads it: its heading, the SQL that gives rows, that of each cell.

    `relation` refuses the file at a broken row; `tolerant` leaves such rows out and notes them.
    `delimiter` is that of a CSV file, None for Parquet.
    """

    copy: Path
    heading: Heading
    relation: str
    tolerant: str
    raw: list[str]
    delimiter: str | None = None

    @property
    def texts(self) -> list[str]:
        """Give the SQL of each cell as text; a CSV file has nothing else."""
        return self.raw if self.delimiter else [f"cast({cell} as varchar)" for cell in self.raw]


@dataclass(frozen=True, slots=True)
class Staged:
    """What was staged: the heading, and the rows that have no cells, with what is wrong."""

    heading: Heading
    broken_rows: dict[int, WholeFile]


def staging_connection(folder: Path, copy: Path) -> duckdb.DuckDBPyConnection:
    """Open a database that can read that one copied file, and nothing else outside the folder."""
    config: dict[str, str | bool | int | float | list[str]] = {
        "memory_limit": MEMORY,
        "temp_directory": str(folder / "spill"),
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
    }
    small = copy.stat().st_size < SMALL_BYTES
    database = ":memory:" if small else str(folder / "staging.duckdb")
    connection = duckdb.connect(database, config=config)
    allowed = str(copy).replace("'", "''")
    # In this order: each line closes a door that the next one does not need.
    connection.execute("set enable_progress_bar = false")
    connection.execute(f"set allowed_paths = ['{allowed}']")
    connection.execute("set enable_external_access = false")
    connection.execute("set lock_configuration = true")
    return connection


def look_at(connection: duckdb.DuckDBPyConnection, copy: Path) -> Cells:
    """Say how the copied file is read; only its header is looked at.

    Raises
    ------
    WholeFile
        The file as a whole cannot be read as a lap table.
    """
    try:
        return _parquet_cells(connection, copy) if copy.suffix == ".parquet" else _csv_cells(copy)
    except duckdb.Error as error:
        raise unreadable(error) from error


def _csv_cells(copy: Path) -> Cells:
    delimiter, header = csv_header(copy)
    head = heading(header)
    # Columns are named by their place: a name could stand twice, and DuckDB guesses nothing here.
    names = [f"c{place}" for place in range(head.width)]
    columns = ", ".join(f"'{name}': 'varchar'" for name in names)
    options = f"""delim = '{delimiter}', columns = {{{columns}}}, header = true,
        auto_detect = false, quote = '"', escape = '"', strict_mode = true,
        max_line_size = {LONGEST_RECORD}"""
    relation = f"read_csv({_literal(copy)}, {options})"
    tolerant = f"read_csv({_literal(copy)}, {options}, store_rejects = true)"
    return Cells(copy, head, relation, tolerant, names, delimiter)


def _parquet_cells(connection: duckdb.DuckDBPyConnection, copy: Path) -> Cells:
    head = heading(_parquet_header(copy))
    described = connection.execute("describe from read_parquet(?)", [str(copy)]).fetchall()
    for name, place in head.places.items():
        kind = str(described[place][1])
        if kind.startswith(NESTED) or kind.endswith(NESTED):
            message = f"holds {kind} values; write one plain value a row"
            raise WholeFile(message, column=name, value=name)
    names = [f"c{place}" for place in range(head.width)]
    relation = (
        f"read_parquet({_literal(copy)}, file_row_number = true) "
        f"as record({', '.join(names)}, file_row_number)"
    )
    return Cells(copy, head, relation, relation, names)


def _literal(path: Path) -> str:
    text = str(path).replace("'", "''")
    return f"'{text}'"


def stage(connection: duckdb.DuckDBPyConnection, cells: Cells) -> Staged:
    """Fill table `staged` (row, then the columns as text) from the copied file.

    Raises
    ------
    WholeFile
        The file as a whole cannot be read as a lap table.
    """
    try:
        return (_stage_csv if cells.delimiter else _stage_parquet)(connection, cells)
    except duckdb.Error as error:
        raise unreadable(error) from error


def _stage_csv(connection: duckdb.DuckDBPyConnection, cells: Cells) -> Staged:
    head = cells.heading
    connection.execute(
        f"""
        create table staged as
        select cast(row_number() over () as integer) as row, {texts_sql(cells)}
        from {cells.tolerant}
        where coalesce({", ".join(cells.raw)}) is not null
        """
    )
    lines = connection.execute("select line, min(error_type) from reject_errors group by line")
    refused = {line: str(kind) for line, kind in lines.fetchall()}
    broken = _renumber(connection, cells, refused) if refused else {}
    return Staged(head, broken)


def _stage_parquet(connection: duckdb.DuckDBPyConnection, cells: Cells) -> Staged:
    connection.execute(
        f"""
        create table staged as
        select cast(file_row_number + 1 as integer) as row, {texts_sql(cells)}
        from {cells.relation}
        """
    )
    return Staged(cells.heading, {})


def _parquet_header(copy: Path) -> list[str]:
    try:
        return list(pyarrow.parquet.read_schema(copy).names)
    except (pa.ArrowException, OSError, ValueError) as error:  # OSError is a damaged file here
        raise unreadable(error) from error


def unreadable(error: Exception) -> WholeFile:
    """Say that the file cannot be read, in the first line of what the reader said."""
    first_line = (str(error) or type(error).__name__).splitlines()[0]
    return WholeFile(f"cannot be read: {first_line}")


def texts_sql(cells: Cells, columns: Iterable[Column] = COLUMNS) -> str:
    """Write the select list of trimmed texts; an absent column means its default, or NULL."""
    texts = []
    for column in columns:
        if column.name in cells.heading.places:
            cell = cells.texts[cells.heading.places[column.name]]
            text = clean_sql(cell)
            if cells.delimiter and column.kind is Kind.TEXT:
                text = unguarded_sql(cell, text)
        else:
            value = column.default if column.absent is None else column.absent
            text = "cast(null as varchar)" if value is None else f"'{value}'"
        texts.append(f"{text} as {column.name}")
    return ",\n".join(texts)


def _renumber(
    connection: duckdb.DuckDBPyConnection, cells: Cells, refused: Mapping[int, str]
) -> dict[int, WholeFile]:
    """Give the broken rows, and the staged ones the numbers that they have with these counted.

    DuckDB names a refused record by its line, in which a record over several lines is one and
    blank lines count. So the records are walked once more; only a faulty file pays for that.
    """
    numbers: list[int] = []
    broken: dict[int, WholeFile] = {}
    row = 0
    csv.field_size_limit(LONGEST_RECORD)
    delimiter = cells.delimiter or ","
    with cells.copy.open(encoding="utf-8", newline="") as text:
        for line, record in enumerate(csv.reader(text, delimiter=delimiter), start=1):
            if line == 1 or not any(record) or (len(record) == 1 and not record[0].strip()):
                continue
            row += 1
            if line in refused:
                width = cells.heading.width
                broken[row] = _what_is_broken(refused[line], record, delimiter, width)
            else:
                numbers.append(row)
    renumbered = pa.table({"staged_as": range(1, len(numbers) + 1), "row": numbers})
    connection.register("renumbered", renumbered)
    connection.execute(
        "update staged set row = renumbered.row from renumbered where staged.row = staged_as"
    )
    connection.unregister("renumbered")
    return broken


def _what_is_broken(kind: str, record: list[str], delimiter: str, width: int) -> WholeFile:
    value = delimiter.join(record)
    if kind == "UNQUOTED VALUE":
        message = "has a quotation mark that is not closed or stands inside a cell; double it there"
    else:
        message = f"has {len(record)} fields, the header {width}; correct the row"
        if len(record) > width:
            message += ", and put a cell that holds the separator between quotation marks"
    return WholeFile(message, value=value)
