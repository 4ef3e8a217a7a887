"""Opening the store's file so that readers and writers of several processes take turns.

DuckDB gives a file to one writer or to several readers. Retrying alone starves the writer, so a
lock file stands beside the store: a reader takes it only while it opens, a writer from before it
opens until it has closed.
"""

from __future__ import annotations

import logging
import os
import re
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import duckdb
from filelock import FileLock, Timeout

from benchmark.errors import BenchmarkError, NoStore, StoreBusy
from benchmark.store.served import refuse_if_read_only

LOG = logging.getLogger(__name__)
PATIENCE_S = 30.0
TOLD_AFTER_S = 3.0  # whoever waits longer is told for whom
RETRY_S = 0.02
# Locked from the start, for every connection of this process to the file.
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "memory_limit": "1GB",
    "storage_compatibility_version": "v1.5.0",
    "lock_configuration": "true",
}
BUSY = ("Could not set lock", "different configuration", "being used by another process")


class Turn:
    """The lock beside a store, with a gate before it: in a process one thread at a time waits.

    Without the gate all threads of an app would look for the lock again and again, and it would be
    luck who gets it.
    """

    _gates: ClassVar[defaultdict[str, threading.Lock]] = defaultdict(threading.Lock)

    def __init__(self, path: Path) -> None:
        self._gate = self._gates[str(path.absolute())]
        self._lock = FileLock(f"{path}.lock", poll_interval=RETRY_S, thread_local=False)

    def acquire(self, until: float) -> bool:
        """Wait for the turn until then, on the monotonic clock; tell whether it came. [s]"""
        if not self._gate.acquire(timeout=max(until - time.monotonic(), 0)):
            return False
        try:
            self._lock.acquire(timeout=max(until - time.monotonic(), 0))
        except Timeout:
            self._gate.release()
            return False
        except BaseException:
            self._gate.release()
            raise
        return True

    def release(self) -> None:
        """Let the next one in."""
        self._lock.release()
        self._gate.release()


@dataclass(slots=True)
class Opened:
    """A connection to the store, and the lock where it is a writer's."""

    connection: duckdb.DuckDBPyConnection
    lock: Turn | None = None

    def close(self) -> None:
        """Close the connection first: an unlocked file must not be open for writing."""
        self.connection.close()
        if self.lock is not None:
            self.lock.release()


@contextmanager
def closed_meanwhile(opened: Opened, path: Path) -> Iterator[None]:
    """Close a writer's connection for a while and let nobody else in: the file is at rest.

    Nothing waits in its log then, so that the file may be copied by bytes or replaced.
    """
    log = path.with_name(f"{path.name}.wal")
    if log.exists():
        # What a kill left of a transaction stays in the log until something is written.
        opened.connection.execute(
            "begin; create table at_rest (nothing integer); drop table at_rest; commit; checkpoint"
        )
    opened.connection.close()
    if log.exists():
        raise BenchmarkError(f"{path} could not be brought to rest; is its folder full?")
    try:
        yield
    finally:
        opened.connection = _connect(path, time.monotonic() + PATIENCE_S, read_only=False)


def no_store(path: Path) -> NoStore:
    """Say that there is no store, and how to get one."""
    return NoStore(f"no store at {path} yet: run `benchmark import FILE...` or `benchmark demo`")


def open_reader(path: Path, patience_s: float) -> Opened:
    """Open the store to ask; the lock is held only meanwhile.

    Raises
    ------
    NoStore, StoreBusy
        There is no such file, or it stayed in use for `patience_s`. [s]
    BenchmarkError
        The file is no DuckDB file.
    """
    until = time.monotonic() + patience_s
    refuse_missing(path)
    try:
        lock = take_lock(path, until)
    except PermissionError:  # nobody can write in such a folder, so there is nobody to wait for
        return Opened(_connect(path, until, read_only=True))
    try:
        return Opened(_connect(path, until, read_only=True))
    finally:
        lock.release()


def open_writer(
    path: Path,
    new: Callable[[duckdb.DuckDBPyConnection], None] | None = None,
    *,
    patience_s: float,
) -> Opened:
    """Open the store to change it; where `new` is given it fills a store that is not there yet.

    Raises
    ------
    NoStore, StoreBusy
        There is no such file (or no such folder), or it stayed in use for `patience_s`. [s]
    BenchmarkError
        The file is no DuckDB file.
    NotAllowed
        This process serves the store to be read.
    """
    refuse_if_read_only()
    until = time.monotonic() + patience_s
    if new is None or not path.parent.is_dir():
        refuse_missing(path)
    lock = take_lock(path, until)
    try:
        if new is not None and not _is_there(path):
            _create(path, new)
        refuse_missing(path)
        return Opened(_connect(path, until, read_only=False), lock)
    except BaseException:
        lock.release()
        raise


