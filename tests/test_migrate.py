"""Stores of every released version open, and a step that fails leaves a store as it was."""

from __future__ import annotations

import gzip
import os
from pathlib import Path

import duckdb
import pytest

from benchmark.errors import BenchmarkError
from benchmark.store import migrate
from benchmark.store.store import Store
from tests.lap_files import lap, read_once, write

STORES = Path(__file__).parent / "stores"
NEXT = migrate.VERSION + 1
RELEASED = sorted(STORES.glob("version_*.duckdb.gz"))


def unpacked(kept: Path, folder: Path) -> Path:
    db = folder / "laps.duckdb"
    db.write_bytes(gzip.decompress(kept.read_bytes()))
    return db


def shape(db: Path) -> list[tuple[str, ...]]:
    """Give every column of every table and view, with its type."""
    query = """
        select table_name, column_name, data_type
        from duckdb_columns() where not internal order by all
        """
    with duckdb.connect(str(db), read_only=True) as connection:
        return connection.execute(query).fetchall()


def test_a_store_of_each_version_is_kept() -> None:
    assert [path.name for path in RELEASED] == [
        f"version_{number}.duckdb.gz" for number in range(1, migrate.VERSION + 1)
    ]


@pytest.mark.parametrize("kept", RELEASED, ids=lambda path: path.name)
def test_a_kept_store_opens_with_all_that_was_in_it(kept: Path, tmp_path: Path) -> None:
    """Each was filled with the three laps below, one of them struck, and a fit of five bytes."""
    db = unpacked(kept, tmp_path)
    with Store.open(db) as store:
        assert store.accepted_laps()["lap"].tolist() == [1, 2, 3]
        assert store.counted_laps()["lap_time_s"].tolist() == [61.9]
        assert store.imports()["file"].tolist() == ["spring.csv"]
        assert [ruling.reason for ruling in store.rulings()] == ["cut"]
        assert store.latest_fit_bytes() == b"draws"
    rows = [lap(1, lap_kind="out"), lap(2), lap(3, "1:01.9"), lap(4)]
    with Store.open(db, write=True) as store:
        assert store.add(read_once(write(tmp_path, rows))).laps_added == 1


@pytest.mark.parametrize("kept", RELEASED, ids=lambda path: path.name)
def test_a_migrated_store_has_the_shape_of_a_new_one(kept: Path, tmp_path: Path) -> None:
    old, new = unpacked(kept, tmp_path), tmp_path / "new.duckdb"
    Store.open(old, write=True).close()
    Store.open(new, create=True).close()
    assert shape(old) == shape(new)


@pytest.fixture
def one_version_on(monkeypatch: pytest.MonkeyPatch) -> None:
    step = "alter table driver add column club varchar; update driver set club = 'Moor Club'"
    monkeypatch.setattr(migrate, "VERSION", NEXT)
    monkeypatch.setattr(migrate, "STEPS", {NEXT: step})


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_once(write(tmp_path, [lap()])))
    return path


def clubs(db: Path) -> list[tuple[str]]:
    with duckdb.connect(str(db), read_only=True) as connection:
        return connection.execute("select club from driver").fetchall()


def test_a_reader_brings_an_older_store_up_to_date(
    db: Path, request: pytest.FixtureRequest
) -> None:
    request.getfixturevalue("one_version_on")
    with Store.open(db) as store:
        assert len(store.counted_laps()) == 1
    assert clubs(db) == [("Moor Club",)]


def test_bringing_a_store_up_to_date_is_told_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    db = unpacked(RELEASED[0], tmp_path)
    for _ in range(2):
        Store.open(db).close()
    (told,) = caplog.messages
    assert told.startswith(f"{db} was brought from schema 1 to {migrate.VERSION}; as it was")


def test_reading_a_store_of_this_version_changes_no_byte(db: Path) -> None:
    before = db.read_bytes()
    with Store.open(db) as store:
        assert len(store.counted_laps()) == 1
    assert db.read_bytes() == before


def test_an_older_store_that_may_not_be_written_to_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    db = unpacked(RELEASED[0], tmp_path)
    before = db.read_bytes()
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(BenchmarkError) as older:
        Store.open(db)
    assert str(older.value) == (
        f"{db} was made by an older program (schema 1, this one needs {migrate.VERSION}) and may "
        "not be written to: copy it to a folder of yours"
    )
    assert db.read_bytes() == before


def test_a_step_is_taken_once(db: Path, request: pytest.FixtureRequest) -> None:
    request.getfixturevalue("one_version_on")
    for _ in range(2):
        Store.open(db, write=True).close()
    with duckdb.connect(str(db), read_only=True) as connection:
        versions = connection.execute("select version from schema_version order by 1").fetchall()
    assert versions == [(migrate.VERSION - 1,), (migrate.VERSION,)]


def test_a_step_that_fails_leaves_the_store_as_it_was(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = shape(db)
    with monkeypatch.context() as later:
        later.setattr(migrate, "VERSION", NEXT)
        later.setattr(migrate, "STEPS", {NEXT: "drop view lap_table; select error('no')"})
        with pytest.raises(duckdb.Error):
            Store.open(db, write=True)
    assert shape(db) == before
    with Store.open(db, write=True, patience_s=0.5) as store:
        assert len(store.counted_laps()) == 1


def test_a_store_of_a_newer_program_is_left_alone(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as later:
        later.setattr(migrate, "VERSION", NEXT)
        Store.open(db, write=True).close()
    for write_it in (False, True):
        with pytest.raises(BenchmarkError) as newer:
            Store.open(db, write=write_it)
        assert str(newer.value) == (
            f"{db} was made by a newer program (schema {NEXT}, this one knows {NEXT - 1}); "
            "update this one"
        )
