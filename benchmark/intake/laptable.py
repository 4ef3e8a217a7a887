"""Lap tables, CSV or Parquet: what can be taken of a file, and every fault of it.

A lap is identified by circuit, layout, date, session, build, run and lap. What some rows of a run
say of weather, specification, tyre and driver holds for the whole run; a repeated lap that says
nothing else is counted once.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import duckdb
import pandas as pd
import pyarrow as pa

from benchmark.errors import Fault
from benchmark.intake.cells import ROUNDED, SQL_TYPES
from benchmark.intake.checks import SCOPES, cell_findings, disagreements, read_cells
from benchmark.intake.columns import COLUMNS, LAP_KEY, NAMES, RUN_KEY, Column, FactOf, stored_name
from benchmark.intake.query import interruptible
from benchmark.intake.source import WholeFile, take_copy
from benchmark.intake.staging import stage, staging_connection

__all__ = ["COLUMNS", "Column", "LapFile", "read_lap_table"]

Progress: TypeAlias = Callable[[float, str], None]
SHOWN = 80  # characters of a cell that a fault shows
BATCH_ROWS = 100_000


@dataclass(frozen=True, slots=True)
class LapFile:
    """What was read of a lap table.

    `table` holds the rows without a fault, facts of a run filled in and defaults written out, under
    the contract's names (`lap_time` is `lap_time_s`, a decimal with four places), after the row
    number. Nothing of a file with faults may be kept; see `faults`.
    """

    path: Path
    name: str
    sha256: str
    table: pa.Table
    faults: list[Fault] = field(default_factory=list)
    ignored_columns: list[str] = field(default_factory=list)
    rounded: int = 0
    repeated: int = 0

    @property
    def laps(self) -> pd.DataFrame:
        """The rows without a fault, one row a lap, indexed by the file's row number."""
        laps: pd.DataFrame = self.table.to_pandas()
        return laps.set_index("row")


def read_lap_table(
    path: Path, *, name: str | None = None, progress: Progress | None = None
) -> LapFile:
    """Read a lap table, CSV or Parquet by what it holds, with every fault of it.

    Parameters
    ----------
    path : the file.
    name : what the file is called in faults and in the store's record; its own name by default.
    progress : is told the share done (0 to 1) and what is being done.

    Raises
    ------
    OSError
        The file cannot be read. Everything else that is wrong with it is in `faults`.
    """
    path = Path(path)
    name = path.name if name is None else name
    told = progress or _silent
    with tempfile.TemporaryDirectory(prefix="laptable-") as folder:
        sha256 = ""
        try:
            copy, sha256 = take_copy(
                path, Path(folder), lambda done: told(0.15 * done, f"reading {name}")
            )
            with staging_connection(Path(folder), copy) as connection:
                return interruptible(
                    connection, lambda: _read(connection, path, name, copy, sha256, told)
                )
        except WholeFile as whole:
            fault = _whole_fault(name, whole)
            return LapFile(path, name, sha256, _empty_table(), [fault])


def _read(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    name: str,
    copy: Path,
    sha256: str,
    told: Progress,
) -> LapFile:
    told(0.15, f"splitting {name}")
    staged = stage(connection, copy)
    head = staged.heading
    checked = {c.name for c in COLUMNS if c.name in head.places or not c.needed}
    faults = [_whole_fault(name, whole) for whole in head.faults]
    faults += [
        Fault(name, row, whole.column, _shown(whole.value), whole.message)
        for row, whole in staged.broken_rows.items()
    ]
    told(0.4, f"checking {name}")
    read_cells(connection, checked)
    found = list(cell_findings(connection, checked))
    for step, scope in enumerate(SCOPES):
        told(0.6 + 0.07 * step, f"comparing the rows of each {scope.thing}")
        found += disagreements(connection, scope)
    faults += [Fault(name, f.row, f.column, _shown(f.value), f.message) for f in found]
    told(0.9, f"collecting the laps of {name}")
    taken, table = _laps(connection, {finding.row for finding in found})
    told(1.0, f"read {name}")
    return LapFile(
        path,
        name,
        sha256,
        table,
        sorted(faults, key=_place),
        head.ignored_columns,
        _count(connection, f"from staged where regexp_matches(lap_time, '{ROUNDED}')"),
        taken - table.num_rows,
    )


