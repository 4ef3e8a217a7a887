"""A backup is the whole store, verified; a restore loses nothing that was there."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import BadQuestion, BenchmarkError, NoStore, NotAllowed, StoreBusy
from benchmark.intake.laptable import read_lap_table
from benchmark.show.fit_worker import Named
from benchmark.store import archive, backup, migrate, people
from benchmark.store.accounts import Accounts, SignInFailed
from benchmark.store.backup import back_up, verify
from benchmark.store.fingerprint import fingerprint
from benchmark.store.people_file import people_path
from benchmark.store.restoring import restore
from benchmark.store.roles import Role
from benchmark.store.store import Store
from tests.lap_files import lap, write
from tests.test_migrate import RELEASED, unpacked

FIRST, SECOND = "heron over quillmoor", "finch over tarnebrook"
PICTURE = b"\x89PNG what a camera saw"
ITS_NAME = f"{hashlib.sha256(PICTURE).hexdigest()}.png"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of two laps, with accounts and a piece of evidence beside it."""
    path = tmp_path_factory.mktemp("made") / "laps.duckdb"
    add(path, 1, 2)
    backup.evidence_folder(path).mkdir()
    (backup.evidence_folder(path) / ITS_NAME).write_bytes(PICTURE)
    Accounts(path).add("A. Marsh", FIRST)
    return path


@pytest.fixture
def db(made: Path, tmp_path: Path) -> Path:
    """The same, to be changed."""
    shutil.copytree(made.parent, tmp_path, dirs_exist_ok=True)
    return tmp_path / made.name


@pytest.fixture(scope="module")
def whole(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup of it, to be read only."""
    return back_up(made, tmp_path_factory.mktemp("whole") / "kept.zip").path


def add(db: Path, *numbers: int) -> None:
    sheet = write(db.parent, [lap(n) for n in numbers], name="sheet.csv")
    with Store.open(db, create=True) as store:
        store.add(read_lap_table(sheet))


def laps(db: Path) -> list[int]:
    with Store.open(db) as store:
        return store.accepted_laps()["lap"].tolist()


def opens_with(db: Path, password: str) -> bool:
    """Whether A. Marsh can sign in with that password."""
    try:
        Accounts(db).check("A. Marsh", password, address="127.0.0.1")
    except SignInFailed:
        return False
    return True


def beside(db: Path) -> dict[str, bytes]:
    """Everything in the store's folder, by name."""
    files = (path for path in db.parent.rglob("*") if path.is_file())
    return {str(path.relative_to(db.parent)): path.read_bytes() for path in files}


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


# Damage and malice


def flipped(path: Path, at: int) -> None:
    body = bytearray(path.read_bytes())
    body[at] ^= 1
    path.write_bytes(body)


def test_a_flipped_bit_is_found_wherever_it_changes_a_byte(whole: Path, tmp_path: Path) -> None:
    """All over the file. In packed zeros many a bit unpacks to the same zeros, and may pass."""
    kept = Path(shutil.copy(whole, tmp_path / "kept.zip"))
    manifest = archive.check(kept)
    body = kept.read_bytes()
    refused = 0
    for at in range(0, len(body), 499):
        flipped(kept, at)
        try:
            found = archive.check(kept)
        except BenchmarkError:
            refused += 1
        else:
            assert found == manifest
        kept.write_bytes(body)
    assert refused > len(body) / 499 / 2


@pytest.mark.parametrize("share", [0.0, 0.3, 0.99])
def test_a_truncated_backup_is_refused(whole: Path, tmp_path: Path, share: float) -> None:
    kept = Path(shutil.copy(whole, tmp_path / "kept.zip"))
    kept.write_bytes(kept.read_bytes()[: int(share * kept.stat().st_size)])
    with pytest.raises(BenchmarkError, match="is no backup of a store, or its end is missing"):
        verify(kept)


def forged(kept: Path, changed: Callable[[dict[str, bytes], dict[str, object]], None]) -> Path:
    """Write a backup anew with its members or its manifest changed."""
    with zipfile.ZipFile(kept) as there:
        members = {name: there.read(name) for name in there.namelist()}
    manifest = json.loads(members.pop("manifest.json"))
    changed(members, manifest)
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as out:
        for name, body in members.items():
            out.writestr(name, body)
        out.writestr("manifest.json", json.dumps(manifest))
    return kept


def renamed(name: str) -> Callable[[dict[str, bytes], dict[str, object]], None]:
    def change(members, manifest):
        members[name] = members.pop(f"evidence/{ITS_NAME}")
        next(m for m in manifest["members"] if m["name"].startswith("evidence"))["name"] = name

    return change


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (renamed("../evil.png"), "cannot be understood"),
        (renamed("evidence/../../evil.png"), "cannot be understood"),
        (renamed("/tmp/evil.png"), "cannot be understood"),
        (renamed("evidence/.hidden"), "cannot be understood"),
        (lambda m, _: m.update({"evidence/more.png": b"x"}), "does not hold the files that"),
        (lambda m, _: m.pop("people.sqlite"), "does not hold the files that"),
        (lambda m, _: m.update({"people.sqlite": b"x"}), "people.sqlite is not [0-9,]+ bytes long"),
        (lambda _, f: f["members"][0].update(size=10**15), "is not 1,000,000,000,000,000 bytes"),
        (lambda _, f: f["members"][0].update(sha256="0" * 64), "is not as it was written"),
        (lambda _, f: f["members"][0].update(size="12"), "cannot be understood"),
        (lambda _, f: f["members"][0].update(size=-1), "cannot be understood"),
        (lambda _, f: f["facts"].pop("laps"), "cannot be understood"),
        (lambda _, f: f["members"].append(f["members"][0]), "cannot be understood"),
        (lambda _, f: f["facts"].update(laps=3), "is not the one it names"),
        (lambda _, f: f.update(format=2), "written by a newer program"),
        (lambda _, f: f.update(members=[]), "does not hold the files that"),
    ],
)
def test_a_forged_backup_is_refused_and_nothing_is_touched(
    db: Path, whole: Path, tmp_path: Path, changed: Callable[..., None], why: str
) -> None:
    kept = forged(Path(shutil.copy(whole, tmp_path / "kept.zip")), changed)
    before = beside(db)
    for attempt in (
        lambda: verify(kept),
        lambda: restore(kept, db, replace=True),
        lambda: restore(kept, tmp_path / "new.duckdb"),
    ):
        with pytest.raises(BenchmarkError, match=why):
            attempt()
    locks = {f"{name}.backup.lock": b"" for name in ("laps.duckdb", "new.duckdb")}
    assert beside(db) == {**before, **locks}


