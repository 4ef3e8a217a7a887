"""The record: one line for each change that matters, appended, never altered, each chained.

The hash of a line covers what it says and the hash of the line before it, so a line that was
changed, taken out or slipped in later breaks the chain; `check_chain` says where. What the chain
alone cannot show is that its end was cut off or all of it written anew: publish the last hash for
that. Nothing here asks who may: the callers have (roles.py).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import duckdb

from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.store.roles import Actor

BEGINNING = "0" * 64
# The columns of the table, in the order of a line's fields; `at` is a word of SQL.
FIELDS = "number, made_at, who, role, action, subject, reason, before, after, previous_hash, hash"
IMPORT, ACCEPT, REFUSE = "import", "accept", "refuse"

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the record.

    `at` is ISO 8601 in UTC, `role` the one in which `who` acted. `subject`, `before` and `after`
    are JSON: what the line is about, in words that hold outside this store too, and what it
    changed from and to.
    """

    number: int
    at: str
    who: str
    role: str
    action: str
    subject: str
    reason: str
    before: str
    after: str
    previous_hash: str
    hash: str

    def digest(self) -> str:
        """Give the SHA-256 over what the line says and the hash of the one before."""
        said = astuple(self)[:-1]
        text = json.dumps(said, ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Entry:
    """What a line is to say; `append` adds number, time and hash."""

    action: str
    subject: Json
    reason: str = ""
    before: Json = field(default_factory=dict)
    after: Json = field(default_factory=dict)


def append(
    connection: duckdb.DuckDBPyConnection, actor: Actor, entry: Entry, at: datetime | None = None
) -> Line:
    """Append a line, within the transaction that the caller holds; `at` is now by default."""
    last = connection.execute(
        "select number, hash from record order by number desc limit 1"
    ).fetchall()
    number, previous = last[0] if last else (0, BEGINNING)
    line = Line(
        number + 1,
        stamp(at),
        actor.name,
        actor.role.word,
        entry.action,
        to_json(entry.subject),
        entry.reason.strip(),
        to_json(entry.before),
        to_json(entry.after),
        previous,
        "",
    )
    line = replace(line, hash=line.digest())
    marks = ", ".join("?" * len(astuple(line)))
    connection.execute(f"insert into record ({FIELDS}) values ({marks})", list(astuple(line)))
    return line


def read(connection: duckdb.DuckDBPyConnection) -> list[Line]:
    """Give the whole record, oldest first, unchecked."""
    rows = connection.execute(f"select {FIELDS} from record order by number, hash").fetchall()
    return [Line(*row) for row in rows]


def check_chain(lines: Sequence[Line]) -> None:
    """Check that nothing in the record was altered since it was written.

    Raises
    ------
    BenchmarkError
        The first line that does not fit the one before it.
    """
    previous = BEGINNING
    for number, line in enumerate(lines, start=1):
        whole = line.number == number and line.previous_hash == previous
        if not whole or line.hash != line.digest():
            raise BenchmarkError(f"the record was altered at line {number}; compare it with a copy")
        previous = line.hash


def given(**texts: str) -> None:
    """Ask for the texts that a ruling needs.

    Raises
    ------
    BadQuestion
        One is blank; the message names it.
    """
    for name, text in texts.items():
        if not text.strip():
            raise BadQuestion(f"a ruling needs a {name}; write one")


def to_json(value: Json) -> str:
    """Write JSON that is the same for the same value."""
    return json.dumps(value, ensure_ascii=False)


def stamp(at: datetime | None) -> str:
    """Write a moment as the record does: ISO 8601, UTC, whole seconds."""
    return (at or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
