"""The staging table: every row of a file as trimmed text under the lap table's column names.

Row 1 is the first record after the header; blank lines are not counted, nor lines that hold
nothing but separators, as spreadsheets leave them behind.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet

from benchmark.intake.cells import clean_sql
from benchmark.intake.columns import COLUMNS
from benchmark.intake.source import LONGEST_RECORD, Heading, WholeFile, csv_header, heading

MEMORY = "1GB"  # beyond it DuckDB goes on in temporary files
SMALL_BYTES = 1 << 24  # a database in memory opens sooner than one in a file
NESTED = ("STRUCT", "MAP", "UNION", "BLOB", "]")


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


def stage(connection: duckdb.DuckDBPyConnection, copy: Path) -> Staged:
    """Fill table `staged` (row, then the columns as text) from the copied file.

    Raises
    ------
    WholeFile
        The file as a whole cannot be read as a lap table.
    """
    try:
        if copy.suffix == ".parquet":
            return _stage_parquet(connection, copy)
        return _stage_csv(connection, copy)
    except duckdb.Error as error:
        raise _unreadable(error) from error


def _stage_csv(connection: duckdb.DuckDBPyConnection, copy: Path) -> Staged:
    delimiter, header = csv_header(copy)
    head = heading(header)
    cells = [f"c{place}" for place in range(head.width)]
    columns = ", ".join(f"'{cell}': 'varchar'" for cell in cells)
    # Columns are named by their place: a name could stand twice, and DuckDB guesses nothing here.
    connection.execute(
        f"""
        create table staged as
        select cast(row_number() over () as integer) as row, {_texts(head, cells)}
        from read_csv(?, delim = ?, columns = {{{columns}}}, header = true, auto_detect = false,
            quote = '"', escape = '"', strict_mode = true, store_rejects = true,
            max_line_size = {LONGEST_RECORD})
        where coalesce({", ".join(cells)}) is not null
        """,
        [str(copy), delimiter],
    )
    lines = connection.execute("select line, min(error_type) from reject_errors group by line")
    refused = {line: str(kind) for line, kind in lines.fetchall()}
    broken = _renumber(connection, copy, delimiter, refused, head.width) if refused else {}
    return Staged(head, broken)


def _stage_parquet(connection: duckdb.DuckDBPyConnection, copy: Path) -> Staged:
    head = heading(_parquet_header(copy))
    described = connection.execute("describe from read_parquet(?)", [str(copy)]).fetchall()
    for name, place in head.places.items():
        kind = str(described[place][1])
        if kind.startswith(NESTED) or kind.endswith(NESTED):
            message = f"holds {kind} values; write one plain value a row"
            raise WholeFile(message, column=name, value=name)
    cells = [f"c{place}" for place in range(head.width)]
    texts = [f"cast({cell} as varchar)" for cell in cells]
    connection.execute(
        f"""
        create table staged as
        select cast(file_row_number + 1 as integer) as row, {_texts(head, texts)}
        from read_parquet(?, file_row_number = true) as record({", ".join(cells)}, file_row_number)
        """,
        [str(copy)],
    )
    return Staged(head, {})


def _parquet_header(copy: Path) -> list[str]:
    try:
        return list(pyarrow.parquet.read_schema(copy).names)
    except (pa.ArrowException, OSError, ValueError) as error:  # OSError is a damaged file here
        raise _unreadable(error) from error


def _unreadable(error: Exception) -> WholeFile:
    first_line = (str(error) or type(error).__name__).splitlines()[0]
    return WholeFile(f"cannot be read: {first_line}")


def _texts(head: Heading, cells: list[str]) -> str:
    """Write the select list of trimmed texts; an absent column means its default, or NULL."""
    texts = []
    for column in COLUMNS:
        if column.name in head.places:
            text = clean_sql(cells[head.places[column.name]])
        else:
            value = column.default if column.absent is None else column.absent
            text = "cast(null as varchar)" if value is None else f"'{value}'"
        texts.append(f"{text} as {column.name}")
    return ",\n".join(texts)


def _renumber(
    connection: duckdb.DuckDBPyConnection,
    copy: Path,
    delimiter: str,
    refused: Mapping[int, str],
    width: int,
) -> dict[int, WholeFile]:
    """Give the broken rows, and the staged ones the numbers that they have with these counted.

    DuckDB names a refused record by its line, in which a record over several lines is one and
    blank lines count. So the records are walked once more; only a faulty file pays for that.
    """
    numbers: list[int] = []
    broken: dict[int, WholeFile] = {}
    row = 0
    csv.field_size_limit(LONGEST_RECORD)
    with copy.open(encoding="utf-8", newline="") as text:
        for line, cells in enumerate(csv.reader(text, delimiter=delimiter), start=1):
            if line == 1 or not any(cells) or (len(cells) == 1 and not cells[0].strip()):
                continue
            row += 1
            if line in refused:
                broken[row] = _what_is_broken(refused[line], cells, delimiter, width)
            else:
                numbers.append(row)
    renumbered = pa.table({"staged_as": range(1, len(numbers) + 1), "row": numbers})
    connection.register("renumbered", renumbered)
    connection.execute(
        "update staged set row = renumbered.row from renumbered where staged.row = staged_as"
    )
    connection.unregister("renumbered")
    return broken


def _what_is_broken(kind: str, cells: list[str], delimiter: str, width: int) -> WholeFile:
    value = delimiter.join(cells)
    if kind == "UNQUOTED VALUE":
        message = "has a quotation mark that is not closed or stands inside a cell; double it there"
    else:
        message = f"has {len(cells)} fields, the header {width}; correct the row"
        if len(cells) > width:
            message += ", and put a cell that holds the separator between quotation marks"
    return WholeFile(message, value=value)
