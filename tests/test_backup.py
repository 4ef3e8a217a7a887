"""A backup is the whole store, verified, made while others wait."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import BadQuestion, BenchmarkError, NoStore, StoreBusy
from benchmark.store import archive, backup, migrate
from benchmark.store.backup import back_up, verify
from benchmark.store.fingerprint import fingerprint
from benchmark.store.people_file import people_path
from benchmark.store.restoring import restore
from benchmark.store.store import Store
from tests.backed_up import (
    FIRST,
    ITS_NAME,
    PICTURE,
    add,
    laps,
    opens_with,
    whole_store,
)
from tests.signed_in import cheap_hashes
from tests.test_migrate import RELEASED, unpacked


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap_hashes(monkeypatch)
    return whole_store(tmp_path)


def test_a_backup_put_elsewhere_is_the_same_store_with_all_that_belongs_to_it(
    db: Path, tmp_path: Path
) -> None:
    made = back_up(db, tmp_path / "kept.zip")
    assert made.sha256 == hashlib.sha256((tmp_path / "kept.zip").read_bytes()).hexdigest()
    assert made.manifest.facts == archive.Facts(migrate.VERSION, 2, 1)
    elsewhere = tmp_path / "elsewhere" / "again.duckdb"
    elsewhere.parent.mkdir()
    restore(tmp_path / "kept.zip", elsewhere)
    with Store.open(db) as one, Store.open(elsewhere) as other:
        assert fingerprint(other._connection) == fingerprint(one._connection)
        assert other.record()[:-1] == one.record()  # a line says that it was restored
    assert opens_with(elsewhere, FIRST)
    assert (backup.evidence_folder(elsewhere) / ITS_NAME).read_bytes() == PICTURE


def test_a_backup_holds_what_a_killed_writer_had_finished(db: Path, tmp_path: Path) -> None:
    """The lap stands only in DuckDB's log, beside the file, when the process is gone."""
    script = """
import os, sys
from benchmark.store import opening
from pathlib import Path
opening.CONFIG["checkpoint_threshold"] = "1GB"
opened = opening.open_writer(Path(sys.argv[1]), patience_s=5)
opened.connection.execute("insert into driver values (9, 'B. Finch')")
os.kill(os.getpid(), 9)
"""
    subprocess.run([sys.executable, "-c", script, str(db)], check=False)
    assert db.with_name("laps.duckdb.wal").stat().st_size > 0
    back_up(db, tmp_path / "kept.zip")
    restore(tmp_path / "kept.zip", tmp_path / "again.duckdb")
    with Store.open(tmp_path / "again.duckdb") as store:
        assert store.names("driver") == ["A. Marsh", "B. Finch"]


def test_what_a_kill_left_of_an_unfinished_change_is_in_no_backups_way(
    db: Path, tmp_path: Path
) -> None:
    """A torn log holds nothing that was finished, and DuckDB keeps it until something changes."""
    log = db.with_name("laps.duckdb.wal")
    script = """
import os, sys, duckdb
connection = duckdb.connect(sys.argv[1])
connection.execute("set checkpoint_threshold = '1GB'")
connection.execute("insert into driver select 9, 'B. Finch' || range from range(1000)")
os.kill(os.getpid(), 9)
"""
    subprocess.run([sys.executable, "-c", script, str(db)], check=False)
    log.write_bytes(log.read_bytes()[:5000])
    back_up(db, tmp_path / "kept.zip")
    restore(tmp_path / "kept.zip", tmp_path / "again.duckdb")
    for store_file in (db, tmp_path / "again.duckdb"):
        with Store.open(store_file) as store:
            assert store.names("driver") == ["A. Marsh"]
    assert not log.exists()


def test_only_its_owner_can_read_a_backup(db: Path, tmp_path: Path) -> None:
    """It holds password hashes."""
    assert back_up(db).path.stat().st_mode & 0o777 == 0o600
    restore(back_up(db).path, tmp_path / "again.duckdb")
    assert people_path(tmp_path / "again.duckdb").stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "again.duckdb").stat().st_mode & 0o007 == 0  # a club's: it names contacts


