"""Writing the accepted laps as a folder of Parquet files, one a circuit and year.

Each file is a lap table by itself, its lap times in seconds, so it can be handed in again, read in
place by `benchmark fit --laps` and by other engines. The rows stand in the order of the lap's key.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet

from benchmark.errors import BadQuestion
from benchmark.intake.columns import COLUMNS, LAP_KEY, stored_name

BATCH_ROWS = 100_000
ROW_GROUP = 100_000


def export_folder(connection: duckdb.DuckDBPyConnection, out: Path) -> int:
    """Write every accepted lap below a new folder, and give their number.

    The folder appears when it is complete.

    Raises
    ------
    BadQuestion
        There is something of that name already.
    OSError
        The folder cannot be written.
    """
    if out.exists():
        raise BadQuestion(f"{out} is there already: name a new folder, or remove that one first")
    columns = ", ".join(f"lap_table.{stored_name(c.name)} as {c.name}" for c in COLUMNS)
    # An alias could hide the number behind the text, and laps would be ordered 1, 10, 2.
    key = [f"lap_table.{name}" for name in LAP_KEY]
    order = ", ".join([key[0], "year(lap_table.date)", *key[1:]])
    laps = connection.sql(f"select {columns} from lap_table order by {order}")
    draft = out.with_name(f".{out.name}.part")
    shutil.rmtree(draft, ignore_errors=True)
    draft.mkdir()
    try:
        written = _write(laps.to_arrow_reader(BATCH_ROWS), draft)
        draft.replace(out)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return written


def _write(reader: pa.RecordBatchReader, folder: Path) -> int:
    """Write one file after the other: the laps come ordered by circuit and year."""
    written = 0
    names = _Folders(folder)
    writer: pa.parquet.ParquetWriter | None = None
    now: tuple[str, int] | None = None
    try:
        for batch in reader:
            for place, part in _parts(batch):
                if place != now or writer is None:
                    if writer is not None:
                        writer.close()
                    path = names.path(*place)
                    writer = pa.parquet.ParquetWriter(path, reader.schema, compression="zstd")
                    now = place
                writer.write_table(pa.Table.from_batches([part]), row_group_size=ROW_GROUP)
                written += part.num_rows
    finally:
        if writer is not None:
            writer.close()
    return written


def _parts(batch: pa.RecordBatch) -> Iterator[tuple[tuple[str, int], pa.RecordBatch]]:
    """Split a batch where circuit or year changes."""
    circuits = batch["circuit"].dictionary_encode().indices.to_numpy()
    years = pc.year(batch["date"]).to_numpy()
    changes = np.flatnonzero((np.diff(circuits) != 0) | (np.diff(years) != 0)) + 1
    ends = [*changes.tolist(), batch.num_rows]
    for start, end in zip([0, *changes.tolist()], ends, strict=True):
        if end > start:
            place = (batch["circuit"][start].as_py(), int(years[start]))
            yield place, batch.slice(start, end - start)


class _Folders:
    """Names of files, which differ also where a system takes capital and small letters as one."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._taken: dict[str, str] = {}

    def path(self, circuit: str, year: int) -> Path:
        name = f"circuit={quote(circuit, safe=' ')}"
        while self._taken.setdefault(name.casefold(), circuit) != circuit:
            name += "+"
        place = self._folder / name / f"year={year}"
        place.mkdir(parents=True)
        return place / "laps.parquet"
