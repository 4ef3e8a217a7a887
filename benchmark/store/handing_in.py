"""Handing in a file: its checks, and the limits that keep anybody from filling the queue."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, TypeAlias

import duckdb

from benchmark.errors import BadQuestion, FaultyFile, NotAllowed
from benchmark.store import settings
from benchmark.store.record import stamp
from benchmark.store.roles import NOBODY, Actor, Role
from benchmark.store.submissions import (
    ACCEPTED,
    COLUMNS,
    FROM,
    PENDING,
    Submission,
    file_name,
    found_by_number,
    refuse_other_bytes,
)

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.store.store import Store

HAND_IN = "hand_in"
# Limits, so that nobody can fill the disk or the stewards' queue; choices of ours. All who are not
# signed in share one share.
MOST_BYTES = 20_000_000
MOST_PENDING_EACH = 100
MOST_A_DAY_EACH = 300
MOST_PENDING = 1_000
MOST_PENDING_BYTES = 1_000_000_000
# Of what waits and of a day: less than all, so that nobody alone shuts the others out. All who are
# not signed in count as one.
MOST_BYTES_EACH = 250_000_000
LONGEST_CONTACT, LONGEST_NOTE = 200, 1_000

Then: TypeAlias = Callable[[Actor, Submission], object]


@dataclass(frozen=True, slots=True)
class HandedIn:
    """What came of handing in: `is_new` is false where the same bytes had been handed in."""

    submission: Submission
    is_new: bool


def hand_in(
    store: Store,
    lap_file: LapFile,
    body: bytes,
    *,
    contact: str = "",
    note: str = "",
    then: Then | None = None,
    at: datetime | None = None,
) -> HandedIn:
    """Hand in a lap table; it waits for a steward.

    The same bytes from the same person are one submission while the first waits or was accepted.
    What contradicts the store is no bar: the steward decides.

    Parameters
    ----------
    lap_file : what was read of `body`.
    contact : how the stewards reach whoever hands in; shown to them alone.
    note : what the stewards should know.
    then : is done with the submission in the same transaction; evidence is attached so.

    Raises
    ------
    FaultyFile
        The file has faults by itself; each one is named.
    BadQuestion
        It has no laps, is too large, a text is too long, or too much waits already.
    NotAllowed
        Visitors may not hand in here.
    """
    if lap_file.faults:
        raise FaultyFile(lap_file.faults)
    refuse_other_bytes(lap_file, body)
    if not lap_file.run_laps.num_rows:
        raise BadQuestion(f"{lap_file.name} has no laps: nothing to hand in")
    if len(body) > MOST_BYTES:
        raise BadQuestion(
            f"{lap_file.name} has {len(body) / 1e6:.1f} MB; hand in at most "
            f"{MOST_BYTES // 1_000_000} MB at once"
        )
    texts = (
        _text("contact", contact, LONGEST_CONTACT),
        _text("note", note, LONGEST_NOTE),
        file_name(lap_file.name),
    )

    def work(actor: Actor) -> HandedIn:
        handed = _hand_in(store._connection, actor, lap_file, body, texts, at)
        if then is not None:
            then(actor, handed.submission)
        return handed

    return store._change(HAND_IN, work)


def _hand_in(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    lap_file: LapFile,
    body: bytes,
    texts: Sequence[str],
    at: datetime | None,
) -> HandedIn:
    visitors_may = settings.value_of(connection, settings.VISITORS_HAND_IN) == settings.YES
    if actor.role < Role.ENTRANT and not visitors_may:
        raise NotAllowed(_not_taken(actor))
    same = _same(connection, actor, lap_file.sha256)
    if same is not None:
        return HandedIn(same, is_new=False)
    _refuse_too_much(connection, actor, len(body), at)
    contact, note, file = texts
    connection.execute(
        """
        insert into submission
        select (select coalesce(max(submission_no), 0) from submission) + 1,
            ?, ?, ?, ?, ?, ?, ?, ?, null, ?
        """,
        [
            *(stamp(at), actor.name, contact, file, lap_file.sha256, body),
            *(lap_file.run_laps.num_rows, PENDING, note),
        ],
    )
    number = connection.execute("select max(submission_no) from submission").fetchall()[0][0]
    return HandedIn(found_by_number(connection, number), is_new=True)


def _not_taken(actor: Actor) -> str:
    if actor.name == NOBODY:
        return "this club takes files from people who have signed in: sign in first"
    return f"{actor.name} (visitor) may not hand in a file: ask an owner of the club to be entrant"


def _same(connection: duckdb.DuckDBPyConnection, actor: Actor, sha256: str) -> Submission | None:
    """Find the same bytes of the same person, that wait or were accepted."""
    rows = connection.execute(
        f"""
        select {COLUMNS} {FROM}
        where submission.who = ? and submission.sha256 = ? and state in (?, ?)
        order by submission_no limit 1
        """,
        [actor.name, sha256, PENDING, ACCEPTED],
    ).fetchall()
    return Submission(*rows[0]) if rows else None


def _refuse_too_much(
    connection: duckdb.DuckDBPyConnection, actor: Actor, size: int, at: datetime | None
) -> None:
    since = stamp((at or datetime.now(UTC)) - timedelta(days=1))
    own, day, own_bytes, waiting, waiting_bytes = connection.execute(
        """
        select count(*) filter (who = $who and state = $pending),
            count(*) filter (who = $who and handed_in_at > $since),
            coalesce(sum(octet_length(body)) filter (
                who = $who and (state = $pending or handed_in_at > $since)
            ), 0),
            count(*) filter (state = $pending),
            coalesce(sum(octet_length(body)) filter (state = $pending), 0)
        from submission
        """,
        {"who": actor.name, "pending": PENDING, "since": since},
    ).fetchall()[0]
    if own >= MOST_PENDING_EACH:
        raise BadQuestion(
            f"{own} files of {actor.name} wait already: try again when a steward has decided"
        )
    if day >= MOST_A_DAY_EACH:
        raise BadQuestion(f"{actor.name} handed in {day} files within a day: try again tomorrow")
    if own_bytes + size > MOST_BYTES_EACH:
        raise BadQuestion(
            f"{actor.name} handed in {own_bytes / 1e6:.0f} MB that wait or are of a day: try again "
            "tomorrow, or when a steward has decided"
        )
    if waiting >= MOST_PENDING or waiting_bytes + size > MOST_PENDING_BYTES:
        raise BadQuestion(
            f"{waiting} files wait already, {waiting_bytes / 1e6:.0f} MB: try again when the "
            "stewards have decided"
        )


def _text(what: str, text: str, longest: int) -> str:
    """Take a text of a person: control characters become blanks, ends are trimmed."""
    shown = "".join(c if c.isprintable() or c == "\n" else " " for c in text).strip()
    if len(shown) > longest:
        raise BadQuestion(f"the {what} has {len(shown)} characters; shorten it to {longest}")
    return shown
