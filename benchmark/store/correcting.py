"""Correcting what runs say of a build: its specification, its tyres, who drove, day by day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import duckdb

from benchmark.errors import BadQuestion, BadValue
from benchmark.intake.cells import Value, clean, read_value
from benchmark.store import record
from benchmark.store.known import CORRECTABLE
from benchmark.store.naming import driver_id, known_name, tidy
from benchmark.store.record import Entry, Line
from benchmark.store.roles import Actor

CORRECT = "correct"
RUN = ("circuit", "layout", "date", "session", "run")


@dataclass(frozen=True, slots=True)
class Correction:
    """What is corrected: facts (as text, empty is not recorded) of a build's runs in some days.

    Runs from `first` to `last` (to the end where it is None), both days counted. Laps that are
    handed in later say what they say.
    """

    build: str
    facts: Mapping[str, str]
    first: date
    last: date | None = None


def correct(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    what: Correction,
    *,
    reason: str,
    at: datetime | None = None,
) -> Line:
    """Correct the runs, within the transaction that the caller holds.

    Raises
    ------
    BadQuestion
        An unknown build or fact, an illegal value, no run in those days, nothing to change, or no
        reason.
    """
    record.given(reason=reason)
    build = known_name(connection, "build", what.build)
    values = {fact: _value(connection, fact, text) for fact, text in what.facts.items()}
    if not values:
        raise BadQuestion(f"nothing to correct: give at least one of {', '.join(CORRECTABLE)}")
    _choose(connection, build, what)
    before = _runs_that_change(connection, values)
    days = {"from": what.first.isoformat(), "to": what.last.isoformat() if what.last else None}
    subject = {"build": build, **days, "set": dict(what.facts)}
    entry = Entry(CORRECT, subject, reason, {"runs": before}, {"runs": len(before), "set": values})
    line = record.append(connection, actor, entry, at)
    for fact, value in values.items():
        _set(connection, line.number, fact, value)
    tidy(connection)
    connection.execute("update data_version set data_version = data_version + 1")
    return line


def _value(connection: duckdb.DuckDBPyConnection, fact: str, text: str) -> Value:
    """Read a value as an import would; a driver has the name of now."""
    if fact not in CORRECTABLE:
        raise BadQuestion.unknown("fact to correct", fact, CORRECTABLE)
    try:
        value = read_value(fact, clean(text))
    except BadValue as bad:
        raise BadQuestion(f'{fact} "{text}": {bad}') from bad
    if fact != "driver":
        return value
    query = "select now_name from known_as where kind = 'driver' and name = ?"
    merged = connection.execute(query, [value]).fetchall()
    return str(merged[0][0]) if merged else value


def _choose(connection: duckdb.DuckDBPyConnection, build: str, what: Correction) -> None:
    """Fill temporary table `chosen` with the runs of those days."""
    if what.last is not None and what.last < what.first:
        raise BadQuestion(f"{what.last} is before {what.first}: the last day comes first")
    connection.execute(
        """
        create or replace temp table chosen as
        from run_sheet
        where build = ? and date >= ? and date <= coalesce(?, date '9999-12-31')
        """,
        [build, what.first, what.last],
    )
    if not connection.execute("select exists (from chosen)").fetchall()[0][0]:
        until = f" to {what.last}" if what.last else " on"
        raise BadQuestion(f"{build} has no run from {what.first}{until}")


def _runs_that_change(
    connection: duckdb.DuckDBPyConnection, values: Mapping[str, Value]
) -> list[dict[str, Any]]:
    """Give each run that changes, by its key, with what it says so far."""
    names = (*RUN, *values)
    differs = " or ".join(f"{fact} is distinct from ?" for fact in values)
    rows = connection.execute(
        f"""
        select {", ".join(names)} from chosen
        where {differs} order by {", ".join(RUN)}
        """,
        list(values.values()),
    ).fetchall()
    if not rows:
        said = ", ".join(f"{fact} {_told(value)}" for fact, value in values.items())
        raise BadQuestion(f"every run of those days has {said} already")
    return [
        {n: str(v) if isinstance(v, date) else v for n, v in zip(names, row, strict=True)}
        for row in rows
    ]


def _set(connection: duckdb.DuckDBPyConnection, number: int, fact: str, value: Value) -> None:
    told = {"number": number, "value": value}
    connection.execute(
        f"""
        insert into correction
        select $number, run_id, '{fact}', cast({fact} as varchar), cast($value as varchar)
        from chosen where {fact} is distinct from $value
        """,
        told,
    )
    # What an earlier ruling made so is rested on as well: without it, this one would change it.
    connection.execute(
        f"""
        insert into touch
        select $number, '{fact}', run_id, {fact} is distinct from $value from chosen
        union all select $number, 'run', run_id, false from chosen
        """,
        told,
    )
    column, stored = fact, value
    if fact == "driver":
        column, stored = "driver_id", driver_id(connection, str(value))
    connection.execute(
        f"update run set {column} = $stored where run_id in (select run_id from chosen)",
        {"stored": stored},
    )


def undo(connection: duckdb.DuckDBPyConnection, number: int) -> None:
    """Give the runs back what they said."""
    facts = connection.execute(
        "select distinct fact from correction where number = ? order by fact", [number]
    ).fetchall()
    for (fact,) in facts:
        if fact == "driver":
            _restore_drivers(connection, number)
            continue
        connection.execute(
            f"""
            update run set {fact} = correction.was from correction
            where correction.number = ? and correction.fact = '{fact}'
                and correction.run_id = run.run_id
            """,
            [number],
        )
    tidy(connection)


def _restore_drivers(connection: duckdb.DuckDBPyConnection, number: int) -> None:
    names = connection.execute(
        "select distinct was from correction where number = ? and fact = 'driver' order by was",
        [number],
    ).fetchall()
    for (name,) in names:
        connection.execute(
            """
            update run set driver_id = ? from correction
            where correction.number = ? and correction.fact = 'driver' and correction.was = ?
                and correction.run_id = run.run_id
            """,
            [driver_id(connection, name), number, name],
        )


def _told(value: Value) -> str:
    return "not recorded" if value is None else str(value)
