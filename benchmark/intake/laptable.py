"""Lap tables, CSV or Parquet: what can be taken of a file, and every fault of it.

A lap is identified by circuit, layout, date, session, build, run and lap. What some rows of a run
say of weather, specification, tyre and driver holds for the whole run; a repeated lap that says
nothing else is counted once.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, TypeAlias

import duckdb
import pyarrow as pa

from benchmark.errors import Fault
from benchmark.intake.cells import rounded_sql
from benchmark.intake.checks import (
    BUILD,
    LAP,
    RUN,
    SCOPES,
    SESSION,
    cell_findings,
    disagreements,
    read_cells,
)
from benchmark.intake.columns import (
    BY_NAME,
    COLUMNS,
    LAP_KEY,
    NAMES,
    RUN_KEY,
    Column,
    Kind,
    stored_name,
)
from benchmark.intake.query import interruptible
from benchmark.intake.quick import read_quickly
from benchmark.intake.source import WholeFile, take_copy
from benchmark.intake.spool import TEXT, spooled_rows
from benchmark.intake.staging import Cells, look_at, stage, staging_connection

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "Column", "LapFile", "read_lap_table"]

Progress: TypeAlias = Callable[[float, str], None]
SHOWN = 80  # characters of a cell that a fault shows
ARROW_TYPES = {
    Kind.TEXT: TEXT,
    Kind.CHOICE: TEXT,
    Kind.LEVEL: pa.int32(),
    Kind.WHOLE: pa.int32(),
    Kind.QUANTITY: pa.float64(),
    Kind.DATE: pa.date32(),
    Kind.CLOCK: TEXT,
    Kind.LAP_TIME: pa.decimal128(9, 4),
}


@dataclass(frozen=True, slots=True)
class LapFile:
    """What was read of a lap table: the rows without a fault, and the faults.

    `runs` has one row a run with its facts and those of its session and build (`run_no`, `row`: its
    first in the file, then the contract's names); `run_laps` one row a lap (`row`, `run_no`, `lap`
    and its facts; `lap_time_s` is a decimal with four places). Defaults are written out. Nothing
    may be kept of a file that has faults.
    """

    path: Path
    name: str
    sha256: str
    runs: pa.Table
    run_laps: pa.Table
    faults: list[Fault] = field(default_factory=list)
    ignored_columns: list[str] = field(default_factory=list)
    rounded: int = 0
    repeated: int = 0

    @property
    def laps(self) -> pd.DataFrame:
        """One row a lap with the contract's columns, indexed by the row in the file."""
        whole = self.run_laps.join(self.runs.drop_columns("row"), "run_no").sort_by("row")
        laps: pd.DataFrame = whole.to_pandas().set_index("row")
        return laps[[stored_name(name) for name in NAMES]]


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
                # A page can be written to by its own thread alone, so news is passed on here.
                news: SimpleQueue[tuple[float, str]] = SimpleQueue()
                return interruptible(
                    connection,
                    lambda: _read(connection, path, name, copy, sha256, lambda *one: news.put(one)),
                    lambda: _pass_on(news, told),
                )
        except WholeFile as whole:
            fault = _whole_fault(name, whole)
            return LapFile(path, name, sha256, *_no_laps(), [fault])


def _read(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    name: str,
    copy: Path,
    sha256: str,
    told: Progress,
) -> LapFile:
    told(0.15, f"checking {name}")
    cells = look_at(connection, copy)
    quick = read_quickly(connection, cells, copy.parent)
    if quick is None:
        return _read_closely(connection, path, name, cells, sha256, told)
    told(1.0, f"read {name}")
    return LapFile(
        path,
        name,
        sha256,
        quick.runs,
        quick.run_laps,
        ignored_columns=cells.heading.ignored_columns,
        rounded=quick.rounded,
    )


