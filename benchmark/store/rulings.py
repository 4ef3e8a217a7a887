"""What stewards decide beside striking laps: corrections, merges, protest periods, and undoing.

Each is one line of the record and one transaction. `try_only` does everything and takes it back, so
that what would happen can be told; who decides is as in `Store.strike`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from benchmark.store import correcting, merging, protests, undoing
from benchmark.store.correcting import Correction
from benchmark.store.naming import KINDS
from benchmark.store.people import PERSON

if TYPE_CHECKING:
    from collections.abc import Callable

    from duckdb import DuckDBPyConnection as Connection

    from benchmark.store.record import Line
    from benchmark.store.roles import Actor
    from benchmark.store.store import Store

__all__ = ["KINDS", "Correction", "Protest", "correct", "merge", "protest", "protests_of", "undo"]

# Undoing these needs what making them needs; the others, what any ruling does.
OWNERS_LINES = {PERSON: "name_role", "settings": "settings"}


@dataclass(frozen=True, slots=True)
class Protest:
    """The protest period of a day at a circuit: its state, open or closed, and since when."""

    circuit: str
    date: date
    state: str
    since: str


def correct(
    store: Store,
    what: Correction,
    *,
    reason: str,
    steward: str | None = None,
    at: datetime | None = None,
    try_only: bool = False,
) -> Line:
    """Correct facts of a build's runs in some days; the laps stay as they are.

    Raises
    ------
    BadQuestion
        An unknown build or fact, an illegal value, no run in those days, or nothing to change.
    NotAllowed
        Whoever is signed in may not.
    """

    def work(connection: Connection, decider: Actor) -> Line:
        return correcting.correct(connection, decider, what, reason=reason, at=at)

    return _decided(store, "correct", steward, work, try_only=try_only)


def merge(
    store: Store,
    kind: str,
    names: tuple[str, str],
    *,
    reason: str,
    steward: str | None = None,
    at: datetime | None = None,
    try_only: bool = False,
) -> Line:
    """Merge the first name of a build or driver (`kind`) into the second; imports follow.

    Raises
    ------
    BadQuestion
        An unknown name, or laps and facts that contradict each other; each is named.
    NotAllowed
        Whoever is signed in may not.
    """

    def work(connection: Connection, decider: Actor) -> Line:
        return merging.merge(connection, decider, kind, names, reason=reason, at=at)

    return _decided(store, "merge", steward, work, try_only=try_only)


def protest(
    store: Store,
    state: str,
    where: tuple[str, date],
    *,
    reason: str,
    steward: str | None = None,
    at: datetime | None = None,
    try_only: bool = False,
) -> Line:
    """Open or close the protest period of a circuit and day.

    Raises
    ------
    BadQuestion
        No laps of that day at that circuit, or the period is so already.
    NotAllowed
        Whoever is signed in may not.
    """

    def work(connection: Connection, decider: Actor) -> Line:
        return protests.rule(connection, decider, state, where, reason=reason, at=at)

    return _decided(store, "protest", steward, work, try_only=try_only)


def protests_of(store: Store) -> list[Protest]:
    """Give the protest periods, by circuit and day."""
    return [Protest(*row) for row in store._rows("from protest order by circuit, date")]


def undo(
    store: Store,
    number: int,
    *,
    reason: str,
    steward: str | None = None,
    at: datetime | None = None,
    try_only: bool = False,
) -> Line:
    """Undo a line of the record by a further one; the store is then as if it had not been.

    Raises
    ------
    BadQuestion
        No such line, one that cannot be undone, or one that later lines build on.
    NotAllowed
        Whoever is signed in may not; a role or a setting is for owners.
    """
    rows = store._rows("select action from record where number = ?", [number])
    action = OWNERS_LINES.get(rows[0][0], "undo") if rows else "undo"

    def work(connection: Connection, decider: Actor) -> Line:
        return undoing.undo(connection, decider, number, reason=reason, at=at)

    return _decided(store, action, steward, work, try_only=try_only)


def _decided(
    store: Store,
    action: str,
    steward: str | None,
    work: Callable[[Connection, Actor], Line],
    *,
    try_only: bool,
) -> Line:
    """Do one ruling within a transaction, as whoever decides it."""

    def change(actor: Actor) -> Line:
        return work(store._connection, store._decider(actor, steward))

    return store._change(action, change, try_only=try_only)


def later_on(store: Store, number: int) -> list[int]:
    """Give the lines that would have to be undone before this one.

    Raises
    ------
    BadQuestion
        No such line.
    """
    return store._ask(
        lambda: undoing.built_on(store._connection, undoing.line_of(store._connection, number))
    )


def undone(store: Store) -> dict[int, int]:
    """Give the lines that were undone, each with the line that undid it."""
    return dict(store._rows("select number, by_number from undone order by number"))
