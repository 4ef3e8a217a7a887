"""Laps that lie in Parquet files and are read where they are, such as `laps/**/*.parquet`.

Each file is a lap table whose columns have types of their own; lap times are seconds. A file tells
of itself in its footer, which columns it has and of which types, and one pass over all of them
looks for values that cannot be taken. Nothing is copied and nothing is changed.

A lap counts that is of kind `timed`. Stewards' rulings stand in a store, so a lap that one has
struck counts here; a lap that stands twice counts twice.
"""

from __future__ import annotations

import glob
import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa
import pyarrow.parquet

from benchmark.errors import BadQuestion, Fault, FaultyFile
from benchmark.intake.cells import CONTROL, FIRST_DAY, last_day
from benchmark.intake.checks import what_is_wrong
from benchmark.intake.columns import BY_NAME, COLUMNS, LAP_KEY, NAMES, Column, Kind, stored_name

if TYPE_CHECKING:
    import pandas as pd

MEMORY = "1GB"  # beyond it DuckDB goes on in temporary files
ROWS_NAMED = 20  # of a column of a file; the others are counted
FILES_AT_ONCE = 500  # whose values one query checks
NOT_PLAIN = "is not written as `benchmark export` writes it: trimmed, choices in lower case"
COUNTS = "lap_kind = 'timed' and isfinite(lap_time_s) and lap_time_s > 0"
RULINGS = (
    "rulings of stewards stand in a store and not in these files: a lap that was struck counts here"
)
WORDS = {
    Kind.TEXT: "text",
    Kind.CHOICE: "text",
    Kind.LEVEL: "whole numbers",
    Kind.WHOLE: "whole numbers",
    Kind.QUANTITY: "numbers",
    Kind.DATE: "dates",
    Kind.CLOCK: "text",
    Kind.LAP_TIME: "seconds as numbers (`benchmark export --partitioned` writes them so)",
}
SQL_TYPES = {
    Kind.LEVEL: "integer",
    Kind.WHOLE: "integer",
    Kind.QUANTITY: "double",
    Kind.DATE: "date",
    Kind.LAP_TIME: "double",
}


@dataclass(frozen=True, slots=True)
class LapFolder:
    """The files that a pattern names, each seen to be a lap table.

    Attributes
    ----------
    pattern : as it was given.
    alike : the files, sorted, by the columns of the lap table that they have.
    laps : rows of all files.
    """

    pattern: str
    alike: Mapping[tuple[str, ...], Sequence[str]]
    laps: int

    @property
    def files(self) -> list[str]:
        """Give the paths of all files, sorted."""
        return sorted(file for files in self.alike.values() for file in files)

    @property
    def columns(self) -> tuple[str, ...]:
        """Name the columns of the lap table that any file has, or that have a default."""
        return tuple(
            c.name for c in COLUMNS if c.default or any(c.name in names for names in self.alike)
        )

    def laps_sql(self, names: Collection[str] = NAMES) -> str:
        """Write the query that gives every lap, defaults written out, `lap_time_s` in seconds."""
        cells = [BY_NAME[name] for name in names]
        return "\nunion all\n".join(
            f"select {', '.join(_cell(c, columns) for c in cells)} from {_relation(files)}"
            for columns, files in self.alike.items()
        )

    def files_sql(self, name: str) -> str:
        """Write the query that gives each value of a needed column with each file that has it."""
        further = ", filename = 'file_of_lap'"
        return f"select distinct {name}, file_of_lap from {_relation(self.files, further)}"

    @property
    def counted_sql(self) -> str:
        """Write the query that gives the laps that count: those of kind `timed`."""
        return f"select * from ({self.laps_sql()}) as lap_table where lap_kind = 'timed'"


def look_into(pattern: str) -> LapFolder:
    """Find the files of a pattern, and check their columns and values.

    Parameters
    ----------
    pattern : a path in which `*` stands for any name and `**` for any folders.

    Raises
    ------
    BadQuestion
        No file matches.
    FaultyFile
        Files have faults; each is named by file, row and column.
    """
    named = (name for name in glob.glob(pattern, recursive=True) if Path(name).is_file())
    files = sorted(named)
    if not files:
        hint = "put the pattern between quotation marks, such as 'laps/**/*.parquet'"
        raise BadQuestion(f"no file matches {pattern}: {hint}")
    faults: list[Fault] = []
    alike: dict[tuple[str, ...], list[str]] = {}
    laps = 0
    for file in files:
        columns, rows, found = _columns_of(file)
        laps += rows
        alike.setdefault(columns, []).append(file)
        faults += found
    if not faults:
        with reading() as connection:
            faults = [
                fault
                for columns, same in alike.items()
                for start in range(0, len(same), FILES_AT_ONCE)
                for fault in _faults_of_values(
                    connection, same[start : start + FILES_AT_ONCE], columns
                )
            ]
    if faults:
        raise FaultyFile(sorted(faults, key=_place))
    return LapFolder(pattern, alike, laps)


def _place(fault: Fault) -> tuple[str, bool, int]:
    """Where a fault stands: those of no row come after the rows of their file."""
    return fault.file, fault.row is None, fault.row or 0


