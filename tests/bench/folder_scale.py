"""Reading laps that lie in a folder of Parquet files, up to the rows that a fit works on.

    python -m tests.bench.folder_scale [LAPS ...] [--folder FOLDER]

writes the made-up decade (`benchmark.model.simulate`) to a folder, checks every file and value, and
reduces the laps to run rows, in a process of its own for each size. No data frame of laps is made.
Memory is that of the process: its highest in all, and of that what it holds itself, without the
files that it maps and the system may drop.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from benchmark.intake.lap_folder import look_into
from benchmark.model.decade import write
from benchmark.store.reducing import rows_of_folder
from tests.bench.memory import Clock


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("laps", nargs="*", type=int, default=[1_000_000, 10_000_000])
    parser.add_argument("--folder", type=Path, help="a folder that was written before")
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure is not None:
        measure(options.measure)
    elif options.folder is not None:
        run_apart(options.folder)
    else:
        for laps in options.laps:
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name) / "laps"
                write(laps, folder)
                run_apart(folder)


def run_apart(folder: Path) -> None:
    command = [sys.executable, "-m", "tests.bench.folder_scale", "--measure", str(folder)]
    subprocess.run(command, check=True)


def measure(folder: Path) -> None:
    with Clock() as clock:
        found = look_into(f"{folder}/**/*.parquet")
        clock.tell(f"{len(found.files):,} files looked into")
        rows = rows_of_folder(found)
        clock.tell(f"{rows.laps:,.0f} laps reduced to {len(rows):,} run rows")


if __name__ == "__main__":
    main()