def _laps(connection: duckdb.DuckDBPyConnection, faulty_rows: set[int]) -> tuple[int, pa.Table]:
    """Give the number of rows without a fault, and the laps that they tell of."""
    connection.register("faulty", pa.table({"row": pa.array(sorted(faulty_rows), pa.int32())}))
    known = " and ".join(f"{column} is not null" for column in LAP_KEY)
    connection.execute(
        f"""
        create table good as
        from typed where not suspect and {known} and row not in (select row from faulty)
        """
    )
    connection.execute(f"create table run as {_filled('good', RUN_KEY, FactOf.RUN)}")
    connection.execute(f"create table session as {_filled('good', RUN_KEY[:4], FactOf.SESSION)}")
    connection.execute(f"create table lap as {_filled('good', LAP_KEY, FactOf.LAP)}")
    columns = ", ".join(stored_name(name) for name in NAMES)
    laps = connection.sql(
        f"""
        select row, {columns}
        from lap
        join run using ({", ".join(RUN_KEY)})
        join session using ({", ".join(RUN_KEY[:4])})
        order by row
        """
    )
    return _count(connection, "from good"), _encoded(laps)


def _filled(table: str, key: tuple[str, ...], fact_of: FactOf) -> str:
    """Write SQL for one row a run, session or lap, with what any of its rows says."""
    facts = [stored_name(c.name) for c in COLUMNS if c.fact_of is fact_of]
    if fact_of is FactOf.LAP:
        facts.append("model")
    said = ", ".join(f"max({fact}) as {fact}" for fact in facts)
    row = "min(row) as row, " if fact_of is FactOf.LAP else ""
    return f"select {row}{', '.join(key)}, {said} from {table} group by all"


def _encoded(laps: duckdb.DuckDBPyRelation) -> pa.Table:
    """Fetch in batches, each text kept once a batch: names repeat thousands of times."""
    reader = laps.to_arrow_reader(BATCH_ROWS)
    batches = [_encoded_batch(batch) for batch in reader]
    return pa.Table.from_batches(batches) if batches else _empty_table()


def _encoded_batch(batch: pa.RecordBatch) -> pa.RecordBatch:
    columns = [
        column.dictionary_encode() if pa.types.is_string(column.type) else column
        for column in batch.columns
    ]
    return pa.RecordBatch.from_arrays(columns, names=batch.schema.names)


def _empty_table() -> pa.Table:
    types = {
        "varchar": pa.dictionary(pa.int32(), pa.string()),
        "integer": pa.int32(),
        "double": pa.float64(),
        "date": pa.date32(),
        "decimal(9, 4)": pa.decimal128(9, 4),
    }
    fields = [(stored_name(c.name), types[SQL_TYPES[c.kind]]) for c in COLUMNS]
    return pa.schema([("row", pa.int32()), *fields]).empty_table()


def _count(connection: duckdb.DuckDBPyConnection, what: str) -> int:
    return int(connection.execute(f"select count(*) {what}").fetchall()[0][0])


def _whole_fault(name: str, whole: WholeFile) -> Fault:
    return Fault(name, None, whole.column, _shown(whole.value), whole.message)


def _place(fault: Fault) -> tuple[int, int]:
    column = NAMES.index(fault.column) if fault.column in NAMES else -1
    return (fault.row or 0, column)


def _shown(value: str) -> str:
    """Write a cell on one line, and shorten a long one."""
    one_line = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in value)
    return one_line if len(one_line) <= SHOWN else f"{one_line[:SHOWN]}..."


def _silent(share: float, words: str) -> None:
    """Tell nobody."""
