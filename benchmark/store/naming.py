"""Names of builds and drivers as stewards' rulings use them: known ones, and not merged away."""

from __future__ import annotations

import duckdb

from benchmark.errors import BadQuestion
from benchmark.intake.cells import clean

KINDS = ("build", "driver")


def known_name(connection: duckdb.DuckDBPyConnection, kind: str, name: str) -> str:
    """Give the name as the store has it.

    Raises
    ------
    BadQuestion
        No such build or driver, or a name that was merged into another one.
    """
    name = clean(name)
    merged = connection.execute(
        "select now_name from known_as where kind = ? and name = ?", [kind, name]
    ).fetchall()
    if merged:
        raise BadQuestion(f"{kind} {name} was merged into {merged[0][0]}: name that one")
    names = [known for (known,) in connection.execute(f"select {kind} from {kind}").fetchall()]
    if name not in names:
        raise BadQuestion.unknown(kind, name, names)
    return name


def id_of(connection: duckdb.DuckDBPyConnection, kind: str, name: str) -> int:
    """Give the number of a build or driver of the store."""
    query = f"select {kind}_id from {kind} where {kind} = ?"
    return int(connection.execute(query, [name]).fetchall()[0][0])


def driver_id(connection: duckdb.DuckDBPyConnection, name: str) -> int:
    """Give the number of a driver; one that is new to the store gets the next."""
    connection.execute(
        """
        insert into driver
        select (select coalesce(max(driver_id), 0) + 1 from driver), $name
        where $name not in (select driver from driver)
        """,
        {"name": name},
    )
    return id_of(connection, "driver", name)


def tidy(connection: duckdb.DuckDBPyConnection) -> None:
    """Take out names that no run has any more; names that were merged stay known."""
    for child, parent in (
        ("run", "session"),
        ("session", "event"),
        ("session", "layout"),
        ("layout", "circuit"),
        ("run", "build"),
        ("build", "model"),
        ("run", "driver"),
    ):
        merged = f"and {parent} not in (select name from alias where kind = '{parent}')"
        connection.execute(
            f"""
            delete from {parent}
            where {parent}_id not in (select {parent}_id from {child})
                {merged if parent in KINDS else ""}
            """
        )
