"""Backups of a store with the files beside it: consistent, verified at once, safe against a kill.

The store's file is copied by bytes while the writer's lock is held and nothing waits in its log, so
the copy is the store between two changes. It is packed after the lock was let go, as a draft; the
draft is read again and compared, and only then gets its name. What a kill leaves is a draft, which
the next backup clears away.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from urllib.parse import quote

from filelock import FileLock, Timeout

from benchmark.errors import BadQuestion, BenchmarkError, StoreBusy
from benchmark.store import archive, migrate, opening
from benchmark.store.archive import EVIDENCE, PEOPLE, STORE, Facts, Manifest, Report
from benchmark.store.people_file import people_path

PATIENCE_S = 60.0  # a backup may wait longer for its turn than a page
DRAFT = ".draft"
PIECE = 8 << 20  # bytes that are copied at once


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was written and verified; `sha256` is that of the whole file."""

    path: Path
    sha256: str
    size: int
    manifest: Manifest


def evidence_folder(db: Path) -> Path:
    """Give the folder of evidence that stands beside a store."""
    return db.with_name(f"{db.name}.evidence")


def backups_folder(db: Path) -> Path:
    """Give the folder where a store's backups go unless another is named."""
    return db.with_name(f"{db.name}.backups")


def back_up(
    db: Path,
    out: Path | None = None,
    *,
    keep: int | None = None,
    report: Report = lambda *_: None,
    patience_s: float = PATIENCE_S,
) -> Backup:
    """Back up a store with the files beside it, and verify the backup.

    Parameters
    ----------
    db : the store; it is held only while its file is copied.
    out : a file that is not there yet, or a folder; by default the folder of the store's backups.
    keep : how many backups of that folder stay, the latest; those made before a migration or a
        restore are not counted and stay. By default all stay.
    report : takes the share done (0 to 1) and what is being done.
    patience_s : how long to wait for the store. [s]

    Raises
    ------
    NoStore, StoreBusy
        There is no store, or another process holds it or backs it up.
    BadQuestion
        `out` is there already or its folder is not, or `keep` goes with a single file.
    BenchmarkError
        The backup cannot be written, or is not what was to be written.
    """
    path = _place(db, out)
    own_name = _own_name(db)
    if keep is not None and (keep < 1 or not own_name.fullmatch(path.name)):
        raise BadQuestion("keep at least one backup, and in a folder: `--keep` needs no file name")
    opening.refuse_missing(db)
    drafts = (one for one in backups_folder(db).glob(f"*{DRAFT}") if own_name.match(one.name))
    with one_at_a_time(db), drafting(path, drafts) as draft:
        opened = opening.open_writer(db, patience_s=patience_s)
        try:
            facts, files = copy_store(db, opened, draft, report)
        finally:
            opened.close()
        made = _pack(db, draft, path, facts, files, "", report)
    if keep is not None:
        for old in own_backups(db, path.parent)[:-keep]:
            old.unlink(missing_ok=True)
    return made


def back_up_held(
    db: Path, opened: opening.Opened, why: str, report: Report = lambda *_: None
) -> Backup:
    """Back up a store that the caller holds for writing, before something is done to it.

    `why` goes into the file's name, as in `before-schema-3`. Errors are those of `back_up`.
    """
    path = _place(db, None, f"-{why}")
    with drafting(path, backups_folder(db).glob(f"*-before-*{DRAFT}")) as draft:
        facts, files = copy_store(db, opened, draft, report)
        return _pack(db, draft, path, facts, files, why, report)


def own_backups(db: Path, folder: Path) -> list[Path]:
    """Give a store's backups in a folder that were made when asked for, oldest first."""
    own_name = _own_name(db)
    found = [path for path in folder.iterdir() if own_name.fullmatch(path.name)]
    return sorted(
        found, key=lambda path: (path.name[: len(db.name) + 17], len(path.name), path.name)
    )


def _own_name(db: Path) -> re.Pattern[str]:
    """Give the names of backups that were made when asked for: those without a reason."""
    return re.compile(rf"{re.escape(db.name)}-\d{{8}}T\d{{6}}Z(-\d+)?\.zip")


def verify(path: Path, report: Report = lambda *_: None) -> Manifest:
    """Verify a backup: every digest, and that its store opens and holds what the manifest says.

    Raises
    ------
    BenchmarkError
        It is no backup, or a damaged one.
    """
    with tempfile.TemporaryDirectory() as name:
        manifest = archive.unpack(path, Path(name), report)
        check_copy(Path(name) / STORE, manifest.facts)
    return manifest


