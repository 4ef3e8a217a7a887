"""The checks of a staged file: first each cell by itself, then the rows that must agree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache

import duckdb

from benchmark.errors import BadValue
from benchmark.intake.cells import Value, read_value, typed_sql
from benchmark.intake.columns import (
    BY_NAME,
    LAP_KEY,
    NAMES,
    RUN_KEY,
    FactOf,
    facts_of,
    stored_name,
)
from benchmark.trade.timing import format_lap_time

FETCHED = 10_000  # faulty rows held at a time


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong with one cell: row, column, the text that stands there, and the message."""

    row: int
    column: str
    value: str
    message: str


@dataclass(frozen=True, slots=True)
class Scope:
    """Rows with the same key speak of one thing, and must agree on its facts."""

    thing: str
    key: tuple[str, ...]
    facts: tuple[str, ...]
    way_on: str


BUILD = Scope(
    "build",
    ("build",),
    facts_of(FactOf.BUILD),
    "correct one, or name two builds",
)
SESSION = Scope("session", RUN_KEY[:4], facts_of(FactOf.SESSION), "correct one of them")
RUN = Scope("run", RUN_KEY, facts_of(FactOf.RUN), "correct one, or give them two run numbers")
LAP = Scope("lap", LAP_KEY, facts_of(FactOf.LAP), "correct one, or give them two lap numbers")
SCOPES = (BUILD, SESSION, RUN, LAP)


def read_cells(connection: duckdb.DuckDBPyConnection, checked: set[str]) -> None:
    """Make table `typed` from `staged`: cells as values, NULL where empty or not to be taken.

    Its column `suspect` marks rows in which a checked cell cannot be taken.
    """
    connection.execute(f"create table typed as {reading_sql('staged', 'row', NAMES, checked)}")


def reading_sql(table: str, carried: str, names: Iterable[str], checked: set[str]) -> str:
    """Write the query that gives the trimmed texts of a table as values, and `suspect`.

    Parameters
    ----------
    carried : further columns of the table, handed on as they are.
    names : the columns of the lap table that it has.
    checked : those of them that make a row suspect where the cell cannot be taken.
    """
    columns = [BY_NAME[name] for name in names]
    given = ",\n".join(
        column.name
        if column.default is None
        else f"coalesce({column.name}, '{column.default}') as {column.name}"
        for column in columns
    )
    typed = ",\n".join(f"{typed_sql(column)} as read_{column.name}" for column in columns)
    suspects = " or ".join(
        f"(read_{c.name} is null{'' if c.needed else f' and {c.name} is not null'})"
        for c in columns
        if c.name in checked
    )
    values = ",\n".join(f"read_{c.name} as {stored_name(c.name)}" for c in columns)
    return f"""
        with given as (select {carried}, {given} from {table}),
        read as (select *, {typed} from given)
        select {carried}, {values}, {suspects} as suspect
        from read
        """


def cell_findings(connection: duckdb.DuckDBPyConnection, checked: set[str]) -> Iterator[Finding]:
    """Say of each cell that cannot be taken what is wrong with it."""
    rows = connection.execute(
        f"""
        select row, {", ".join(f"staged.{name}" for name in NAMES)}
        from staged join typed using (row)
        where suspect
        order by row
        """
    )
    while batch := rows.fetchmany(FETCHED):
        for row, *texts in batch:
            found = list(_row_findings(row, dict(zip(NAMES, texts, strict=True)), checked))
            if not found:
                raise AssertionError(f"row {row} was refused, but each of its cells can be read")
            yield from found


def _row_findings(row: int, texts: dict[str, str | None], checked: set[str]) -> Iterator[Finding]:
    for name, text in texts.items():
        message = what_is_wrong(name, text or "") if name in checked else None
        if message is not None:
            yield Finding(row, name, text or "", message)


@lru_cache(maxsize=4096)
def what_is_wrong(column: str, text: str) -> str | None:
    """Give the message for a cell that cannot be taken, None for one that can."""
    try:
        read_value(column, text)
    except BadValue as bad:
        return str(bad)
    return None


def disagreements(connection: duckdb.DuckDBPyConnection, scope: Scope) -> Iterator[Finding]:
    """Name each row of table `typed` that contradicts an earlier row about the same thing."""
    for fact in facts_that_vary(connection, scope):
        column = stored_name(fact)
        rows = connection.execute(
            f"""
            with told as (
                select row, {column} as fact, first_value(row) over same as first_row,
                    first_value({column}) over same as first_fact
                from typed
                where {column} is not null and {_known(scope)}
                window same as (partition by {", ".join(scope.key)} order by row)
            )
            select told.row, staged.{fact}, fact, first_row, first_staged.{fact}, first_fact
            from told
            join staged using (row)
            join staged as first_staged on first_staged.row = first_row
            where fact <> first_fact
            order by told.row
            """
        ).fetchall()
        for row, text, value, first_row, first_text, first_value in rows:
            here = "" if text else f"{_empty(fact, value)}, but "
            first = f"says {told(fact, first_value)}" if first_text else _empty(fact, first_value)
            message = f"{here}row {first_row}, of the same {scope.thing}, {first}; "
            yield Finding(row, fact, text or "", message + contradiction(scope, fact))


def contradiction(scope: Scope, fact: str) -> str:
    """Say what two rows about one thing that differ in a fact mean, and what to do."""
    return f"a {scope.thing} has one {BY_NAME[fact].noun}: {scope.way_on}"


def _empty(fact: str, value: Value) -> str:
    return f"is empty, which means {told(fact, value)}"


def told(column: str, value: Value) -> str:
    """Write a value as people write it in a lap table."""
    if isinstance(value, Decimal) and column == "lap_time":
        return format_lap_time(value, 4 if value * 1000 % 1 else 3)
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return value.isoformat() if isinstance(value, date) else str(value)


def facts_that_vary(
    connection: duckdb.DuckDBPyConnection, scope: Scope, table: str = "typed"
) -> list[str]:
    """Name the facts of which rows of a table of values say different things about one thing."""
    columns = [stored_name(fact) for fact in scope.facts]
    ranges = ", ".join(f"min({c}) as low_{c}, max({c}) as high_{c}" for c in columns)
    varies = ", ".join(f"coalesce(bool_or(low_{c} <> high_{c}), false)" for c in columns)
    flags = connection.execute(
        f"""
        with thing as (
            select {ranges} from {table} where {_known(scope)} group by {", ".join(scope.key)}
        )
        select {varies} from thing
        """
    ).fetchall()[0]
    return [fact for fact, flag in zip(scope.facts, flags, strict=True) if flag]


def _known(scope: Scope) -> str:
    return " and ".join(f"{column} is not null" for column in scope.key)
