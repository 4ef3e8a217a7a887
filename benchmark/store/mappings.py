"""Column mappings for foreign sheets, kept by name; the store reads none of their text."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from benchmark.errors import BadQuestion

if TYPE_CHECKING:
    from benchmark.store.roles import Actor
    from benchmark.store.store import Store

LONGEST_NAME = 80
MOST = 500  # a club reads some ten kinds of sheet


@dataclass(frozen=True, slots=True)
class KeptMapping:
    """One mapping: its name, when and by whom it was kept, and its TOML text."""

    name: str
    kept_at: str
    kept_by: str
    body: str


def keep_mapping(store: Store, name: str, body: str) -> None:
    """Keep a mapping, in place of an earlier one of that name.

    Raises
    ------
    BadQuestion
        The name is blank or too long, or there are too many.
    NotAllowed
        Whoever is signed in may not.
    """
    if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
        raise BadQuestion(f"a mapping needs a name of 1 to {LONGEST_NAME} plain characters")

    def work(actor: Actor) -> None:
        store._connection.execute("delete from mapping where name = ?", [name])
        if len(kept_mappings(store)) >= MOST:
            raise BadQuestion(f"{MOST} mappings are kept: remove one that nobody uses")
        values = [name, datetime.now(UTC).isoformat(timespec="seconds"), actor.name, body]
        store._connection.execute("insert into mapping values (?, ?, ?, ?)", values)

    store._change("keep_mapping", work)


def remove_mapping(store: Store, name: str) -> None:
    """Remove a mapping; laps that were read with it stay.

    Raises
    ------
    BadQuestion
        There is none of that name.
    NotAllowed
        Whoever is signed in may not.
    """
    kept_mapping(store, name)
    delete = "delete from mapping where name = ?"
    store._change("keep_mapping", lambda _: store._connection.execute(delete, [name]))


def kept_mappings(store: Store) -> list[KeptMapping]:
    """Give the kept mappings, ordered by name."""
    rows = store._rows("select name, kept_at, kept_by, body from mapping order by name")
    return [KeptMapping(*row) for row in rows]


def kept_mapping(store: Store, name: str) -> KeptMapping:
    """Give the mapping of that name.

    Raises
    ------
    BadQuestion
        There is none; the nearest names are told.
    """
    kept = {mapping.name: mapping for mapping in kept_mappings(store)}
    if name not in kept:
        raise BadQuestion.unknown("mapping", name, kept)
    return kept[name]
