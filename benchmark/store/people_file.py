"""The file of sign-in beside a store: hashes of passwords, sessions, failures, refusals.

It is apart from the store, so that a store of laps can be given away without it. Who holds which
role stands in the store. Only the account that made the file may read it (mode 0600); a connection
lives for one `with` block, and SQLite lets processes take turns.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from tempfile import mkstemp

from benchmark.errors import BenchmarkError, StoreBusy

PATIENCE_S = 10.0
SCHEMA = """
-- One row is one person with a password; `key` is the name as it is compared.
create table if not exists account (
    key text primary key, name text not null, hash text not null, changed_at real not null
) strict;

-- One row is one sign-in; `digest` is the SHA-256 of its token, which is kept nowhere.
create table if not exists session (
    digest text primary key, key text not null, name text not null, started_at real not null,
    seen_at real not null, expires_at real not null, ended_at real
) strict;

-- One row is a browser in which that person has signed in before.
create table if not exists device (
    digest text primary key, key text not null, expires_at real not null
) strict;

-- One row counts failed sign-ins of one address, one name, both together or one device.
create table if not exists failure (
    what text primary key, count integer not null, last_at real not null, until real not null
) strict;

-- One row is a person whom a provider vouches for, by its own number for that person.
create table if not exists identity (
    key text primary key, issuer text not null, subject text not null, first_at real not null
) strict;

-- One row is something that was not allowed; the same again is counted.
create table if not exists refusal (
    number integer primary key, first_at real not null, last_at real not null,
    person text not null, action text not null, detail text not null, times integer not null,
    unique (person, action, detail)
) strict;
"""


def people_path(db: Path | str) -> Path:
    """Give the place of the file that belongs to a store."""
    path = Path(db)
    return path.with_name(f"{path.name}.people")


@contextmanager
def people(
    db: Path | str, *, write: bool = True, patience_s: float = PATIENCE_S
) -> Iterator[sqlite3.Connection]:
    """Open the file beside the store, made where there is none; one transaction, all or nothing.

    Raises
    ------
    StoreBusy
        Another process has been writing for `patience_s`. [s]
    BenchmarkError
        The file cannot be made or is no such file.
    """
    path = people_path(db)
    try:
        if not path.exists():
            _make(path)
        with closing(sqlite3.connect(path, timeout=patience_s, isolation_level=None)) as connection:
            connection.execute("pragma synchronous = normal")
            connection.execute("begin immediate" if write else "begin")
            try:
                yield connection
                connection.execute("commit")
            except BaseException:
                connection.execute("rollback")
                raise
    except (OSError, sqlite3.OperationalError) as error:
        if "locked" in str(error):
            raise StoreBusy(f"{path} is busy: another process is writing; try again") from error
        raise BenchmarkError(f"{path} cannot be used: {error}") from error
    except sqlite3.DatabaseError as error:
        raise BenchmarkError(f"{path} is no file of sign-ins: {error}") from error


def _make(path: Path) -> None:
    """Make the file beside its place and link it there whole, unless somebody was quicker.

    It is made with the mode 0600; SQLite gives its companions (`-wal`, `-shm`) the same one.
    """
    number, name = mkstemp(prefix=f"{path.name}.", dir=path.parent)
    os.close(number)
    draft = Path(name)
    try:
        with closing(sqlite3.connect(draft)) as connection:
            connection.execute("pragma journal_mode = wal")
            connection.executescript(SCHEMA)
        with suppress(FileExistsError):
            os.link(draft, path)
    finally:
        draft.unlink()
