"""Asking about names of a file that look like names that are known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import NoStore
from benchmark.intake.names import LooksAlike, look_alikes

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile

KINDS = ("circuit", "model", "build", "driver")


def names_to_ask(db: Path, lap_file: LapFile) -> list[LooksAlike]:
    """Ask about each new name of a file that looks like a known one; nothing is refused.

    Raises
    ------
    StoreBusy
        Another process holds the store.
    """
    from benchmark.store.store import Store

    known: dict[str, list[str]] = {kind: [] for kind in KINDS}
    try:
        with Store.open(db) as store:
            known = {kind: store.names(kind) for kind in KINDS}
    except NoStore:
        pass  # then the names of the file are held against one another
    return [
        asked
        for kind in KINDS
        for asked in look_alikes(kind, lap_file.runs[kind].unique().to_pylist(), known[kind])
    ]
