"""Putting a backup in a store's place: verified first, and nothing is lost that was there.

The backup is unpacked beside the store and opened before anything is touched. There its record gets
one more line: which backup, put back by whom, and where the record ended that it replaces, for what
was done after the backup is in this store no more. Then evidence is added (its names are its
content, so nothing clashes and nothing is taken away), the accounts are replaced in one
transaction, and last of all the store's file is, in one step. A restore that is killed before that
step leaves the store as it was; doing it again finishes it.
"""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from benchmark.errors import BadQuestion, BenchmarkError, NoStore, StoreBusy
from benchmark.store import archive, migrate, opening, record
from benchmark.store.archive import EVIDENCE, PEOPLE, STORE, Manifest, Report
from benchmark.store.backup import (
    PATIENCE_S,
    Backup,
    back_up_held,
    check_copy,
    copy_sqlite,
    drafting,
    evidence_folder,
    one_at_a_time,
    sync_folder,
)
from benchmark.store.people_file import people_path
from benchmark.store.record import Entry, Json, Line
from benchmark.store.roles import Actor, SignIn, machine_user
from benchmark.store.store import Store

RESTORE = "restore"


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore did, or would do.

    `before` is the backup of the store that was there; `aside` the file that it was put aside as
    where it could not be opened. `evidence` counts the files that were added. `line` is the one of
    the record that tells of the restore, None where it was only tried.
    """

    manifest: Manifest
    before: Backup | None
    aside: Path | None
    evidence: int
    people: bool
    line: Line | None = None


@dataclass(frozen=True, slots=True)
class _Unpacked:
    """A backup that lies unpacked and verified in a folder, with what its line is to say."""

    folder: Path
    evidence: list[Path]
    about: Json
    reason: str


def restore(
    path: Path,
    db: Path,
    *,
    replace: bool = False,
    dry_run: bool = False,
    reason: str = "",
    who: SignIn | None = None,
    report: Report = lambda *_: None,
) -> Restored:
    """Put the backup `path` in the place of the store `db`, or only try it with `dry_run`.

    Raises
    ------
    NotAllowed
        The store belongs to a club, and `who` is signed in is no owner of it.
    BadQuestion
        There is a store, and `replace` was not said; or there is no such folder.
    StoreBusy
        Another process holds the store, backs it up or restores it.
    BenchmarkError
        The backup is none, or damaged; nothing was touched.
    """
    there = db.exists()
    if there and not (replace or dry_run):
        raise BadQuestion(
            f"{db} is there already and stays as it is: name another with `--db`, or back it up "
            "and replace it with `--replace`"
        )
    if not db.absolute().parent.is_dir():
        raise BadQuestion(f"there is no folder {db.absolute().parent}")
    with one_at_a_time(db), drafting(db) as draft:
        manifest = archive.unpack(path, draft, report)
        check_copy(draft / STORE, manifest.facts)
        new = _new_evidence(draft, db)
        people = (draft / PEOPLE).exists()
        if dry_run:
            return Restored(manifest, None, None, len(new), people)
        about = {"backup": archive.digest_of(path), "made_at": manifest.made_at}
        found = _Unpacked(draft, new, about, reason)
        before, aside, line = _put_in_place(found, db, who)
    return Restored(manifest, before, aside, len(new), people, line)


def _new_evidence(draft: Path, db: Path) -> list[Path]:
    """Give the pieces of evidence that are not beside the store yet."""
    unpacked = draft / EVIDENCE
    found = sorted(unpacked.iterdir()) if unpacked.is_dir() else []
    return [path for path in found if not (evidence_folder(db) / path.name).exists()]


def _put_in_place(
    found: _Unpacked, db: Path, who: SignIn | None
) -> tuple[Backup | None, Path | None, Line]:
    """Swap the files while nobody has the store; give what became of the store that was there."""
    if not db.exists():
        return None, None, _put_where_none_was(found, db)
    try:
        opened = opening.open_writer(db, patience_s=PATIENCE_S)
    except (StoreBusy, NoStore):
        raise
    except BenchmarkError:
        return None, *_replace_damaged(found, db)
    try:
        actor, ended = _look(db, opened, who)
        before = back_up_held(db, opened, "before-restore")
        line = _note(found, actor, {**ended, "kept_in": before.path.name})
        with opening.closed_meanwhile(opened, db):
            _swap(found, db)
    finally:
        opened.close()
    return before, None, line


def _look(db: Path, opened: opening.Opened, who: SignIn | None) -> tuple[Actor, Json]:
    """Give who replaces an open store, if that person may, and where its record ends."""
    if migrate.version_of(opened.connection, db) < migrate.VERSION:  # it may have no record at all
        return machine_user(), {}
    store = Store(db, opened, who)
    actor = store.require(RESTORE)
    rows = store._rows("select number, hash from record order by number desc limit 1")
    number, last_hash = rows[0] if rows else (0, record.BEGINNING)
    return actor, {"lines": number, "last_hash": last_hash}


def _note(found: _Unpacked, actor: Actor, before: Json) -> Line:
    """Write the restore into the record of the unpacked store, which becomes this program's."""
    path = found.folder / STORE
    opened = opening.open_writer(path, patience_s=PATIENCE_S)
    try:
        version = migrate.version_of(opened.connection, path)
        if version < migrate.VERSION:
            migrate.migrate(opened.connection, version)
        entry = Entry(RESTORE, found.about, found.reason, before)
        line = record.append(opened.connection, actor, entry)
        opened.connection.execute("checkpoint")  # the file alone is moved, without its log
    finally:
        opened.close()
    return line


