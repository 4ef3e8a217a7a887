"""Striking a lap and putting it back: a struck lap stays in the store and counts no more."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import duckdb

from benchmark.errors import BadQuestion
from benchmark.intake.cells import Value
from benchmark.intake.checks import told
from benchmark.intake.columns import LAP_KEY
from benchmark.store import record
from benchmark.store.record import Entry, Json, Line
from benchmark.store.roles import Actor

STRIKE, UNSTRIKE = "strike", "unstrike"


@dataclass(frozen=True, slots=True)
class Decided:
    """A decision on one lap; `key` is the lap's key, `more` what else the line says of after."""

    action: str
    lap_id: int
    key: Json
    reason: str
    more: Json = field(default_factory=dict)


def rule(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    action: str,
    lap: Mapping[str, Value],
    *,
    reason: str,
    at: datetime | None = None,
) -> Line:
    """Strike a lap or put it back, within the transaction that the caller holds.

    Parameters
    ----------
    action : `STRIKE` or `UNSTRIKE`.
    lap : the lap's key: circuit, layout, date, session, build, run and lap.
    reason : why; needed.
    at : when it was decided; now by default.

    Raises
    ------
    BadQuestion
        No such lap, one that is struck already (or is not), or no reason.
    """
    record.given(reason=reason)
    meant = lap_id(connection, lap)
    is_struck = bool(connection.execute("from struck where lap_id = ?", [meant]).fetchall())
    if is_struck == (action == STRIKE):
        state = "is struck already" if is_struck else "is not struck"
        raise BadQuestion(f"{_named(lap)} {state}")
    return put(connection, actor, Decided(action, meant, _key(lap), reason), at)


def put(
    connection: duckdb.DuckDBPyConnection, actor: Actor, what: Decided, at: datetime | None
) -> Line:
    """Write a decision that was checked, its line, and what undoing it needs."""
    lap = [what.lap_id]
    found = connection.execute("select number from struck where lap_id = ?", lap).fetchall()
    strikes = what.action == STRIKE
    before, after = {"struck": bool(found)}, {"struck": strikes, **what.more}
    entry = Entry(what.action, what.key, what.reason, before, after)
    line = record.append(connection, actor, entry, at)
    connection.execute("delete from struck where lap_id = ?", lap)
    if found:
        values = [line.number, what.lap_id, found[0][0]]
        connection.execute("insert into moved values (?, 'struck', ?, 'number', ?)", values)
    if strikes:
        connection.execute("insert into struck values (?, ?)", [what.lap_id, line.number])
    connection.execute(
        """
        insert into touch
        select $number, 'struck', lap_id, true from lap where lap_id = $lap
        union all select $number, 'run', run_id, false from lap where lap_id = $lap
        """,
        {"number": line.number, "lap": what.lap_id},
    )
    connection.execute("update data_version set data_version = data_version + 1")
    return line


def lap_id(connection: duckdb.DuckDBPyConnection, lap: Mapping[str, Value]) -> int:
    """Give the number of the lap that has this key.

    Raises
    ------
    BadQuestion
        There is none.
    """
    same = " and ".join(f"{name} = ?" for name in LAP_KEY)
    query = f"select lap_id from lap_table where {same}"
    rows = connection.execute(query, [lap[name] for name in LAP_KEY]).fetchall()
    if not rows:
        raise BadQuestion(f"no lap {_named(lap)} in the store")
    return int(rows[0][0])


def _named(lap: Mapping[str, Value]) -> str:
    return ", ".join(f"{name} {told(name, lap[name])}" for name in LAP_KEY)


def _key(lap: Mapping[str, Value]) -> dict[str, int | str]:
    return {name: v if isinstance(v := lap[name], int) else str(v) for name in LAP_KEY}
