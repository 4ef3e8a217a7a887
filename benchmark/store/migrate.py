"""Bringing a store to this program's schema, in numbered steps.

`schema.sql` is the schema as it is now; run on an older store it adds new tables and renews the
views. Only a change to a table that exists needs a step here: version n's step is run on a store of
version n - 1 before `schema.sql`, and what has to be moved into new tables after it (`MOVES`). All
of it is one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from types import MappingProxyType

import duckdb

from benchmark.errors import BenchmarkError
from benchmark.store import older

# 2: kept claims and timing lines; 3: the record, its sheets, people, hand-ins; 4: names of evidence
VERSION = 4
STEPS: Mapping[int, str] = MappingProxyType(
    {4: "alter table if exists evidence add column if not exists name varchar default ''"}
)
MOVES: Mapping[int, Callable[[duckdb.DuckDBPyConnection], None]] = MappingProxyType(
    {3: older.to_record}
)


def version_of(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    """Give the schema version of an opened store, 0 where the file holds no table at all.

    Raises
    ------
    BenchmarkError
        The file holds other tables, or was made by a newer program.
    """
    query = "select coalesce(max(version), 0) from schema_version"
    try:  # looking through the list of tables takes as long as opening the file
        version = int(connection.execute(query).fetchall()[0][0])
    except duckdb.CatalogException:
        if not connection.execute("select 1 from duckdb_tables() limit 1").fetchall():
            return 0
        raise BenchmarkError(
            f"{path} is a DuckDB file, but no store of laps; name another with --db"
        ) from None
    if version > VERSION:
        raise BenchmarkError(
            f"{path} was made by a newer program (schema {version}, this one knows {VERSION}); "
            "update this one"
        )
    return version


def migrate(connection: duckdb.DuckDBPyConnection, version: int) -> None:
    """Bring a store from `version` to `VERSION` in one transaction; 0 is a new store."""
    connection.execute("begin")
    try:
        steps = range(version + 1 if version else VERSION + 1, VERSION + 1)
        for step in steps:
            connection.execute(STEPS.get(step, ""))
        connection.execute(schema())
        for step in steps:
            MOVES.get(step, _nothing)(connection)
        connection.execute("insert into data_version select 0 where not exists (from data_version)")
        connection.execute("insert into schema_version values (?, now()::timestamp)", [VERSION])
        connection.execute("commit")
    except BaseException:
        connection.execute("rollback")
        raise


def new_store(connection: duckdb.DuckDBPyConnection) -> None:
    """Fill an empty database with the schema."""
    migrate(connection, 0)


def schema() -> str:
    """Give the SQL of the schema as it is now."""
    return resources.files("benchmark.store").joinpath("schema.sql").read_text(encoding="utf-8")


def _nothing(_: duckdb.DuckDBPyConnection) -> None:
    """Move nothing."""