@contextmanager
def one_at_a_time(db: Path) -> Iterator[None]:
    """Let one process back a store up or restore it; it has the store's own lock besides, later."""
    lock = FileLock(f"{db}.backup.lock", thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise StoreBusy(
            f"another process backs {db} up or restores it; try again when that has finished"
        ) from None
    except OSError as error:
        raise _cannot(db.parent, error) from error
    try:
        yield
    finally:
        lock.release()


@contextmanager
def drafting(path: Path, left: Iterable[Path] = ()) -> Iterator[Path]:
    """Give an empty folder for the drafts of `path`; first clear what kills have `left`."""
    draft = path.with_name(f"{path.name}{DRAFT}")
    try:
        for old in (draft, *left):
            shutil.rmtree(old, ignore_errors=True)
        draft.mkdir(mode=0o700, parents=True)
        yield draft
    except OSError as error:
        raise _cannot(path.parent, error) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def copy_store(
    db: Path, opened: opening.Opened, draft: Path, report: Report
) -> tuple[Facts, dict[str, Path]]:
    """Copy the store, and the accounts beside it, into the draft; name the evidence.

    Evidence is named by its content and never changes, so it is read later, where it lies.
    """
    facts = facts_of(opened, db)
    with opening.closed_meanwhile(opened, db):
        _copy(db, draft / STORE, report)
        files = {STORE: draft / STORE}
        if people_path(db).exists():
            copy_sqlite(people_path(db), draft / PEOPLE)
            files[PEOPLE] = draft / PEOPLE
        files |= {f"{EVIDENCE}{path.name}": path for path in _evidence(db)}
    return facts, files


def facts_of(opened: opening.Opened, db: Path) -> Facts:
    """Give what an open store of any version says of itself.

    Raises
    ------
    BenchmarkError
        It is no store of laps.
    """
    schema = migrate.version_of(opened.connection, db)
    if not schema:
        raise BenchmarkError(f"{db} is empty: there is nothing to back up")
    query = "select (select count(*) from lap), (select data_version from data_version)"
    laps, data_version = opened.connection.execute(query).fetchall()[0]
    return Facts(schema, laps, data_version)


def check_copy(db: Path, facts: Facts) -> None:
    """Open a copied store and compare it with what was said of it.

    Raises
    ------
    BenchmarkError
        It does not open, or is another store.
    """
    opened = opening.open_reader(db, patience_s=1)
    try:
        found = facts_of(opened, db)
    finally:
        opened.close()
    if found != facts:
        raise BenchmarkError(f"the store of this backup is not the one it names: {found}, {facts}")


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a SQLite file by its online backup, in one transaction; the target's mode stays."""
    if not target.exists():
        target.touch(mode=0o600)
    address = f"file:{quote(str(source.absolute()))}?mode=ro"
    with (
        closing(sqlite3.connect(address, uri=True)) as there,
        closing(sqlite3.connect(target)) as here,
    ):
        there.backup(here)


def _pack(
    db: Path,
    draft: Path,
    path: Path,
    facts: Facts,
    files: dict[str, Path],
    why: str,
    report: Report,
) -> Backup:
    """Pack the draft, read it again, compare, and only then give it its name."""
    made_at = datetime.now(UTC).isoformat(timespec="seconds")
    manifest = Manifest(db.name, made_at, metadata.version("benchmark"), why, facts, ())
    packed = draft / path.name
    written = archive.write(packed, manifest, files, _part(report, 0.2, 0.7))
    check_copy(draft / STORE, facts)
    if archive.check(packed, _part(report, 0.7, 1.0)) != written:
        raise BenchmarkError(f"the backup {path} was not written as it should be; try again")
    made = Backup(path, archive.digest_of(packed), packed.stat().st_size, written)
    packed.replace(path)
    sync_folder(path.parent)
    return made


def _place(db: Path, out: Path | None, why: str = "") -> Path:
    """Find the file's name: the one asked for, or one by the time in a folder."""
    if out is not None and not out.is_dir():
        if out.exists():
            raise BadQuestion(f"{out} is there already: name another file, or a folder")
        if not out.absolute().parent.is_dir():
            raise BadQuestion(f"{out} cannot be written: there is no folder {out.parent}")
        return out
    folder = out or backups_folder(db)
    name = f"{db.name}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    for number in range(1, 1000):
        path = folder / f"{name}{f'-{number}' if number > 1 else ''}{why}.zip"
        if not path.exists():
            return path
    raise BenchmarkError(f"no free name for a backup in {folder}")


def _evidence(db: Path) -> Sequence[Path]:
    folder = evidence_folder(db)
    if not folder.is_dir():
        return []
    found = (path for path in folder.iterdir() if path.is_file() and not path.is_symlink())
    return sorted(path for path in found if archive.MEMBER.fullmatch(f"{EVIDENCE}{path.name}"))


def _copy(source: Path, target: Path, report: Report) -> None:
    """Copy a file by bytes; nobody in this process may have it open (see `opening`)."""
    total, passed = source.stat().st_size or 1, 0
    with source.open("rb") as there, target.open("xb") as here:
        while piece := there.read(PIECE):
            here.write(piece)
            passed += len(piece)
            report(0.2 * passed / total, "copying")


def _part(report: Report, low: float, high: float) -> Callable[[float, str], None]:
    return lambda done, step: report(low + (high - low) * done, step)


def sync_folder(folder: Path) -> None:
    """See the names of a folder safely on the disk, where the system can do that."""
    if os.name == "posix":
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def _cannot(where: Path, error: OSError) -> BenchmarkError:
    return BenchmarkError(f"nothing was changed, {where}: {error.strerror or error}")