def _put_where_none_was(found: _Unpacked, db: Path) -> Line:
    line = _note(found, machine_user(), {})
    lock = opening.take_lock(db, time.monotonic() + PATIENCE_S)
    try:
        _swap(found, db)
    finally:
        lock.release()
    return line


def _replace_damaged(found: _Unpacked, db: Path) -> tuple[Path, Line]:
    """Put a file that cannot be opened aside, with its log, and the backup in its place."""
    aside = db.with_name(f"{db.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    line = _note(found, machine_user(), {"kept_in": aside.name})
    log = db.with_name(f"{db.name}.wal")
    lock = opening.take_lock(db, time.monotonic() + PATIENCE_S)
    try:
        os.link(db, aside)
        if log.exists():  # a log beside another store than its own would be refused
            log.replace(aside.with_name(f"{aside.name}.wal"))
        _swap(found, db)
    finally:
        lock.release()
    return aside, line


def _swap(found: _Unpacked, db: Path) -> None:
    """Add evidence, replace the accounts, and last the store."""
    draft = found.folder
    if found.evidence:
        evidence_folder(db).mkdir(mode=0o700, exist_ok=True)
    for path in found.evidence:
        path.replace(evidence_folder(db) / path.name)
    if (draft / PEOPLE).exists():
        _end_sessions(draft / PEOPLE, people_path(db))
        copy_sqlite(draft / PEOPLE, people_path(db))
    mode = _mode(db)
    if (draft / PEOPLE).exists():  # a club's: it holds how to reach people
        mode &= 0o770
    (draft / STORE).chmod(mode)
    (draft / STORE).replace(db)
    sync_folder(db.absolute().parent)


def _end_sessions(unpacked: Path, live: Path) -> None:
    """End every session, of the backup and of now, and keep their rows: none may start again."""
    try:
        with closing(sqlite3.connect(unpacked)) as people, people:
            if live.exists():
                people.execute("attach ? as live", (str(live),))
                people.execute("insert or ignore into session select * from live.session")
            people.execute("update session set ended_at = coalesce(ended_at, ?)", (time.time(),))
    except sqlite3.DatabaseError as error:
        raise BenchmarkError(f"nothing of the store was changed: accounts: {error}") from error


def _mode(db: Path) -> int:
    """Give the rights that the store's file has, or a new one gets."""
    if db.exists():
        return db.stat().st_mode & 0o777
    mask = os.umask(0o077)
    os.umask(mask)
    return 0o666 & ~mask
