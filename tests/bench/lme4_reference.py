"""The Gaussian core beside lme4 on the same laps: criterion, standard deviations, seconds.

    python -m tests.bench.lme4_reference 3000 30000 300000

needs R with lme4 from the distribution (`apt-get install r-cran-lme4`). lme4 runs as it comes, but
for the check of its optimum by finite differences, which is left out; what it is compared with is
then found more closely by Newton steps on its criterion, untimed. Seconds are those of the
processor; loading is not counted on either side, our reduction, products and order are.

26 November 2026, 2 cores with other work on them, lme4 1.1-31, 300,000 laps: 0.78 s against 110 s,
a 141th; the criterion is the same within 1e-5, standard deviations within 5e-6 of their size.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import duckdb

from benchmark.model.decade import write
from benchmark.model.gaussian import fit_rows
from benchmark.store.reducing import folder_pattern, rows_of_files

SCRIPT = Path(__file__).with_suffix(".R")
GROUPS = ("model", "build", "driver", "session")


def main() -> None:
    sizes = [int(word) for word in sys.argv[1:]] or [3000, 30000]
    with tempfile.TemporaryDirectory(prefix="benchmark-") as name:
        folder = Path(name)
        write(3000, folder / "warm")
        ours(folder / "warm")  # loads the compiled loops
        for laps in sizes:
            write(laps, folder / str(laps))
            mine, theirs = ours(folder / str(laps)), lme4(folder / str(laps))
            show(laps, mine, theirs)


def ours(folder: Path) -> dict[str, Any]:
    before = time.process_time()
    fit = fit_rows(rows_of_files(folder_pattern(folder)))
    seconds = time.process_time() - before
    sds = {name: value for name, value in fit.sds.items() if name != "noise"}
    found = {"criterion": fit.reml.criterion, "residual": fit.sds["noise"], "seconds": seconds}
    return {**found, **sds}


def lme4(folder: Path) -> dict[str, Any]:
    table = folder.with_suffix(".csv")
    duckdb.sql(
        f"""
        copy (
            select ln(lap_time / 100) as y, circuit, columns('mod_.*'), tyre_category, air_temp_c,
                lap, model, build, driver, circuit || ' ' || date || ' ' || session as session_id
            from '{folder_pattern(folder)}'
        ) to '{table}' (header)
        """
    )
    command = ["Rscript", str(SCRIPT), str(table)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def show(laps: int, mine: dict[str, Any], theirs: dict[str, Any]) -> None:
    off = max(abs(mine[name] / theirs[name] - 1) for name in (*GROUPS, "residual"))
    print(f"{laps:,} laps, lme4 {theirs['version']}: {json.dumps(theirs)}")
    print(f"  criterion {mine['criterion']:.6f}, {mine['criterion'] - theirs['criterion']:+.1e}")
    print(f"  standard deviations within {off:.1e}")
    print(f"  seconds {mine['seconds']:.2f} against {theirs['seconds']:.2f}: ", end="")
    print(f"a {theirs['seconds'] / mine['seconds']:.0f}th", flush=True)


if __name__ == "__main__":
    main()
