"""A store of an older program, served to be read: brought up to date before, and by no page."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from benchmark.commands.manner import manner
from benchmark.errors import BenchmarkError
from benchmark.store import migrate
from benchmark.store.served import READ_ONLY, SERVED
from benchmark.store.store import Store
from tests.test_migrate import RELEASED


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    path.write_bytes(gzip.decompress(RELEASED[-2].read_bytes()))
    return path


def test_it_is_brought_up_to_date_before_it_is_served(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert manner(db, read_only=True).served == READ_ONLY
    monkeypatch.setenv(SERVED, READ_ONLY)
    with Store.open(db) as store:
        assert store.accepted_laps()["lap"].tolist() == [1, 2, 3]


def test_one_that_comes_while_it_is_served_is_told_and_left_alone(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = db.read_bytes()
    monkeypatch.setenv(SERVED, READ_ONLY)
    with pytest.raises(BenchmarkError) as older:
        Store.open(db)
    assert str(older.value) == (
        f"{db} was made by an older program (schema {migrate.VERSION - 1}, this one needs "
        f"{migrate.VERSION}): start the app anew, and it is brought up to date"
    )
    assert db.read_bytes() == before


def test_before_there_is_a_store_it_is_served_all_the_same(tmp_path: Path) -> None:
    assert manner(tmp_path / "none.duckdb", read_only=True).served == READ_ONLY
