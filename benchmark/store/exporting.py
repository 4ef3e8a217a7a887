"""Writing the accepted laps back as a lap table: the same laps always give the same bytes.

Defaults are written out, rows are ordered by the lap's key, lap times are m:ss.sss (h:mm:ss.sss
from an hour up, a fourth decimal only where there is one), whole quantities have no decimals. In
CSV a name that a spreadsheet would run as a formula stands behind an apostrophe
(`intake/formulas.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet

from benchmark.errors import BadQuestion
from benchmark.intake.columns import COLUMNS, LAP_KEY, Column, Kind
from benchmark.intake.formulas import guarded_sql

BATCH_ROWS = 100_000


def export(connection: duckdb.DuckDBPyConnection, out: Path) -> int:
    """Write every accepted lap to a `.csv` or `.parquet` file, and give their number.

    The file appears when it is complete; one of that name is replaced.

    Raises
    ------
    BadQuestion
        The name ends otherwise.
    OSError
        The file cannot be written.
    """
    suffix = out.suffix.lower()
    if suffix not in (".csv", ".parquet"):
        raise BadQuestion(f'"{out.name}" has no known ending; name the file .csv or .parquet')
    cell = _csv_cell if suffix == ".csv" else _parquet_cell
    columns = ", ".join(f"{cell(column)} as {column.name}" for column in COLUMNS)
    # An alias could hide the number behind the text, and laps would be ordered 1, 10, 2.
    order = ", ".join(f"lap_table.{name}" for name in LAP_KEY)
    laps = connection.sql(f"select {columns} from lap_table order by {order}")
    draft = out.with_name(f".{out.name}.part")
    try:
        draft.touch()  # a place that cannot be written to raises OSError here, not DuckDB's error
        written = (_write_csv if suffix == ".csv" else _write_parquet)(laps, draft)
        draft.replace(out)
    finally:
        draft.unlink(missing_ok=True)
    return written


def _csv_cell(column: Column) -> str:
    if column.kind is Kind.QUANTITY:
        return f"regexp_replace(cast({column.name} as varchar), '[.]0$', '')"
    if column.kind is Kind.TEXT:
        return guarded_sql(column.name)
    return f"cast({column.name} as varchar)"


def _parquet_cell(column: Column) -> str:
    return column.name


def _write_csv(laps: duckdb.DuckDBPyRelation, draft: Path) -> int:
    """Write by another connection: the store's own may not touch other files."""
    path = str(draft).replace("'", "''")
    with duckdb.connect() as writer:
        writer.execute("set enable_progress_bar = false")
        writer.register("laps", laps.to_arrow_reader(BATCH_ROWS))
        return int(writer.execute(f"copy laps to '{path}' (format csv, header)").fetchall()[0][0])


def _write_parquet(laps: duckdb.DuckDBPyRelation, draft: Path) -> int:
    written = 0
    reader = laps.to_arrow_reader(BATCH_ROWS)
    with pa.parquet.ParquetWriter(draft, reader.schema, compression="zstd") as writer:
        for table in _same_size(reader):
            writer.write_table(table, row_group_size=BATCH_ROWS)
            written += table.num_rows
    return written


def _same_size(reader: pa.RecordBatchReader) -> Iterator[pa.Table]:
    """Give tables of BATCH_ROWS rows, so that row groups do not depend on how DuckDB streams."""
    held: list[pa.RecordBatch] = []
    for batch in reader:
        held.append(batch)
        while sum(part.num_rows for part in held) >= BATCH_ROWS:
            whole = pa.Table.from_batches(held, reader.schema)
            yield whole.slice(0, BATCH_ROWS)
            held = whole.slice(BATCH_ROWS).to_batches()
    if held:
        yield pa.Table.from_batches(held, reader.schema)