def _read_closely(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    name: str,
    cells: Cells,
    sha256: str,
    told: Progress,
) -> LapFile:
    """Read a file row by row, so that every fault of it gets its place and its words."""
    told(0.3, f"splitting {name}")
    staged = stage(connection, cells)
    head = staged.heading
    checked = {c.name for c in COLUMNS if c.name in head.places or not c.needed}
    faults = [_whole_fault(name, whole) for whole in head.faults]
    faults += [
        Fault(name, row, whole.column, _shown(whole.value), whole.message)
        for row, whole in staged.broken_rows.items()
    ]
    told(0.5, f"checking the rows of {name}")
    read_cells(connection, checked)
    found = list(cell_findings(connection, checked))
    for step, scope in enumerate(SCOPES):
        told(0.65 + 0.06 * step, f"comparing the rows of each {scope.thing}")
        found += disagreements(connection, scope)
    faults += [Fault(name, f.row, f.column, _shown(f.value), f.message) for f in found]
    told(0.9, f"collecting the laps of {name}")
    faulty_rows = {finding.row for finding in found}
    runs, run_laps = _collect(connection, faulty_rows, cells.copy.parent)
    told(1.0, f"read {name}")
    return LapFile(
        path,
        name,
        sha256,
        runs,
        run_laps,
        sorted(faults, key=place_of),
        head.ignored_columns,
        _count(connection, f"from staged where {rounded_sql('lap_time')}"),
        _count(connection, "from good") - run_laps.num_rows,
    )


def _collect(
    connection: duckdb.DuckDBPyConnection, faulty_rows: set[int], folder: Path
) -> tuple[pa.Table, pa.Table]:
    """Give the runs and the laps that the rows without a fault tell of.

    What some rows of a run say holds for all of it; a repeated lap is one.
    """
    connection.register("faulty", pa.table({"row": pa.array(sorted(faulty_rows), pa.int32())}))
    known = " and ".join(f"{column} is not null" for column in LAP_KEY)
    key = ", ".join(RUN_KEY)
    run_facts = ", ".join(f"max({name}) as {name}" for name in (*RUN.facts, *BUILD.facts))
    lap_facts = ", ".join(f"max({c}) as {c}" for c in map(stored_name, LAP.facts))
    connection.execute(
        f"""
        create view good as
        from typed where not suspect and {known} and row not in (select row from faulty);

        create table run as
        select cast(row_number() over (order by {key}) as integer) as run_no, min(row) as row,
            {key}, {run_facts},
            max(max(start_time)) over (partition by {", ".join(SESSION.key)}) as start_time
        from good
        group by {key}
        """
    )
    runs = spooled_rows(connection.sql("from run order by run_no"), folder / "runs.arrow")
    run_laps = connection.sql(
        f"""
        select min(good.row) as row, run_no, lap, {lap_facts}
        from good join run using ({key})
        group by run_no, lap
        order by row
        """
    )
    return runs, spooled_rows(run_laps, folder / "run_laps.arrow")


def _no_laps() -> tuple[pa.Table, pa.Table]:
    """Give the runs and laps of a file of which nothing can be read."""
    run_names = ("run_no", "row", *RUN_KEY, *RUN.facts, *BUILD.facts, *SESSION.facts)
    lap_names = ("row", "run_no", "lap", *LAP.facts)
    return _schema(run_names).empty_table(), _schema(lap_names).empty_table()


def _schema(names: Iterable[str]) -> pa.Schema:
    kinds = {name: ARROW_TYPES[BY_NAME[name].kind] for name in NAMES}
    return pa.schema([(stored_name(name), kinds.get(name, pa.int32())) for name in names])


def _count(connection: duckdb.DuckDBPyConnection, what: str) -> int:
    return int(connection.execute(f"select count(*) {what}").fetchall()[0][0])


def _whole_fault(name: str, whole: WholeFile) -> Fault:
    return Fault(name, None, whole.column, _shown(whole.value), whole.message)


def place_of(fault: Fault) -> tuple[int, int]:
    """Give the order in which faults are told: the whole file, then by row and column."""
    column = NAMES.index(fault.column) if fault.column in NAMES else -1
    return (fault.row or 0, column)


def _shown(value: str) -> str:
    """Write a cell on one line, and shorten a long one."""
    one_line = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in value)
    return one_line if len(one_line) <= SHOWN else f"{one_line[:SHOWN]}..."


def _pass_on(news: SimpleQueue[tuple[float, str]], told: Progress) -> None:
    while not news.empty():
        told(*news.get())


def _silent(share: float, words: str) -> None:
    """Tell nobody."""
