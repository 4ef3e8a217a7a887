"""An audit holds the kept bytes of a sheet to their digest, and never packs them anew.

Packed by another version of the packer, or from a table in other pieces, the same rows are other
bytes: a store of a hundred thousand laps, or one made before an update, would be called altered.
"""

from __future__ import annotations

import io
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet
import pytest

from benchmark.errors import BenchmarkError
from benchmark.store import sheets
from benchmark.store.audit import audit
from benchmark.store.store import Store
from tests.lap_files import lap, read_once, write


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_once(write(tmp_path, [lap(1), lap(2)])))
        store.add(read_once(write(tmp_path, [lap(2), lap(3)], name="more.csv")))
    return path


def of_another_version(table: pa.Table) -> bytes:
    out = io.BytesIO()
    pa.parquet.write_table(table, out, compression="gzip", data_page_version="2.0")
    return out.getvalue()


def test_a_store_whose_sheets_another_version_packed_is_whole(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "_packed", of_another_version)
    with Store.open(db) as store:
        assert audit(store).laps == 3


def test_a_sheet_packed_anew_in_the_store_is_found(db: Path) -> None:
    """The rows are the same, and yet it is not what the record names."""
    with Store.open(db, write=True) as store:
        ((body,),) = store._rows("select body from sheet where import_id = 1 and piece = 1")
        other = of_another_version(pa.parquet.read_table(io.BytesIO(body)))
        query = "update sheet set body = ? where import_id = 1 and piece = 1"
        store._write(lambda: store._connection.execute(query, [other]))
    with Store.open(db) as store, pytest.raises(BenchmarkError) as found:
        audit(store)
    assert "the sheet of import 1 was altered since it was taken in" in str(found.value)