@contextmanager
def reading() -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a database in memory that reads files and keeps to its limit of memory."""
    with (
        tempfile.TemporaryDirectory(prefix="laps-") as spill,
        duckdb.connect(config={"memory_limit": MEMORY, "temp_directory": spill}) as connection,
    ):
        connection.execute("set enable_progress_bar = false")
        connection.execute("set preserve_insertion_order = false")  # no order is promised
        yield connection


def counted_laps(folder: LapFolder) -> pd.DataFrame:
    """Give the laps that count, all at once, in the columns of `Store.counted_laps`."""
    order = ", ".join(LAP_KEY)
    with reading() as connection:
        laps = connection.sql(f"{folder.counted_sql} order by {order}").to_arrow_table()
    frame: pd.DataFrame = laps.to_pandas()
    return frame


def _relation(files: Sequence[str], further: str = "") -> str:
    listed = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
    options = f"union_by_name = true, hive_partitioning = false{further}"  # in any order
    return f"read_parquet([{listed}], {options})"


def _cell(column: Column, known: Sequence[str]) -> str:
    name = column.name
    if name in known:
        typed = f"cast({name} as {SQL_TYPES.get(column.kind, 'varchar')})"
        text = f"coalesce({typed}, {_value(column, column.default)})" if column.default else typed
    else:
        value = column.default if column.absent is None else column.absent
        text = _value(column, value)
    return f"{text} as {stored_name(name)}"


def _value(column: Column, value: str | None) -> str:
    kind = SQL_TYPES.get(column.kind, "varchar")
    return f"cast(null as {kind})" if value is None else f"cast('{value}' as {kind})"


def _columns_of(file: str) -> tuple[tuple[str, ...], int, list[Fault]]:
    """Read in the footer of a file which columns of ours it has, its rows, and what is wrong."""
    try:
        footer = pa.parquet.read_metadata(file)
        schema = footer.schema.to_arrow_schema()
    except (pa.ArrowException, OSError, ValueError) as error:
        first_line = (str(error) or type(error).__name__).splitlines()[0]
        return (), 0, [Fault(file, None, "-", "", f"is no Parquet file: {first_line}")]
    columns = tuple(name for name in BY_NAME if name in schema.names)
    faults = [
        Fault(file, None, c.name, "", f"is missing; add a column {c.name}: {c.meaning}")
        for c in COLUMNS
        if c.needed and c.name not in columns
    ]
    for name in columns:
        if schema.names.count(name) > 1:
            faults.append(Fault(file, None, name, name, "stands more than once; keep one"))
        elif not _fits(BY_NAME[name].kind, schema.field(name).type):
            held = f"holds {schema.field(name).type} values"
            message = f"{held}; it must hold {WORDS[BY_NAME[name].kind]}"
            faults.append(Fault(file, None, name, name, message))
    return columns, footer.num_rows, faults


def _fits(kind: Kind, held: pa.DataType) -> bool:
    plain = held.value_type if pa.types.is_dictionary(held) else held
    number = pa.types.is_integer(plain) or pa.types.is_floating(plain)
    if pa.types.is_null(plain):
        return True
    if kind in (Kind.LEVEL, Kind.WHOLE):
        return pa.types.is_integer(plain)
    if kind in (Kind.QUANTITY, Kind.LAP_TIME):
        return number or pa.types.is_decimal(plain)
    if kind is Kind.DATE:
        return pa.types.is_date(plain)
    return pa.types.is_string(plain) or pa.types.is_large_string(plain)


def _faults_of_values(
    connection: duckdb.DuckDBPyConnection, files: Sequence[str], names: Sequence[str]
) -> list[Fault]:
    """Look at every value once; name those that cannot be taken."""
    columns = [BY_NAME[name] for name in names]
    flags = ", ".join(f"count(*) filter ({_bad(c)})" for c in columns)
    relation = _relation(files, ", filename = 'file_of_lap'")
    rows = connection.execute(
        f"select file_of_lap, {flags} from {relation} group by file_of_lap"
    ).fetchall()
    return [
        fault
        for file, *counts in rows
        for column, count in zip(columns, counts, strict=True)
        if count
        for fault in _faults_of_column(connection, file, column, count)
    ]


def _faults_of_column(
    connection: duckdb.DuckDBPyConnection, file: str, column: Column, count: int
) -> list[Fault]:
    """Name the first rows of a file in which a column cannot be taken, and how many more."""
    rows = connection.execute(
        f"""
        select file_row_number + 1, cast({column.name} as varchar)
        from {_relation([file], ", file_row_number = true")}
        where {_bad(column)}
        order by 1
        limit {ROWS_NAMED}
        """
    ).fetchall()
    faults = [
        Fault(file, row, column.name, value or "", _wrong(column, value)) for row, value in rows
    ]
    if count > len(rows):
        more = count - len(rows)
        message = f"{more:,} more {'row' if more == 1 else 'rows'} cannot be taken"
        faults.append(Fault(file, None, column.name, "", message))
    return faults


def _wrong(column: Column, value: str | None) -> str:
    return what_is_wrong(column.name, value or "") or NOT_PLAIN


def _bad(column: Column) -> str:
    """Write the condition of a value that cannot be taken."""
    name = column.name
    bad = f"not ({_good(column)})"
    return f"{name} is null or {bad}" if column.needed else f"{name} is not null and {bad}"


def _good(column: Column) -> str:
    name = column.name
    if column.kind is Kind.TEXT:
        plain = f"{name} = trim(nfc_normalize({name})) and {name} <> ''"
        control = f"regexp_matches({name}, '{CONTROL}')"
        return f"{plain} and length({name}) <= {column.high:g} and not {control}"
    if column.kind is Kind.CHOICE:
        return " or ".join(f"{name} = '{choice}'" for choice in column.choices)
    if column.kind is Kind.DATE:
        return f"{name} between date '{FIRST_DAY}' and date '{last_day()}'"
    if column.kind is Kind.CLOCK:
        return f"regexp_full_match({name}, '([01][0-9]|2[0-3]):[0-5][0-9]')"
    return f"{name} between {column.low!r} and {column.high!r}"
