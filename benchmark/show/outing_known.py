"""What the store knows already, for the form of one outing: names, layouts, latest facts."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from benchmark.errors import NoStore
from benchmark.show.by_state import by_state
from benchmark.show.outing import facts_known
from benchmark.show.screen import store_path
from benchmark.store.store import Store

NAMED = ("circuit", "build", "model", "driver")


def known_names() -> dict[str, list[str]]:
    """Give the names that the store knows, by column."""
    return by_state(_names, store_path())


def known_layouts(circuit: str | None) -> list[str]:
    """Give the layouts of a circuit, the usual one first."""
    return by_state(_layouts, store_path(), circuit)


def known_of(texts: Mapping[str, str | None]) -> dict[str, str]:
    """Give what the store knows of the build, the driver and the circuit that are named."""
    named = {column: texts.get(column) for column in NAMED}
    return by_state(facts_known, store_path(), named)


def _names(db: Path) -> dict[str, list[str]]:
    try:
        with Store.open(db) as store:
            return {column: store.names(column) for column in NAMED}
    except NoStore:
        return {column: [] for column in NAMED}


def _layouts(db: Path, circuit: str | None) -> list[str]:
    try:
        with Store.open(db) as store:
            known = store.layouts(circuit or "")
    except NoStore:
        known = []
    return sorted({*known, "full"}, key=lambda layout: (layout != "full", layout))
