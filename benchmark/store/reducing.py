"""Laps reduced to run rows by DuckDB: from the store, or from Parquet files where they lie.

Files are read in place and out of core: DuckDB keeps to its limit of memory and spills the rest
to temporary files.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pyarrow as pa

from benchmark.errors import BadQuestion
from benchmark.intake.columns import stored_name
from benchmark.intake.lap_folder import LapFolder, reading
from benchmark.model.run_rows import RunRows, gather, run_rows_sql

BATCH_ROWS = 500_000
THREADS = 2


def rows_of_files(pattern: str, memory_limit: str = "2GB") -> RunRows:
    """Reduce the laps of Parquet files, such as `laps/**/*.parquet`, to run rows.

    Raises
    ------
    BadQuestion
        No file matches, a file is no Parquet file, or a needed column is missing.
    """
    with (
        tempfile.TemporaryDirectory(prefix="benchmark-") as spill,
        duckdb.connect(config={"memory_limit": memory_limit, "threads": THREADS}) as connection,
    ):
        connection.execute("set temp_directory = ?", [spill])
        connection.execute("set preserve_insertion_order = false")
        quoted = pattern.replace("'", "''")
        source = f"read_parquet('{quoted}', hive_partitioning = false, union_by_name = true)"
        try:
            return gather(_batches(connection, source))
        except duckdb.Error as error:
            first = str(error).splitlines()[0]
            raise BadQuestion(f"{pattern} cannot be read as laps: {first}") from None


def rows_of_folder(folder: LapFolder) -> RunRows:
    """Reduce the laps that count of files that were looked into to run rows.

    What a file leaves out takes the lap table's defaults. Memory grows with the rows, not the laps.
    """
    columns = folder.columns
    source = f"({folder.laps_sql(columns)}) as lap_table"
    with reading() as connection:
        query = run_rows_sql(source, [stored_name(name) for name in columns])
        return gather(connection.sql(query).to_arrow_reader(BATCH_ROWS))


def _batches(connection: duckdb.DuckDBPyConnection, source: str) -> Iterator[pa.RecordBatch]:
    """Run the reduction and hand its rows out batch by batch."""
    described = connection.execute(f"describe select * from {source}").fetchall()
    query = run_rows_sql(source, [row[0] for row in described])
    yield from connection.sql(query).to_arrow_reader(BATCH_ROWS)


def write_run_rows(connection: duckdb.DuckDBPyConnection, view: str) -> RunRows:
    """Reduce the laps of a view of an open store to run rows."""
    return gather(_batches(connection, view))


def folder_pattern(folder: Path) -> str:
    """Return the pattern of all Parquet files below a folder."""
    return f"{folder}/**/*.parquet"
