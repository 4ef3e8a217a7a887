"""Importing lap tables beside DuckDB reading the same file with no checks, by size.

    python -m tests.bench.import_scale [LAPS ...] [--parquet] [--ours] [--repeat N]

Each figure comes from a process of its own, on a lap table of all 33 columns (invented). DuckDB
reads it three times: counting every cell with all of them as text, loading it into a table as text,
and loading it with the types that DuckDB guesses. Ours is split into the copy with its digest,
reading with every check, and adding to a store. Peak is that of the process, in all and without
the files that it maps, with the limit of 1 GB that we set for DuckDB in both. Ratios compare all of
ours with each, by the wall and by the seconds of processors, which other work changes less.
"DuckDB reading the same file with no checks" is `create table as from read_csv(...)`.

26 November 2026, two cores, 24 GB, other work taking both ten times over; DuckDB 2.0.1, Python
3.11.7. Seconds of processors, peak of memory in brackets:

| | count | into a table: text | guessed | ours: copied | read and checked | added |
| --- | --- | --- | --- | --- | --- | --- |
| 1,000,000, CSV 186 MB | 1.7 | 5.9 | 3.6 | 0.75 | 6.2 (350 MB) | 1.7 (572 MB) |
| 1,000,000, Parquet 3 MB | 0.01 | 1.5 | 1.5 | 0.07 | 2.6 | 1.4 |
| 10,000,000, Parquet 83 MB | | | | 0.3 | 31 (1.2 GB) | 24 (2.1 GB) |

A quieter hour read and checked the first in 5.0 s. Memory has DuckDB's limit, and beyond it what of
the read table the system holds, 48 bytes a lap, which lies in mapped files that it may drop. The
process's own, without these, in the evening: 287 MB read and 474 added at 1,000,000 of CSV, 529 and
1,263 at 5,000,000, 878 and 1,489 at 10,000,000 of Parquet; since then the runs lie in a mapped file
as well (236 and 446 MB at 1,000,000).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.bench.memory import Clock, processor_s
from tests.studies.import_million import as_parquet, make

KINDS = ("count", "text", "guessed", "ours")
MEMORY = "1GB"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("laps", nargs="*", type=int, default=[1_000_000])
    parser.add_argument("--parquet", action="store_true")
    parser.add_argument("--ours", action="store_true", help="no DuckDB beside it")
    parser.add_argument("--repeat", type=int, default=1, help="runs of each; the quickest counts")
    parser.add_argument("--measure", nargs=2, metavar=("KIND", "FILE"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure:
        kind, file = options.measure
        measure(kind, Path(file))
        return
    for laps in options.laps:
        with tempfile.TemporaryDirectory() as folder:
            table = make(Path(folder), laps)
            table = as_parquet(table) if options.parquet else table
            kinds = KINDS[-1:] if options.ours else KINDS
            compare(table, laps, kinds, options.repeat)


def compare(table: Path, laps: int, kinds: Sequence[str], repeat: int) -> None:
    print(f"{laps:,} laps, {table.stat().st_size / 1e6:.0f} MB {table.suffix}", flush=True)
    least: dict[str, tuple[float, float]] = {}
    for kind in kinds:
        runs = [run_apart(kind, table) for _ in range(repeat)]
        least[kind], lines = min(runs)
        print("\n".join(lines), flush=True)
    (wall, cpu) = least["ours"]
    for kind in kinds[:-1]:
        by_wall, by_cpu = wall / least[kind][0], cpu / least[kind][1]
        print(f"   import / {kind}: {by_wall:.1f} by the wall, {by_cpu:.1f} by processor seconds")


def run_apart(kind: str, table: Path) -> tuple[tuple[float, float], list[str]]:
    """Measure in a process of its own; give its wall and processor seconds, and what it told."""
    command = [sys.executable, "-m", "tests.bench.import_scale", "--measure", kind, str(table)]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    *lines, last = said.splitlines()
    wall, cpu = map(float, last.split())
    return (wall, cpu), lines


def measure(kind: str, table: Path) -> None:
    with tempfile.TemporaryDirectory(dir=table.parent) as folder:
        start, cpu = time.monotonic(), processor_s()
        if kind == "ours":
            ours(table, Path(folder))
        else:
            plain(kind, table, Path(folder))
        print(time.monotonic() - start, processor_s() - cpu)


def plain(kind: str, table: Path, folder: Path) -> None:
    """Let DuckDB read the file as it would by itself."""
    import duckdb

    types = "" if kind == "guessed" or table.suffix == ".parquet" else ", all_varchar = true"
    reader = "read_parquet" if table.suffix == ".parquet" else "read_csv"
    source = f"{reader}('{table}'{types})"
    config = {"memory_limit": MEMORY, "temp_directory": str(folder / "spill")}
    with duckdb.connect(str(folder / "plain.duckdb"), config=config) as connection:
        connection.execute("set enable_progress_bar = false")
        if kind == "count":
            names = [row[0] for row in connection.execute(f"describe from {source}").fetchall()]
            counts = ", ".join(f'count("{name}")' for name in names)
            said = "counting every cell"
            timed(said, lambda: connection.execute(f"select {counts} from {source}").fetchall())
        else:
            create = f"create table laps as from {source}"
            timed(f"into a table, {kind}", lambda: connection.execute(create).fetchall())


def ours(table: Path, folder: Path) -> None:
    with Clock() as clock:
        bring(table, folder, clock)


def bring(table: Path, folder: Path, clock: Clock) -> None:
    from benchmark.intake.laptable import read_lap_table
    from benchmark.store.store import Store

    copied = [False]

    def told(share: float, words: str) -> None:
        if not words.startswith("reading") and not copied[0]:
            copied[0] = True
            clock.tell("ours: copied, with its digest")

    lap_file = read_lap_table(table, progress=told)
    clock.tell("ours: read and checked")
    with Store.open(folder / "laps.duckdb", create=True) as store:
        added = store.add(lap_file)
    clock.tell(f"ours: added {added.laps_added:,} laps")


def timed(what: str, work: Callable[[], object]) -> None:
    with Clock() as clock:
        work()
        clock.tell(f"DuckDB: {what}")


if __name__ == "__main__":
    main()
