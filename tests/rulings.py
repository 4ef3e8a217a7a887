"""What the tests of rulings share: a store, its state as people see it, and its audit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from benchmark.store.audit import audit
from benchmark.store.fingerprint import PARTS
from benchmark.store.store import Store
from tests.lap_files import lap, read_once, write

AT = datetime(2025, 4, 13, 9, 0, tzinfo=UTC)
# Undoing leaves these as a record of what was: a file that was taken in, a line that was undone.
HISTORY = ("imports", "undone lines")
Rows = Sequence[Mapping[str, str]]


def add(store: Store, rows: Rows, name: str = "spring.csv") -> int:
    """Add rows and give the number of the line."""
    store.add(read_once(write(store.path.parent, rows, name=name)))
    return store.record()[-1].number


def seen(store: Store) -> tuple[bytes, str]:
    """Give what people get of the laps: the exported file, and the counted laps."""
    out = store.path.with_name("out.csv")
    store.export(out)
    return out.read_bytes(), store.counted_laps().to_csv()


def state(store: Store) -> dict[str, list[str]]:
    """Give everything that the store holds, part by part, the record of the past aside."""
    return {
        part: sorted(map(str, store._rows(query)))
        for part, query in PARTS.items()
        if part not in HISTORY
    }


def check(store: Store) -> None:
    """Audit the store."""
    audit(store)


def two_builds(store: Store, common: int = 2) -> None:
    """Add two names of one car, with `common` laps of one run alike and some of their own."""
    one, other = "Blue Heron", "Blue Heron 7"
    both = [lap(n, f"1:02.{n:03d}") for n in range(1, common + 1)]
    add(store, [*({**row, "build": one, "air_temp_c": "18"} for row in both),
                lap(8, build=one, air_temp_c="18"), lap(1, session="S2", build=one)])  # fmt: skip
    more = {"build": other, "timing": "beam", "treadwear": "200"}
    add(store, [*({**row, **more} for row in both), lap(9, **more),
                lap(1, "1:01", session="S3", **more), lap(1, build="Auk", session="S1")],
        "summer.csv")  # fmt: skip


def new_store(folder: Path) -> Store:
    return Store.open(folder / "laps.duckdb", create=True)
