"""Seconds and memory of `benchmark audit`, by laps and by the number of files that they came in.

    python -m tests.bench.audit_scale [LAPS] [--files 1 20] [--keep FOLDER]

makes a store of invented laps for each number of files, with a few rulings on top (laps struck, a
specification corrected, two cars merged, one line undone), and audits it by the command, in a
process of its own. Told are seconds of the wall and of all processors, the peak of memory, and the
size of the store. `--keep` leaves the stores in a folder, where a later run finds them.

26 November 2026, two cores of 24 GB that other work took six times over: 1,000,000 laps of one file
7 s of processors and 863 MB (30 s of the wall), of 20 files 10 s and 863 MB (51 s). The first run
ever of this called a whole store altered: the audit packed its sheets anew, and the same rows in
other pieces are other bytes (`tests/test_audit_packing.py`).
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from itertools import islice
from pathlib import Path

from benchmark.intake.laptable import read_lap_table
from benchmark.store.correcting import Correction
from benchmark.store.rulings import correct, merge, undo
from benchmark.store.store import Store
from tests.studies.import_million import LAPS_OF_A_RUN, RUNS_OF_A_SESSION, make

BENCHMARK = [sys.executable, "-c", "from benchmark.cli import main; main()"]
WHOLE = LAPS_OF_A_RUN * RUNS_OF_A_SESSION  # laps of a session: one is not split over two files
STRUCK = 5
LAP = {"circuit": "Quillmoor", "layout": "full", "date": "2000-01-01", "session": "S1", "run": 1}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.audit_scale")
    parser.add_argument("laps", type=int, nargs="?", default=1_000_000)
    parser.add_argument("--files", type=int, nargs="+", default=[1, 20])
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = asked.keep or Path(name)
        for files in asked.files:
            db = folder / f"{asked.laps}-{files}.duckdb"
            if not db.exists():
                fill(db, asked.laps, files)
            audit(db, asked.laps, files)


def fill(db: Path, laps: int, files: int) -> None:
    """Import the laps from so many files, then rule on some."""
    with tempfile.TemporaryDirectory(dir=db.parent) as name:
        for path in split(make(Path(name), laps), laps, files):
            lap_file = read_lap_table(path)
            with Store.open(db, create=True) as store:
                store.add(lap_file)
    with Store.open(db, write=True) as store:
        for lap in range(1, STRUCK + 1):
            store.strike({**LAP, "build": "car 1", "lap": lap}, reason="cut")
        days = (date(2000, 1, 1), date(2000, 2, 1))
        correct(store, Correction("car 2", {"mod_engine": "2"}, *days), reason="another engine")
        merge(store, "driver", ("driver 3", "driver 4"), reason="one person")
        undo(store, len(store.record()) - 1, reason="the engine was standard")


def split(table: Path, laps: int, files: int) -> list[Path]:
    """Split a lap table into files of whole sessions, each with the header."""
    each = max(-(-laps // files // WHOLE) * WHOLE, WHOLE)
    made = []
    with table.open(encoding="utf-8") as rows:
        header = next(rows)
        while piece := list(islice(rows, each)):
            made.append(table.with_name(f"part-{len(made)}.csv"))
            made[-1].write_text("".join([header, *piece]), encoding="utf-8")
    table.unlink()
    return made


def audit(db: Path, laps: int, files: int) -> None:
    """Audit in a process of its own, and tell what it took."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run([*BENCHMARK, "audit", "--db", str(db)], check=True, stdout=subprocess.DEVNULL)
    after, wall_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic() - started
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(
        f"{laps:,} laps in {files} files, store {db.stat().st_size / 1e6:.0f} MB: {wall_s:.0f} s, "
        f"{used_s:.0f} s of processors, peak {after.ru_maxrss / 1024:.0f} MB; load "
        f"{os.getloadavg()[0]:.1f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
