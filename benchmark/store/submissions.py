"""Files that people hand in to a club: each waits until a steward accepts or refuses it.

What waits is kept as it came, in the store's file but in none of its laps: no count, fit or export
sees it. `handing_in.py` takes files in, `deciding.py` lets stewards decide.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING

import duckdb

from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.store.roles import Role

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.store.store import Store

PENDING, ACCEPTED, REFUSED, WITHDRAWN = "pending", "accepted", "refused", "withdrawn"
STATES = (PENDING, ACCEPTED, REFUSED, WITHDRAWN)
LONGEST_FILE = 120

COLUMNS = """
    submission_no, handed_in_at, submission.who, contact, submission.file, submission.sha256,
    octet_length(submission.body), laps, state, note, decided_no, record.who, record.made_at,
    record.reason, corrected_file.sha256
"""
FROM = """
    from submission
    left join record on record.number = submission.decided_no
    left join corrected_file on corrected_file.number = submission.decided_no
"""


@dataclass(frozen=True, slots=True)
class Submission:
    """One file that was handed in, and what became of it.

    `at` and `decided_at` are ISO 8601 in UTC; `size` is in bytes; `corrected_sha256` is the digest
    of the file that a steward accepted in its place.
    """

    number: int
    at: str
    who: str
    contact: str
    file: str
    sha256: str
    size: int
    laps: int
    state: str
    note: str
    decided_no: int | None = None
    decided_by: str | None = None
    decided_at: str | None = None
    reason: str | None = None
    corrected_sha256: str | None = None


def submissions(store: Store, state: str | None = None) -> list[Submission]:
    """Give the submissions that whoever is signed in may see, the oldest first.

    Stewards and owners see all, an entrant only their own, a visitor none.

    Raises
    ------
    BadQuestion
        No such state.
    """
    if state is not None and state not in STATES:
        raise BadQuestion.unknown("state", state, STATES)
    actor = store.actor()
    if actor.role < Role.ENTRANT:
        return []
    where, values = (
        ("", []) if actor.role >= Role.STEWARD else ("where submission.who = ?", [actor.name])
    )
    rows = store._rows(f"select {COLUMNS} {FROM} {where} order by submission_no", values)
    found = [Submission(*row) for row in rows]
    return [one for one in found if state in (None, one.state)]


def submission(store: Store, number: int) -> Submission:
    """Give one submission that whoever is signed in may see.

    Raises
    ------
    BadQuestion
        There is none of that number, or it is another person's.
    """
    for one in submissions(store):
        if one.number == number:
            return one
    actor = store.actor()
    whose = "" if actor.role >= Role.STEWARD else f" of {actor.name}"
    raise BadQuestion(
        f"no submission {number}{whose}: `benchmark submissions list` lists those there are"
    )


def body_of(store: Store, number: int, *, corrected: bool = False) -> bytes:
    """Give the bytes of a submission as they were handed in, or those accepted in their place.

    Raises
    ------
    BadQuestion
        As `submission`, or nothing was accepted in its place.
    BenchmarkError
        The bytes are damaged.
    """
    found = submission(store, number)
    query = "select body, sha256 from submission where submission_no = ?"
    if corrected:
        query = f"select corrected_file.body, corrected_file.sha256 {FROM} where submission_no = ?"
    rows = store._rows(query, [number])
    if rows[0][0] is None:
        raise BadQuestion(f"submission {found.number} was not corrected")
    body, sha256 = bytes(rows[0][0]), rows[0][1]
    if hashlib.sha256(body).hexdigest() != sha256:
        raise BenchmarkError(f"submission {number} is damaged: compare the store with a backup")
    return body


def found_by_number(connection: duckdb.DuckDBPyConnection, number: int) -> Submission:
    """Give a submission, whoever asks.

    Raises
    ------
    BadQuestion
        There is none of that number.
    """
    query = f"select {COLUMNS} {FROM} where submission_no = ?"
    rows = connection.execute(query, [number]).fetchall()
    if not rows:
        raise BadQuestion(
            f"no submission {number}: `benchmark submissions list` lists those there are"
        )
    return Submission(*rows[0])


def waiting(connection: duckdb.DuckDBPyConnection, number: int) -> Submission:
    """Give a submission that waits: whoever comes second is told who was first."""
    found = found_by_number(connection, number)
    if found.state != PENDING:
        raise BadQuestion(
            f"submission {number} does not wait any more: {found.state} by {found.decided_by} at "
            f"{found.decided_at}; nothing was changed"
        )
    return found


def file_name(name: str) -> str:
    """Give the last part of a file's name, without what does not show, and not too long."""
    last = PurePath(name.replace("\\", "/")).name
    shown = "".join(c if c.isprintable() else "_" for c in last)
    return shown[-LONGEST_FILE:] or "laps.csv"


def refuse_other_bytes(lap_file: LapFile, body: bytes) -> None:
    """Hold a lap file to the bytes that it is said to come from."""
    if hashlib.sha256(body).hexdigest() != lap_file.sha256:
        raise ValueError(f"{lap_file.name} was not read from these bytes")
