"""Deciding on a file that waits: a line of the record, and laps that come in once and whole."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import duckdb

from benchmark.errors import BadQuestion, NotAllowed
from benchmark.store import record
from benchmark.store.record import Entry, Line
from benchmark.store.roles import Actor, Role
from benchmark.store.submissions import (
    ACCEPTED,
    REFUSED,
    WITHDRAWN,
    Submission,
    file_name,
    found_by_number,
    refuse_other_bytes,
    waiting,
)
from benchmark.store.taking import Taken, take_in

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.store.store import Store

WITHDRAW = "withdraw"
ABOUT = "submission"


def accept(
    store: Store,
    number: int,
    lap_file: LapFile,
    *,
    reason: str = "",
    corrected: bytes | None = None,
    at: datetime | None = None,
) -> Taken:
    """Add the laps of a submission that waits, with a line of the record; whole or not at all.

    Parameters
    ----------
    lap_file : what was read of the submission's bytes, or of `corrected`.
    reason : why; needed where the file was corrected.
    corrected : the bytes of a corrected file, which is accepted in its place; both are kept.

    Raises
    ------
    FaultyFile
        The file has faults or contradicts the store; each one is named and nothing was added.
    BadQuestion
        The submission does not wait (any more), or the file is another one.
    NotAllowed
        Whoever is signed in may not.
    """
    if corrected is not None:
        record.given(reason=reason)
        refuse_other_bytes(lap_file, corrected)

    def work(actor: Actor) -> Taken:
        found = waiting(store._connection, number)
        if corrected is None and lap_file.sha256 != found.sha256:
            raise BadQuestion(f"{lap_file.name} is not the file of submission {number}")
        return _accept(store, actor, found, lap_file, reason, corrected, at)

    return store._change(record.ACCEPT, work)


def refuse(store: Store, number: int, *, reason: str, at: datetime | None = None) -> Line:
    """Refuse a submission that waits; it is kept, and whoever handed it in sees the reason.

    Raises
    ------
    BadQuestion
        It does not wait (any more), or no reason is given.
    NotAllowed
        Whoever is signed in may not.
    """
    record.given(reason=reason)

    def work(actor: Actor) -> Line:
        found = waiting(store._connection, number)
        return _put_away(store._connection, actor, found, (record.REFUSE, REFUSED), reason, at)

    return store._change(record.REFUSE, work)


def withdraw(store: Store, number: int, *, reason: str = "", at: datetime | None = None) -> Line:
    """Take back a submission that waits; whoever handed it in may, and stewards.

    Raises
    ------
    BadQuestion
        It does not wait (any more).
    NotAllowed
        Somebody else handed it in.
    """

    def work(actor: Actor) -> Line:
        found = found_by_number(store._connection, number)
        _refuse_others(actor, found)
        found = waiting(store._connection, number)
        return _put_away(store._connection, actor, found, (WITHDRAW, WITHDRAWN), reason, at)

    return store._change(WITHDRAW, work)


def _accept(
    store: Store,
    actor: Actor,
    found: Submission,
    lap_file: LapFile,
    reason: str,
    corrected: bytes | None,
    at: datetime | None,
) -> Taken:
    connection = store._connection
    about = _subject(connection, found)
    taken = take_in(
        connection, actor, lap_file, action=record.ACCEPT, about=about, reason=reason, at=at
    )
    if corrected is not None:
        connection.execute(
            "insert into corrected_file values (?, ?, ?, ?)",
            [taken.line.number, file_name(lap_file.name), lap_file.sha256, corrected],
        )
    set_state(connection, found.number, ACCEPTED, taken.line.number)
    return taken


def _put_away(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    found: Submission,
    decision: tuple[str, str],
    reason: str,
    at: datetime | None,
) -> Line:
    """Put the decision (an action, a state) on the record; no lap changes."""
    action, state = decision
    subject = {**_subject(connection, found), "file": found.file}
    entry = Entry(action, subject, reason, {"state": found.state}, {"state": state})
    line = record.append(connection, actor, entry, at)
    set_state(connection, found.number, state, line.number)
    return line


def _subject(connection: duckdb.DuckDBPyConnection, found: Submission) -> dict[str, object]:
    """Name a submission and its evidence on the record; never its contact, which is private."""
    rows = connection.execute(
        "select sha256 from evidence where about = ? and about_no = ? order by evidence_no",
        [ABOUT, found.number],
    ).fetchall()
    digests = [digest for (digest,) in rows]
    return {
        ABOUT: found.number,
        "by": found.who,
        "handed_in": found.sha256,
        **({"evidence": digests} if digests else {}),
    }


def set_state(
    connection: duckdb.DuckDBPyConnection, number: int, state: str, decided_no: int | None
) -> None:
    """Write the state, within the transaction that the caller holds."""
    connection.execute(
        "update submission set state = ?, decided_no = ? where submission_no = ?",
        [state, decided_no, number],
    )


def _refuse_others(actor: Actor, found: Submission) -> None:
    if actor.role < Role.STEWARD and actor.name != found.who:
        raise NotAllowed(
            f"{actor.name} ({actor.role.word}) may not take back submission {found.number}: "
            "whoever handed it in may, and stewards"
        )
