"""What each import brought, kept in the store as it was read, so that the store can be replayed.

A sheet is a Parquet file of the runs (piece 0) and further ones of the laps (pieces 1 and on, each
of at most `PIECE_LAPS`), compressed with zstd. Its digest stands in the line of the import.
"""

from __future__ import annotations

import hashlib
import io

import duckdb
import pyarrow as pa
import pyarrow.parquet

from benchmark.errors import BenchmarkError

PIECE_LAPS = 500_000


def keep(
    connection: duckdb.DuckDBPyConnection, import_id: int, runs: pa.Table, laps: pa.Table
) -> str:
    """Keep what an import brought and give its digest.

    Parameters
    ----------
    runs, laps : as `LapFile.runs` and `LapFile.run_laps`.
    """
    bodies = [_packed(runs)]
    bodies += [
        _packed(laps.slice(first, PIECE_LAPS)) for first in range(0, laps.num_rows, PIECE_LAPS)
    ]
    for piece, body in enumerate(bodies):
        connection.execute("insert into sheet values (?, ?, ?)", [import_id, piece, body])
    return _digest(bodies)


def read(
    connection: duckdb.DuckDBPyConnection, import_id: int, digest: str
) -> tuple[pa.Table, pa.Table]:
    """Give the runs and the laps of an import, as they were kept.

    Raises
    ------
    BenchmarkError
        They are not those that the record names.
    """
    rows = connection.execute(
        "select piece, body from sheet where import_id = ? order by piece", [import_id]
    ).fetchall()
    bodies = [bytes(body) for _, body in rows]
    if [piece for piece, _ in rows] != list(range(len(rows))) or _digest(bodies) != digest:
        raise BenchmarkError(f"the sheet of import {import_id} was altered since it was taken in")
    runs, *laps = (pa.parquet.read_table(io.BytesIO(body)) for body in bodies)
    return runs, pa.concat_tables(laps) if laps else None


def _packed(table: pa.Table) -> bytes:
    out = io.BytesIO()
    pa.parquet.write_table(table, out, compression="zstd")
    return out.getvalue()


def _digest(bodies: list[bytes]) -> str:
    return hashlib.sha256(b"".join(hashlib.sha256(body).digest() for body in bodies)).hexdigest()
