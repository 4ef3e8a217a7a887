"""Undoing a line of the record: a further line, after which the store is as if it had not been.

Only what no later line changed or rested on can be undone; the lines that did are named, so that
they can be undone first. Undoing in the order from the latest always works.
"""

from __future__ import annotations

import json
from datetime import datetime

import duckdb

from benchmark.errors import BadQuestion
from benchmark.store import correcting, deciding, merging, people, protests, record, settings
from benchmark.store.correcting import CORRECT
from benchmark.store.deciding import WITHDRAW
from benchmark.store.merging import MERGE
from benchmark.store.naming import tidy
from benchmark.store.people import PERSON
from benchmark.store.protests import PROTEST
from benchmark.store.record import ACCEPT, IMPORT, REFUSE, Entry, Line
from benchmark.store.roles import Actor
from benchmark.store.settings import SETTINGS
from benchmark.store.striking import STRIKE, UNSTRIKE
from benchmark.store.submissions import PENDING

UNDO = "undo"
# Lines of these kinds follow each other: one about the same subject has to be undone first.
ONE_AFTER_THE_OTHER = (PERSON, PROTEST, SETTINGS)
KEPT_FOR_UNDO = ("touch", "filled", "moved", "made", "correction", "session_told")


def undo(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    number: int,
    *,
    reason: str,
    at: datetime | None = None,
) -> Line:
    """Undo a line, within the transaction that the caller holds.

    Raises
    ------
    BadQuestion
        No such line, one that cannot be undone or was undone already, one that later lines build
        on (they are named), or no reason.
    """
    record.given(reason=reason)
    line = line_of(connection, number)
    _refuse_undone(connection, line)
    later = built_on(connection, line)
    if later:
        numbers = ", ".join(map(str, later))
        what = "line" if len(later) == 1 else "lines"
        raise BadQuestion(f"line {number} is built on by {what} {numbers}: undo the latest first")
    subject = {"line": number, "action": line.action, "about": json.loads(line.subject)}
    before, after = json.loads(line.after), json.loads(line.before)
    made = record.append(connection, actor, Entry(UNDO, subject, reason, before, after), at)
    _take_back(connection, line)
    for table in KEPT_FOR_UNDO:
        connection.execute(f"delete from {table} where number = ?", [number])
    connection.execute("insert into undone values (?, ?)", [number, made.number])
    connection.execute("update data_version set data_version = data_version + 1")
    return made


def line_of(connection: duckdb.DuckDBPyConnection, number: int) -> Line:
    """Give one line of the record.

    Raises
    ------
    BadQuestion
        There is none of that number.
    """
    query = f"select {record.FIELDS} from record where number = ?"
    rows = connection.execute(query, [number]).fetchall()
    if not rows:
        raise BadQuestion(f"no line {number} in the record: `benchmark rulings` lists them")
    return Line(*rows[0])


def built_on(connection: duckdb.DuckDBPyConnection, line: Line) -> list[int]:
    """Give the later lines, not undone, that changed or rested on what this line changed."""
    rows = connection.execute(
        """
        select distinct later.number
        from touch as later
        left join touch as own on own.number = $number and own.wrote
            and own.kind = later.kind and own.id = later.id
        left join made on made.number = $number and later.kind = 'run'
            and later.id between made.first_run_id and made.last_run_id
        where later.number > $number
            and (
                own.number is not null
                or made.number is not null
                or (later.kind = 'alias' and later.id = $number)
            )
        order by all
        """,
        {"number": line.number},
    ).fetchall()
    found = {int(number) for (number,) in rows}
    if line.action in ONE_AFTER_THE_OTHER:
        query = """
            select number from record
            where action = ? and subject = ? and number > ?
                and number not in (select number from undone)
            """
        rows = connection.execute(query, [line.action, line.subject, line.number]).fetchall()
        found |= {int(number) for (number,) in rows}
    return sorted(found)


def _refuse_undone(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    if line.action == UNDO:
        undid = json.loads(line.subject)["line"]
        raise BadQuestion(f"line {line.number} undid line {undid}: decide again as that one did")
    if line.action not in TAKE_BACK:
        raise BadQuestion(f"line {line.number} ({line.action}) cannot be undone")
    query = "select by_number from undone where number = ?"
    undone = connection.execute(query, [line.number]).fetchall()
    if undone:
        raise BadQuestion(f"line {line.number} was undone by line {undone[0][0]} already")


def _take_back(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    _empty_filled(connection, line.number)
    TAKE_BACK[line.action](connection, line)


def _empty_filled(connection: duckdb.DuckDBPyConnection, number: int) -> None:
    query = "select distinct thing, fact from filled where number = ? order by all"
    for thing, fact in connection.execute(query, [number]).fetchall():
        connection.execute(
            f"""
            update {thing} set {fact} = null
            where {thing}_id in (
                select id from filled where number = ? and thing = '{thing}' and fact = '{fact}'
            )
            """,
            [number],
        )


def _import(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    own = "select import_id from made where number = ?"
    connection.execute(f"delete from lap where import_id in ({own})", [line.number])
    connection.execute(
        """
        delete from run using made
        where number = ? and run_id between first_run_id and last_run_id
        """,
        [line.number],
    )
    connection.execute(
        """
        update session set start_time = (
            select max(told.start_time) from session_told as told
            where told.session_id = session.session_id and told.number <> $number
        )
        where session_id in (select session_id from session_told where number = $number)
        """,
        {"number": line.number},
    )
    tidy(connection)


def _decision(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    deciding.set_state(connection, json.loads(line.subject)[deciding.ABOUT], PENDING, None)


def _accepted(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    _import(connection, line)
    _decision(connection, line)


def _struck(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    own = "select id from touch where number = ? and kind = 'struck'"
    connection.execute(f"delete from struck where lap_id in ({own})", [line.number])
    connection.execute(
        "insert into struck select id, was_id from moved where number = ? and thing = 'struck'",
        [line.number],
    )


def _person(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    people.restore(connection, json.loads(line.subject)["person"], json.loads(line.before)["role"])


def _setting(connection: duckdb.DuckDBPyConnection, line: Line) -> None:
    name, value = json.loads(line.subject)["setting"], json.loads(line.before)["value"]
    settings.restore(connection, name, value)


TAKE_BACK = {
    IMPORT: _import,
    ACCEPT: _accepted,
    REFUSE: _decision,
    WITHDRAW: _decision,
    STRIKE: _struck,
    UNSTRIKE: _struck,
    CORRECT: lambda connection, line: correcting.undo(connection, line.number),
    MERGE: lambda connection, line: merging.undo(connection, line.number),
    PROTEST: lambda connection, line: protests.put(
        connection, json.loads(line.subject), json.loads(line.before)
    ),
    PERSON: _person,
    SETTINGS: _setting,
}
