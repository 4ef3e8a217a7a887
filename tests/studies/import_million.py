"""How long a million laps take to import, and how much memory: measured, not promised.

    python -m tests.studies.import_million [LAPS] [--parquet]

makes a lap table of all 33 columns in a temporary folder and imports it in a process of its own,
whose peak of resident memory is read at the end. The laps are invented.

Before files without a fault were read set by set (`tests.bench.import_scale` measures that beside
DuckDB): 25 November 2026, 2 cores and 24 GiB, both cores taken twice over by other work, so the
seconds of the wall say little (the last row gave way to all of it); DuckDB 2.0.1, Python 3.11.7.
Peak is that of the process up to there. DuckDB has a limit of 1 GB and goes on in temporary files
beyond it; a read table added 63 MB a million laps. Reading a CSV peaked at 641 MB for one million
and at 1059 MB for three. The data frame holds every lap in memory and grows with them.

| laps | read and checked | added | added again | peak to here | exported | as a data frame |
| --- | --- | --- | --- | --- | --- | --- |
| 1,000,000, CSV 186 MB | 30 s (processor 20) | 2.6 s | 1.5 s | 653 MB | 15 s | 6 s, 1.5 GB |
| 1,000,000, Parquet 3 MB | 27 s (processor 15) | 3.4 s | 1.9 s | 1042 MB | 10 s | 6 s, 1.5 GB |
| 3,000,000, CSV 560 MB | 242 s (processor 67) | 42 s | 43 s | 1459 MB | 131 s | 140 s, 2.2 GB |

26 November 2026, the same machine under more of the same: adding a million laps took 2.0 s of
processor with the sheet that is kept for a replay, and 1.6 s before sheets (25 % more; walls 12.4
and 9.6 s); adding again 1.0 s in both. The store grew from 8 to 14 MB.
"""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import pyarrow.csv
import pyarrow.parquet

from benchmark.intake.columns import NAMES

LAPS_OF_A_RUN = 10
RUNS_OF_A_SESSION = 100
SESSIONS_OF_A_DAY = 4


def main() -> None:
    laps = int(next((word for word in sys.argv[1:] if word.isdigit()), "1000000"))
    with tempfile.TemporaryDirectory() as name:
        table = make(Path(name), laps)
        if "--parquet" in sys.argv:
            table = as_parquet(table)
        print(f"{laps:,} laps, {table.stat().st_size / 1e6:.0f} MB {table.suffix}")
        command = [sys.executable, "-m", "tests.studies.import_million", "--measure", str(table)]
        subprocess.run(command, check=True)


def make(folder: Path, laps: int) -> Path:
    """Write the lap table; each session has a hundred cars, each car a weather of its own."""
    draw = random.Random(1)
    path = folder / "laps.csv"
    with path.open("w", encoding="utf-8") as out:
        out.write(",".join(NAMES) + "\n")
        for run in range(laps // LAPS_OF_A_RUN):
            session, car = divmod(run, RUNS_OF_A_SESSION)
            day, number = divmod(session, SESSIONS_OF_A_DAY)
            air = draw.uniform(5, 30)
            facts = (
                f"Quillmoor,full,{date(2000, 1, 1) + timedelta(day)},S{number + 1},"
                f"{9 + number:02d}:30,Corvane GT,natural,car {car},driver {car},club,"
                f"1,0,1,0,0,1,track-day,200,3,{air:.1f},{air + 8:.1f},1005.3,55,1.2,120,dry,1"
            )
            for lap in range(1, LAPS_OF_A_RUN + 1):
                time_s = f"1:{draw.uniform(10, 40):06.3f}"
                out.write(f"{facts},{lap},{time_s},timed,transponder,0.002,sheet {day}.pdf\n")
    return path


def as_parquet(table: Path) -> Path:
    path = table.with_suffix(".parquet")
    reader = pyarrow.csv.open_csv(table)
    with pyarrow.parquet.ParquetWriter(path, reader.schema) as out:
        for batch in reader:
            out.write_batch(batch)
    table.unlink()
    return path


def measure(table: Path) -> None:
    """Import once and once more, read the counted laps, export; print seconds and memory."""
    from benchmark.intake.laptable import read_lap_table
    from benchmark.store.store import Store

    db = table.with_suffix(".duckdb")
    clock = Clock()
    lap_file = read_lap_table(table)
    assert lap_file.faults == []
    clock.tell("read and checked")
    for what in ("added", "added again"):
        with Store.open(db, create=True) as store:
            added = store.add(lap_file)
        clock.tell(f"{what}: {added.laps_added:,} new, {added.laps_already_there:,} there")
    print(f"   store {db.stat().st_size / 1e6:.0f} MB")
    del lap_file
    with Store.open(db) as store:
        store.export(table.with_name("out.csv"))
        clock.tell("exported as CSV")
        laps = store.counted_laps()
    clock.tell(f"given as a data frame of {len(laps):,} laps")


class Clock:
    """Tells wall and processor seconds since the last time, and the peak of memory so far."""

    def __init__(self) -> None:
        self.wall, self.cpu = time.monotonic(), time.process_time()

    def tell(self, what: str) -> None:
        wall, cpu = time.monotonic(), time.process_time()
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"   {wall - self.wall:5.1f} s ({cpu - self.cpu:.1f} s of processor), ", end="")
        print(f"peak {peak_mb:.0f} MB: {what}", flush=True)
        self.wall, self.cpu = wall, cpu


if __name__ == "__main__":
    if "--measure" in sys.argv:
        measure(Path(sys.argv[-1]))
    else:
        main()