def memory() -> duckdb.DuckDBPyConnection:
    """Open a store that is nowhere: what an import would do is tried out on it."""
    return duckdb.connect(":memory:", config=CONFIG)


def _create(path: Path, new: Callable[[duckdb.DuckDBPyConnection], None]) -> None:
    """Make the store beside its place and move it there: a kill leaves all of it or nothing."""
    draft = path.with_name(f"{path.name}.new")
    for left in (draft, draft.with_name(f"{draft.name}.wal")):
        left.unlink(missing_ok=True)
    with duckdb.connect(str(draft), config=CONFIG) as connection:
        new(connection)
        connection.execute("checkpoint")
    draft.replace(path)


def _is_there(path: Path) -> bool:
    """Tell whether there is a file with something in it; `stat` does not touch DuckDB's lock."""
    return path.is_file() and path.stat().st_size > 0


def refuse_missing(path: Path) -> None:
    """Raise NoStore where there is no store."""
    if not _is_there(path):
        raise no_store(path)


def take_lock(path: Path, until: float) -> Turn:
    """Take the lock that stands beside a store; `until` is on the monotonic clock. [s]

    Raises
    ------
    StoreBusy
        Another process has it.
    """
    turn = Turn(path)
    first_until = min(until, time.monotonic() + TOLD_AFTER_S)
    if turn.acquire(first_until):
        return turn
    if first_until < until:
        _tell_waiting(_busy(path, _why_closed(path)))
        if turn.acquire(until):
            return turn
    raise _busy(path, _why_closed(path))


def _connect(path: Path, until: float, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    tell_at = time.monotonic() + TOLD_AFTER_S
    while True:
        try:
            connection = duckdb.connect(str(path), read_only=read_only, config=CONFIG)
        except (duckdb.IOException, duckdb.ConnectionException) as error:
            if not any(sign in str(error) for sign in BUSY):
                raise BenchmarkError(f"{path} is no store of laps: {_short(error)}") from error
            if time.monotonic() > until:
                raise _busy(path, str(error)) from error
            if time.monotonic() > tell_at:
                tell_at = until
                _tell_waiting(_busy(path, str(error)))
            time.sleep(RETRY_S)
        else:
            return connection


def _tell_waiting(busy: StoreBusy) -> None:
    """Log who is in the way; one's own threads come and go by the dozen and are no news."""
    said = str(busy).partition(";")[0]
    if "this process" not in said:
        LOG.warning("%s; waiting", said)


def _why_closed(path: Path) -> str:
    """Give DuckDB's words for why the file cannot be opened: they name the process."""
    try:
        duckdb.connect(str(path), read_only=True, config=CONFIG).close()
    except duckdb.Error as error:
        return str(error)
    return ""


def _busy(path: Path, why: str) -> StoreBusy:
    named = re.search(r"PID (\d+)", why)
    pid = int(named[1]) if named else _holder(path)
    if "different configuration" in why or pid == os.getpid():
        who = f"this process (PID {os.getpid()})"
    else:
        who = f"another process (PID {pid})" if pid else "another process"
    return StoreBusy(f"{path} is busy: {who} holds it; try again when that has finished")


def _holder(path: Path) -> int:
    """Give the process that has the lock beside the store, 0 where the system does not tell.

    It is one that copies or replaces the file, or a writer who waits for a reader to leave; DuckDB
    has no word for those. Linux lists locks in /proc/locks: kind, mode, process, device:inode.
    """
    try:
        inode = Path(f"{path}.lock").stat().st_ino
        listed = [line.split() for line in Path("/proc/locks").read_text("ascii").splitlines()]
    except (OSError, UnicodeDecodeError):
        return 0
    # A line with an arrow in the second place is one who waits.
    held = (words for words in listed if words[1:2] == ["FLOCK"])
    found = [int(words[4]) for words in held if words[5].rpartition(":")[2] == str(inode)]
    return max(found, default=0)


def _short(error: Exception) -> str:
    return str(error).splitlines()[0]
