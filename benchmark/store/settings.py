"""What an owner may set for the whole club, each change on the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING

import duckdb

from benchmark.errors import BadQuestion
from benchmark.store import record
from benchmark.store.record import Entry, Line

if TYPE_CHECKING:
    from benchmark.store.roles import Actor
    from benchmark.store.store import Store

SETTINGS = "settings"
VISITORS_HAND_IN = "visitors-hand-in"
YES, NO = "yes", "no"


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting: its legal values, the first of them the default, and what it decides."""

    values: tuple[str, ...]
    meaning: str


KNOWN: Mapping[str, Setting] = MappingProxyType(
    {
        VISITORS_HAND_IN: Setting(
            (NO, YES), "whether somebody who is not signed in may hand in a file for a steward"
        )
    }
)


def settings(store: Store) -> dict[str, str]:
    """Give the value of every setting."""
    return {name: value_of(store._connection, name) for name in KNOWN}


def change_setting(
    store: Store, name: str, value: str, *, reason: str = "", at: datetime | None = None
) -> Line:
    """Set it and put that on the record.

    Raises
    ------
    NotAllowed
        Only owners may.
    BadQuestion
        No such setting or value, or it has that value already.
    """
    return store._change(SETTINGS, lambda actor: _change(store, actor, name, value, reason, at))


def value_of(connection: duckdb.DuckDBPyConnection, name: str) -> str:
    """Give the value of a setting."""
    rows = connection.execute("select value from setting where name = ?", [name]).fetchall()
    return str(rows[0][0]) if rows else KNOWN[name].values[0]


def _change(
    store: Store, actor: Actor, name: str, value: str, reason: str, at: datetime | None
) -> Line:
    if name not in KNOWN:
        raise BadQuestion.unknown("setting", name, KNOWN)
    if value not in KNOWN[name].values:
        raise BadQuestion(f'{name} "{value}": use {" or ".join(KNOWN[name].values)}')
    had = value_of(store._connection, name)
    if had == value:
        raise BadQuestion(f"{name} is {value} already")
    write(store._connection, name, value)
    entry = Entry(SETTINGS, {"setting": name}, reason, {"value": had}, {"value": value})
    return record.append(store._connection, actor, entry, at)


def write(connection: duckdb.DuckDBPyConnection, name: str, value: str) -> None:
    """Write the value, within the transaction that the caller holds."""
    connection.execute("delete from setting where name = ?", [name])
    connection.execute("insert into setting values (?, ?)", [name, value])


def restore(connection: duckdb.DuckDBPyConnection, name: str, value: str) -> None:
    """Write an earlier value; the default is that of a setting that nobody has changed."""
    write(connection, name, value)
    if name in KNOWN and value == KNOWN[name].values[0]:
        connection.execute("delete from setting where name = ?", [name])
