"""Make the store that is kept for this version of the schema: see README.md beside it."""

from __future__ import annotations

import gzip
import tempfile
from dataclasses import dataclass
from pathlib import Path

from benchmark.intake.laptable import read_lap_table
from benchmark.store import migrate
from benchmark.store.store import Store
from tests.lap_files import lap, write

ROWS = [lap(1, lap_kind="out"), lap(2), lap(3, "1:01.9")]
STRUCK = {
    "circuit": "Quillmoor",
    "layout": "full",
    "date": "2025-04-12",
    "session": "S1",
    "build": "Blue Heron",
    "run": 1,
    "lap": 2,
}


@dataclass
class FiveBytes:
    """As much of a fit as the store needs to keep it."""

    fit_id: str = "f1"
    created: str = "2025-04-12T10:00:00+00:00"
    mode: str = "full"
    data_version: int = 1
    laps_used: int = 2
    is_large: bool = False

    def to_bytes(self) -> bytes:
        return b"draws"


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        db = Path(name) / "laps.duckdb"
        with Store.open(db, create=True) as store:
            store.add(read_lap_table(write(Path(name), ROWS)))
            store.strike(STRUCK, steward="C. Rook", reason="cut")
            store.keep_fit(FiveBytes())  # type: ignore[arg-type]
        kept = Path(__file__).with_name(f"version_{migrate.VERSION}.duckdb.gz")
        kept.write_bytes(gzip.compress(db.read_bytes(), mtime=0))
        print(f"{kept}: {kept.stat().st_size} bytes")


if __name__ == "__main__":
    main()