def test_a_store_is_held_only_while_its_file_is_copied(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packing, go_on = threading.Event(), threading.Event()
    write_archive = archive.write

    def slow(*given, **named):
        packing.set()
        assert go_on.wait(30)
        return write_archive(*given, **named)

    monkeypatch.setattr(archive, "write", slow)
    made: list[backup.Backup] = []
    other = threading.Thread(target=lambda: made.append(back_up(db)))
    other.start()
    assert packing.wait(30)
    add(db, 3)
    with pytest.raises(StoreBusy, match=r"another process backs .* up or restores it"):
        back_up(db)
    go_on.set()
    other.join()
    assert laps(db) == [1, 2, 3]
    assert made[0].manifest.facts.laps == 2


def test_a_backup_waits_for_a_reader_and_says_who_holds_the_store(db: Path) -> None:
    with Store.open(db), pytest.raises(StoreBusy, match=r"this process \(PID \d+\) holds it"):
        back_up(db, patience_s=0.1)
    assert not list(backup.backups_folder(db).iterdir())


def test_the_latest_backups_are_kept_and_those_made_before_something_stay(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    restore(back_up(db).path, db, replace=True)
    older = [back_up(db).path for _ in range(3)]
    stranger = older[0].with_name("other.duckdb-20250101T000000Z.zip")
    stranger.write_bytes(b"another store's")
    last = back_up(db, keep=2).path
    names = {path.name for path in last.parent.iterdir()}
    assert {older[-1].name, last.name, stranger.name} <= names
    assert not {older[0].name, older[1].name} & names
    assert sum("before-restore" in name for name in names) == 1
    with pytest.raises(BadQuestion, match="needs no file name"):
        back_up(db, db.with_name("kept.zip"), keep=2)


def test_a_backup_never_takes_the_place_of_a_file(db: Path, tmp_path: Path) -> None:
    out = tmp_path / "kept.zip"
    out.write_text("mine")
    with pytest.raises(BadQuestion, match="is there already"):
        back_up(db, out)
    assert out.read_text() == "mine"


def test_where_there_is_no_store_there_is_no_backup_and_nothing_is_left(tmp_path: Path) -> None:
    with pytest.raises(NoStore):
        back_up(tmp_path / "none.duckdb")
    assert list(tmp_path.iterdir()) == []


def test_what_a_kill_left_is_cleared_by_the_next_backup(db: Path) -> None:
    draft = backup.backups_folder(db) / "laps.duckdb-20250412T100000Z.zip.draft"
    draft.mkdir(parents=True)
    (draft / "store.duckdb").write_text("half a store")
    made = back_up(db)
    assert [path.name for path in made.path.parent.iterdir()] == [made.path.name]


# Before a migration


def test_a_store_of_an_older_version_is_backed_up_as_it_was(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    db = unpacked(RELEASED[0], tmp_path)
    before = db.read_bytes()
    Store.open(db).close()
    (kept,) = backup.backups_folder(db).iterdir()
    assert kept.name.endswith(f"Z-before-schema-{migrate.VERSION}.zip")
    assert caplog.messages == [
        f"{db} was brought from schema 1 to {migrate.VERSION}; as it was, it is kept in {kept}"
    ]
    assert verify(kept).facts.schema == 1
    archive.unpack(kept, tmp_path)
    assert (tmp_path / "store.duckdb").read_bytes() == before


def test_without_room_for_the_backup_the_older_store_stays_as_it_is(tmp_path: Path) -> None:
    db = unpacked(RELEASED[0], tmp_path)
    before = db.read_bytes()
    backup.backups_folder(db).write_text("a file where the folder should be")
    with pytest.raises(BenchmarkError, match="nothing was changed"):
        Store.open(db)
    assert db.read_bytes() == before


# The command line


def test_the_commands_say_what_was_kept_and_put_back(db: Path, tmp_path: Path) -> None:
    out = tmp_path / "kept.zip"

    def say(*words: object, code: int = 0) -> str:
        result = CliRunner().invoke(app, [*map(str, words)])
        assert result.exit_code == code, result.output
        return result.output

    holds = r": 2 laps, the accounts, 1 piece of evidence of laps.duckdb, 20"
    said = say("backup", "--db", db, "--out", out)
    digest = hashlib.sha256(out.read_bytes()).hexdigest()
    assert f"{out}{holds}" in said
    assert f"SHA-256 {digest}\n" in said
    said = say("backup", "--verify", out)
    assert f"{out}{holds}" in said
    assert "every digest is right and the store opens" in said
    assert f"{db}: would be restored from {out}" in say("restore", out, "--db", db, "--dry-run")
    assert "--replace" in say("restore", out, "--db", db, code=2)
    said = say("restore", out, "--db", db, "--replace")
    assert "the store that was there is kept in " in said
    assert f"{db}: restored from {out}{holds}" in said
    assert "goes alone" in say("backup", "--verify", out, "--keep", 3, code=2)