def test_a_bomb_is_unpacked_no_further_than_its_stated_size(whole: Path, tmp_path: Path) -> None:
    """A member of 200 MB of zeros that claims the size of the file that it stands for."""
    zeros = bytes(200_000_000)

    def bomb(members, _):
        members["people.sqlite"] = zeros

    kept = forged(Path(shutil.copy(whole, tmp_path / "kept.zip")), bomb)
    body = kept.read_bytes()
    size = next(m.size for m in archive.check(whole).members if m.name == "people.sqlite")
    claimed = size.to_bytes(4, "little")
    kept.write_bytes(body.replace(len(zeros).to_bytes(4, "little"), claimed))
    target = tmp_path / "out"
    target.mkdir()
    with pytest.raises(BenchmarkError, match="is damaged"):
        archive.unpack(kept, target)
    assert sum(path.stat().st_size for path in target.rglob("*") if path.is_file()) < 10_000_000


def test_a_manifest_of_any_size_is_not_read_into_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "MOST_MANIFEST", 10)
    kept = tmp_path / "big.zip"
    with zipfile.ZipFile(kept, "w") as out:
        out.writestr("manifest.json", "[" * 11)
    with pytest.raises(BenchmarkError, match="larger than any backup's"):
        archive.check(kept)


def test_another_kind_of_zip_is_no_backup(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "photos.zip", "w") as out:
        out.writestr("photo.png", PICTURE)
    with pytest.raises(BenchmarkError, match=r"is no backup of a store: it has no manifest.json"):
        verify(tmp_path / "photos.zip")


def test_a_backup_that_was_written_wrongly_gets_no_name(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when the disk keeps other bytes than it was given."""
    write_archive = archive.write

    def careless(path, *given, **named):
        written = write_archive(path, *given, **named)
        body = path.read_bytes()
        middle = len(body) // 2
        path.write_bytes(body[:middle] + b"\xff" * 100 + body[middle + 100 :])
        return written

    monkeypatch.setattr(archive, "write", careless)
    with pytest.raises(BenchmarkError):
        back_up(db)
    assert not list(backup.backups_folder(db).iterdir())


# Restore


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
