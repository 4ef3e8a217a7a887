"""Putting a backup in a store's place: verified first, and nothing is lost that was there.

The backup is unpacked beside the store and opened before anything is touched. Then evidence is
added (its names are its content, so nothing clashes and nothing is taken away), the accounts are
replaced in one transaction, and last of all the store's file is, in one step. A restore that is
killed before that step leaves the store as it was; doing it again finishes it.
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
from benchmark.store import archive, migrate, opening
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
from benchmark.store.roles import SignIn
from benchmark.store.store import Store


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore did, or would do.

    `before` is the backup of the store that was there; `aside` the file that it was put aside as
    where it could not be opened. `evidence` counts the files that were added.
    """

    manifest: Manifest
    before: Backup | None
    aside: Path | None
    evidence: int
    people: bool


def restore(
    path: Path,
    db: Path,
    *,
    replace: bool = False,
    dry_run: bool = False,
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
        before, aside = _put_in_place(draft, db, new, who)
    return Restored(manifest, before, aside, len(new), people)


def _new_evidence(draft: Path, db: Path) -> list[Path]:
    """Give the pieces of evidence that are not beside the store yet."""
    unpacked = draft / EVIDENCE
    found = sorted(unpacked.iterdir()) if unpacked.is_dir() else []
    return [path for path in found if not (evidence_folder(db) / path.name).exists()]


def _put_in_place(
    draft: Path, db: Path, new: list[Path], who: SignIn | None
) -> tuple[Backup | None, Path | None]:
    """Swap the files while nobody has the store; give what became of the store that was there."""
    if not db.exists():
        lock = opening.take_lock(db, time.monotonic() + PATIENCE_S)
        try:
            _swap(draft, db, new)
        finally:
            lock.release()
        return None, None
    try:
        opened = opening.open_writer(db, patience_s=PATIENCE_S)
    except (StoreBusy, NoStore):
        raise
    except BenchmarkError:
        return None, _replace_damaged(draft, db, new)
    try:
        if migrate.version_of(opened.connection, db) == migrate.VERSION:  # older ones had no people
            Store(db, opened, who).require("restore")
        before = back_up_held(db, opened, "before-restore")
        with opening.closed_meanwhile(opened, db):
            _swap(draft, db, new)
    finally:
        opened.close()
    return before, None


def _replace_damaged(draft: Path, db: Path, new: list[Path]) -> Path:
    """Put a file that cannot be opened aside, with its log, and the backup in its place."""
    aside = db.with_name(f"{db.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    log = db.with_name(f"{db.name}.wal")
    lock = opening.take_lock(db, time.monotonic() + PATIENCE_S)
    try:
        os.link(db, aside)
        if log.exists():  # a log beside another store than its own would be refused
            log.replace(aside.with_name(f"{aside.name}.wal"))
        _swap(draft, db, new)
    finally:
        lock.release()
    return aside


def _swap(draft: Path, db: Path, new: list[Path]) -> None:
    """Add evidence, replace the accounts, and last the store."""
    if new:
        evidence_folder(db).mkdir(mode=0o700, exist_ok=True)
    for path in new:
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
