"""Striking a lap and putting it back: a struck lap stays in the store and counts no more."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import duckdb

from benchmark.errors import BadQuestion
from benchmark.intake.cells import Value
from benchmark.intake.checks import told
from benchmark.intake.columns import LAP_KEY
from benchmark.store import record
from benchmark.store.record import Entry, Line
from benchmark.store.roles import Actor

STRIKE, UNSTRIKE = "strike", "unstrike"


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
    lap_id = _lap_id(connection, lap)
    found = connection.execute("select number from struck where lap_id = ?", [lap_id]).fetchall()
    struck_by = found[0][0] if found else None
    if (struck_by is not None) == (action == STRIKE):
        state = "is struck already" if found else "is not struck"
        raise BadQuestion(f"{_named(lap)} {state}")
    before, after = {"struck": bool(found)}, {"struck": not found}
    line = record.append(connection, actor, Entry(action, _key(lap), reason, before, after), at)
    if action == STRIKE:
        connection.execute("insert into struck values (?, ?)", [lap_id, line.number])
    else:
        connection.execute("delete from struck where lap_id = ?", [lap_id])
    connection.execute("update data_version set data_version = data_version + 1")
    return line


def _lap_id(connection: duckdb.DuckDBPyConnection, lap: Mapping[str, Value]) -> int:
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
