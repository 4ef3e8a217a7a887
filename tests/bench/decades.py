"""What the commands share that measure decades of laps, each in a process of its own."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from benchmark.model.decade import write

Found = dict[str, Any]


def measure_each(
    module: str,
    doc: str,
    columns: Sequence[str],
    warm: int,
    measure: Callable[[Path, int], Found],
    cells: Callable[[Found], Sequence[str]],
) -> None:
    """Run the command of a module: make decades of the laps asked for, print a row for each.

    `measure` is run in a process of its own with the folder of decades, among which is one of
    `warm` laps; what it gives is written by `cells` below the names of `columns`.
    """
    parser = argparse.ArgumentParser(description=doc)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("laps", type=int, nargs="+")
    parser.add_argument("--folder", type=Path, help="where the laps are kept, or found")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        print(json.dumps(measure(asked.folder, asked.laps[0])))
        return
    print(f"| laps | {' | '.join(columns)} |")
    print("| ---: " * (len(columns) + 1) + "|")
    with tempfile.TemporaryDirectory(prefix="benchmark-") as temporary:
        folder = asked.folder or Path(temporary)
        for laps in asked.laps:
            found = _in_own_process(module, folder, laps, warm)
            print(f"| {laps:,} | {' | '.join(cells(found))} |", flush=True)


def _in_own_process(module: str, folder: Path, laps: int, warm: int) -> Found:
    for size in (warm, laps):
        if not (folder / str(size)).exists():
            write(size, folder / str(size))
    command = [sys.executable, "-m", module, str(laps), "--measure", "--folder", str(folder)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: Found = json.loads(done.stdout)
    return found
