"""Rulings: a struck lap does not count, and the record shows when it was altered."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchmark.errors import BadQuestion
from benchmark.store.store import Store
from tests.lap_files import lap, read_once, write

KEY = {
    "circuit": "Quillmoor",
    "layout": "full",
    "date": "2025-04-12",
    "session": "S1",
    "build": "Blue Heron",
    "run": 1,
    "lap": 2,
}
NAMED = (
    "circuit Quillmoor, layout full, date 2025-04-12, session S1, build Blue Heron, run 1, lap 2"
)
AT = datetime(2025, 4, 13, 9, 0, tzinfo=UTC)


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_once(write(tmp_path, [lap(1), lap(2), lap(3)])))
    return path


def strike(store: Store, **changes: object) -> None:
    store.strike({**KEY, **changes}, steward="C. Rook", reason="cut", at=AT)  # type: ignore[dict-item]


def test_a_struck_lap_does_not_count_until_it_is_put_back(db: Path) -> None:
    with Store.open(db, write=True) as store:
        strike(store)
        assert store.counted_laps()["lap"].tolist() == [1, 3]
        assert store.accepted_laps()["struck"].tolist() == [False, True, False]
        store.unstrike(KEY, steward="C. Rook", reason="video seen", at=AT)
        assert store.counted_laps()["lap"].tolist() == [1, 2, 3]
        strike(store)
        assert store.counted_laps()["lap"].tolist() == [1, 3]
        assert [ruling.action for ruling in store.rulings()] == ["strike", "unstrike", "strike"]


def test_a_ruling_makes_older_fits_stale(db: Path) -> None:
    with Store.open(db, write=True) as store:
        before = store.data_version()
        strike(store)
        assert store.data_version() == before + 1


def test_a_struck_lap_stays_struck_when_it_is_imported_again(db: Path) -> None:
    with Store.open(db, write=True) as store:
        strike(store)
        store.add(read_once(db.parent / "spring.csv"))
        assert store.counted_laps()["lap"].tolist() == [1, 3]


@pytest.mark.parametrize(
    ("changes", "steward", "reason", "message"),
    [
        ({"lap": 9}, "C. Rook", "cut", f"no lap {NAMED[:-1]}9 in the store"),
        ({}, " ", "cut", "a ruling needs a steward; write one"),
        ({}, "C. Rook", "", "a ruling needs a reason; write one"),
    ],
)
def test_a_ruling_that_cannot_be_made_is_refused(
    db: Path, changes: dict[str, int], steward: str, reason: str, message: str
) -> None:
    with Store.open(db, write=True) as store:
        with pytest.raises(BadQuestion) as bad:
            store.strike({**KEY, **changes}, steward=steward, reason=reason)
        assert str(bad.value) == message
        assert store.rulings() == []


def test_a_lap_is_struck_once_and_put_back_once(db: Path) -> None:
    with Store.open(db, write=True) as store:
        with pytest.raises(BadQuestion, match=f"^{NAMED} is not struck$"):
            store.unstrike(KEY, steward="C. Rook", reason="no")
        strike(store)
        with pytest.raises(BadQuestion, match=f"^{NAMED} is struck already$"):
            strike(store)


def test_each_line_is_chained_to_the_one_before(db: Path) -> None:
    """The hashes are computed here again from the text that record.py documents."""
    with Store.open(db, write=True) as store:
        strike(store)
        strike(store, lap=3)
        first, second = store.rulings()
    subject = (
        r"{\"circuit\": \"Quillmoor\", \"layout\": \"full\", \"date\": \"2025-04-12\", "
        r"\"session\": \"S1\", \"build\": \"Blue Heron\", \"run\": 1, \"lap\": %d}"
    )
    said = (
        '[%d,"2025-04-13T09:00:00+00:00","C. Rook","owner","strike","' + subject + '","cut",'
        r'"{\"struck\": false}","{\"struck\": true}","%s"]'
    )
    number = first.number
    before = first.previous_hash
    assert first.hash == hashlib.sha256((said % (number, 2, before)).encode()).hexdigest()
    assert second.hash == hashlib.sha256((said % (number + 1, 3, first.hash)).encode()).hexdigest()
