"""Rows on their way from DuckDB to the store: Arrow batches in a file, whatever their number.

The file is mapped into memory, so the system holds of it what it has room for.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

import duckdb
import pyarrow as pa

BATCH_ROWS = 100_000
TEXT = pa.dictionary(pa.int32(), pa.string())


def spooled(batches: Iterable[pa.RecordBatch], schema: pa.Schema, path: Path) -> pa.Table:
    """Write batches to a new file and give them as one table, which outlives the file's name.

    Parameters
    ----------
    schema : that of the batches once their texts are encoded, see `encoded_schema`.
    """
    with pa.ipc.new_stream(str(path), schema) as out:
        for batch in batches:
            out.write_batch(batch)
    if os.name == "nt":  # Windows keeps a mapped file from being removed
        with pa.OSFile(str(path)) as file:
            return pa.ipc.open_stream(file.read_buffer()).read_all()
    with pa.memory_map(str(path)) as file:
        return pa.ipc.open_stream(file).read_all()


def spooled_rows(rows: duckdb.DuckDBPyRelation, path: Path) -> pa.Table:
    """Fetch in batches, each text kept once a batch: names repeat thousands of times."""
    reader = rows.to_arrow_reader(BATCH_ROWS)
    schema = encoded_schema(reader.schema)
    return spooled((encoded(batch.columns, schema) for batch in reader), schema, path)


def encoded(columns: Iterable[pa.Array], schema: pa.Schema) -> pa.RecordBatch:
    """Make a batch of columns whose texts are plain."""
    arrays = [
        column.dictionary_encode() if pa.types.is_string(column.type) else column
        for column in columns
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def encoded_schema(schema: pa.Schema) -> pa.Schema:
    """Give the schema with dictionaries for texts."""
    return pa.schema([(f.name, TEXT if pa.types.is_string(f.type) else f.type) for f in schema])
