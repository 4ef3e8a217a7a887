"""Periods of protest, of a day at a circuit: once it is closed, the result is final."""

from __future__ import annotations

from datetime import date, datetime

import duckdb

from benchmark.errors import BadQuestion
from benchmark.intake.cells import clean
from benchmark.store import record
from benchmark.store.record import Entry, Json, Line
from benchmark.store.roles import Actor

PROTEST = "protest"
OPEN, CLOSED = "open", "closed"


def rule(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    state: str,
    where: tuple[str, date],
    *,
    reason: str,
    at: datetime | None = None,
) -> Line:
    """Open or close the period, within the transaction that the caller holds.

    Parameters
    ----------
    state : `OPEN` or `CLOSED`.
    where : circuit and day.

    Raises
    ------
    BadQuestion
        No laps of that day at that circuit, no reason, or it is so already.
    """
    record.given(reason=reason)
    circuit, day = clean(where[0]), where[1]
    days = dict.fromkeys(
        (name, held.isoformat())
        for name, held in connection.execute(
            "select circuit, date from event join circuit using (circuit_id) order by all"
        ).fetchall()
    )
    if (circuit, day.isoformat()) not in days:
        held = [f"{name} on {when}" for name, when in days]
        raise BadQuestion.unknown("event", f"{circuit} on {day}", held)
    before = _state(connection, circuit, day)
    if before["state"] == state:
        raise BadQuestion(f"the protest period of {circuit} on {day} is {state} already")
    if state == CLOSED and before["state"] is None:
        raise BadQuestion(f"no protest period of {circuit} on {day} was opened")
    after = {"state": state, "since": record.stamp(at)}
    subject = {"circuit": circuit, "date": day.isoformat()}
    line = record.append(connection, actor, Entry(PROTEST, subject, reason, before, after), at)
    put(connection, subject, after)
    return line


def put(connection: duckdb.DuckDBPyConnection, subject: Json, state: Json) -> None:
    """Write the state of a day; a state of None is that of a day without a period."""
    day = [subject["circuit"], subject["date"]]
    connection.execute("delete from protest where circuit = ? and date = ?", day)
    if state["state"] is not None:
        values = [*day, state["state"], state["since"]]
        connection.execute("insert into protest values (?, ?, ?, ?)", values)


def _state(connection: duckdb.DuckDBPyConnection, circuit: str, day: date) -> dict[str, str | None]:
    query = "select state, since from protest where circuit = ? and date = ?"
    rows = connection.execute(query, [circuit, day]).fetchall()
    state, since = rows[0] if rows else (None, None)
    return {"state": state, "since": since}
