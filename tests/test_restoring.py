"""A restore puts the whole store back and loses nothing that was there."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import duckdb
import pytest

from benchmark.errors import BadQuestion, BenchmarkError, NotAllowed
from benchmark.show.fit_worker import Named
from benchmark.store import backup, people
from benchmark.store.accounts import Accounts
from benchmark.store.backup import back_up
from benchmark.store.restoring import restore
from benchmark.store.roles import Role
from benchmark.store.store import Store
from tests.backed_up import (
    FIRST,
    SECOND,
    add,
    beside,
    laps,
    opens_with,
    whole_store,
)
from tests.signed_in import cheap_hashes


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap_hashes(monkeypatch)
    return whole_store(tmp_path)


def test_a_store_that_is_there_stays_unless_asked_and_is_backed_up_first(db: Path) -> None:
    kept = back_up(db).path
    add(db, 3)
    Accounts(db).set_password("A. Marsh", SECOND)
    more = backup.evidence_folder(db) / ("b" * 64 + ".pdf")
    more.write_bytes(b"handed in later")
    with pytest.raises(BadQuestion, match="is there already and stays as it is"):
        restore(kept, db)
    assert laps(db) == [1, 2, 3]
    done = restore(kept, db, replace=True)
    assert laps(db) == [1, 2]
    assert opens_with(db, FIRST)
    assert not opens_with(db, SECOND)
    assert more.exists()
    assert done.before is not None
    restore(done.before.path, db, replace=True)
    assert laps(db) == [1, 2, 3]
    assert opens_with(db, SECOND)


def test_a_restore_ends_every_session_that_was_and_that_is(db: Path) -> None:
    accounts = Accounts(db)
    accounts.add("B. Finch", SECOND)
    then = accounts.sign_in("A. Marsh", FIRST, address="127.0.0.1").token
    kept = back_up(db).path
    now = accounts.sign_in("B. Finch", SECOND, address="127.0.0.1").token
    assert accounts.person(then) == "A. Marsh"
    restore(kept, db, replace=True)
    assert accounts.person(then) is None
    assert accounts.person(now) is None
    assert opens_with(db, FIRST)


def test_a_dry_run_verifies_and_changes_nothing(db: Path) -> None:
    kept = back_up(db).path
    add(db, 3)
    before = beside(db)
    assert restore(kept, db, dry_run=True, replace=True).manifest.facts.laps == 2
    assert beside(db) == before


@pytest.mark.parametrize(
    ("name", "may"), [(None, False), ("E. Finch", False), ("S. Rook", False), ("O. Wren", True)]
)
def test_only_an_owner_replaces_the_store_of_a_club(db: Path, name: str | None, may: bool) -> None:
    kept = back_up(db).path
    roles = {"O. Wren": Role.OWNER, "S. Rook": Role.STEWARD, "E. Finch": Role.ENTRANT}
    for person, role in roles.items():
        with Store.open(db, write=True, who=Named("O. Wren")) as store:
            people.name_role(store, person, role)
    if may:
        restore(kept, db, replace=True, who=Named(name))
    else:
        with pytest.raises(NotAllowed, match="owners may"):
            restore(kept, db, replace=True, who=Named(name))
    with Store.open(db) as store:
        assert bool(people.people(store)) is not may


def test_a_damaged_store_is_put_aside_and_replaced(db: Path) -> None:
    kept = back_up(db).path
    db.write_bytes(db.read_bytes()[:5000])
    damaged = db.read_bytes()
    done = restore(kept, db, replace=True)
    assert done.aside is not None
    assert done.aside.read_bytes() == damaged
    assert laps(db) == [1, 2]


def test_a_database_of_something_else_is_never_replaced(db: Path, tmp_path: Path) -> None:
    diary = tmp_path / "diary.duckdb"
    with duckdb.connect(str(diary)) as connection:
        connection.execute("create table page (text varchar)")
    with pytest.raises(BenchmarkError, match="no store of laps"):
        restore(back_up(db).path, diary, replace=True)
    with duckdb.connect(str(diary)) as connection:
        assert connection.execute("select count(*) from page").fetchall() == [(0,)]


def test_a_page_that_reads_all_the_while_sees_one_store_or_the_other(db: Path) -> None:
    kept = back_up(db).path
    add(db, 3)
    seen, over = [], threading.Event()

    def read() -> None:
        while not over.is_set():
            seen.append(laps(db))

    reader = threading.Thread(target=read)
    reader.start()
    time.sleep(0.2)
    restore(kept, db, replace=True)
    time.sleep(0.2)
    over.set()
    reader.join()
    assert [1, 2, 3] in seen
    assert seen[-1] == [1, 2]
    assert {tuple(one) for one in seen} == {(1, 2, 3), (1, 2)}
