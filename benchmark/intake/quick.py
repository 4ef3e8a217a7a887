"""The quick way through a lap table in which there is no fault to find.

The rows of a run say the same of car, driver, tyre and weather, some eight times over. So the file
is read twice, and little of it is kept: once for the different things that its rows say of runs,
few enough to be checked by the rules of any cell; once for the laps, checked as they pass.
Whatever is not plain, in whichever row, sends the whole file the long way, where every fault is
named. Both ways give the same laps (`tests/test_quick.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchmark.intake.cells import rounded_sql
from benchmark.intake.checks import BUILD, LAP, RUN, SESSION, facts_that_vary, reading_sql
from benchmark.intake.columns import BY_NAME, NAMES, RUN_KEY, stored_name
from benchmark.intake.spool import BATCH_ROWS, encoded, encoded_schema, spooled, spooled_rows
from benchmark.intake.staging import Cells, texts_sql

LAP_NAMES = ("lap", *LAP.facts)
RUN_NAMES = tuple(name for name in NAMES if name not in LAP_NAMES)
TABLES = ("handed_spec", "spec", "quick_run")


@dataclass(frozen=True, slots=True)
class QuickLaps:
    """The runs and laps of a file without a fault, as `LapFile` has them; `rounded` likewise."""

    runs: pa.Table
    run_laps: pa.Table
    rounded: int


class _NotPlain(Exception):
    """Some row needs a closer look."""


def read_quickly(
    connection: duckdb.DuckDBPyConnection, cells: Cells, folder: Path
) -> QuickLaps | None:
    """Read the copied file set by set; None where some row needs a closer look.

    Runs and laps are put into files of `folder`; in the connection nothing is left.
    """
    if cells.heading.faults:
        return None
    try:
        return _read(connection, cells, folder)
    except duckdb.InterruptException:
        raise
    except (_NotPlain, duckdb.Error):  # a broken row is an error here, the long way names it
        return None
    finally:
        connection.execute("; ".join(f"drop table if exists {table}" for table in TABLES))


def _read(connection: duckdb.DuckDBPyConnection, cells: Cells, folder: Path) -> QuickLaps:
    _read_specs(connection, cells)
    _number_runs(connection)
    laps = _Laps(connection, cells)
    run_laps = spooled(laps, laps.schema, folder / "laps.arrow")
    connection.register("quick_lap", run_laps)
    try:
        _refuse(connection, "select run_no, lap from quick_lap group by all having count(*) > 1")
        rows = connection.sql(
            """
            select run_no, first.row, quick_run.* exclude (run_no)
            from quick_run
            join (select run_no, min(row) as row from quick_lap group by run_no) as first
                using (run_no)
            order by run_no
            """
        )
        runs = spooled_rows(rows, folder / "runs.arrow")
    finally:
        connection.unregister("quick_lap")
    return QuickLaps(runs, run_laps, laps.rounded)


def _read_specs(connection: duckdb.DuckDBPyConnection, cells: Cells) -> None:
    """Make table `spec`: each different thing that rows say of a run, as values.

    Its `key_hash` stands for the cells of the run's key while the laps pass. No hash is free of
    collisions, so a file in which two keys share one goes the long way.
    """
    places = cells.heading.places
    raw = ", ".join(cells.raw[places[name]] for name in RUN_NAMES if name in places)
    key = ", ".join(cells.raw[places[name]] for name in RUN_KEY if name in places)
    texts = texts_sql(cells, [BY_NAME[name] for name in RUN_NAMES])
    connection.execute(
        f"""
        create table handed_spec as
        select hash({key}) as key_hash, {raw} from {cells.relation} group by all
        """
    )
    _refuse(
        connection,
        f"""
        select key_hash from (select distinct key_hash, {key} from handed_spec)
        group by key_hash having count(*) > 1
        """,
    )
    given = f"(select key_hash, {texts} from handed_spec)"
    reading = reading_sql(given, "key_hash", RUN_NAMES, set(RUN_NAMES))
    connection.execute(f"create table spec as {reading}")
    _refuse(connection, "from spec where suspect")
    if any(facts_that_vary(connection, scope, "spec") for scope in (BUILD, SESSION, RUN)):
        raise _NotPlain


def _number_runs(connection: duckdb.DuckDBPyConnection) -> None:
    """Make table `quick_run`, one row a run with all that its rows say of it."""
    key = ", ".join(RUN_KEY)
    facts = ", ".join(f"max({name}) as {name}" for name in (*RUN.facts, *BUILD.facts))
    connection.execute(
        f"""
        create table quick_run as
        select cast(row_number() over (order by {key}) as integer) as run_no, {key}, {facts},
            max(max(start_time)) over (partition by {", ".join(SESSION.key)}) as start_time
        from spec
        group by {key}
        """
    )


class _Laps:
    """The laps in the order of the file, batch by batch; counts those with a rounded time."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, cells: Cells) -> None:
        key = ", ".join(RUN_KEY)
        numbers = connection.sql(
            f"select distinct key_hash, run_no from spec join quick_run using ({key}) order by all"
        ).to_arrow_table()
        self._hashes = numbers["key_hash"].to_numpy()
        self._run_nos = numbers["run_no"].to_numpy()
        self._reader = connection.sql(_laps_sql(cells)).to_arrow_reader(BATCH_ROWS)
        facts = [self._reader.schema.field(name) for name in map(stored_name, LAP_NAMES)]
        numbered = [pa.field("row", pa.int32()), pa.field("run_no", pa.int32())]
        self.schema = encoded_schema(pa.schema([*numbered, *facts]))
        self.rounded = 0

    def __iter__(self) -> Iterator[pa.RecordBatch]:
        """Give the batches.

        Raises
        ------
        _NotPlain
            A cell of a lap cannot be taken, or a lap is of no run that was read before.
        """
        row = 0
        try:
            for batch in self._reader:
                if pc.any(batch["suspect"]).as_py():
                    raise _NotPlain
                self.rounded += pc.sum(batch["rounded"]).as_py() or 0
                rows = pa.array(np.arange(row + 1, row + batch.num_rows + 1, dtype=np.int32))
                facts = [batch[name] for name in map(stored_name, LAP_NAMES)]
                run_nos = pa.array(self._runs_of(batch["key_hash"].to_numpy()))
                yield encoded([rows, run_nos, *facts], self.schema)
                row += batch.num_rows
        finally:
            self._reader.close()  # an open result would hold the connection

    def _runs_of(self, hashes: np.ndarray) -> np.ndarray:
        """Give the run number of each key's hash, (laps,)."""
        places = np.minimum(np.searchsorted(self._hashes, hashes), len(self._hashes) - 1)
        if (self._hashes[places] != hashes).any():
            raise _NotPlain  # a broken file need not read the same twice
        return np.asarray(self._run_nos[places])


def _laps_sql(cells: Cells) -> str:
    places = cells.heading.places
    key = ", ".join(cells.raw[places[name]] for name in RUN_KEY if name in places)
    texts = texts_sql(cells, [BY_NAME[name] for name in LAP_NAMES])
    given = f"""(
        select *, {rounded_sql("lap_time")} as rounded
        from (select hash({key}) as key_hash, {texts} from {cells.relation})
    )"""
    return reading_sql(given, "key_hash, rounded", LAP_NAMES, set(LAP_NAMES))


def _refuse(connection: duckdb.DuckDBPyConnection, query: str) -> None:
    """Refuse the quick way where the query gives any row."""
    if connection.execute(f"select exists ({query})").fetchall()[0][0]:
        raise _NotPlain
