"""Seconds and memory of the Gaussian core from 3,000 to 100,000,000 laps: measured, not promised.

    python -m tests.bench.fit_scale 3000 30000 300000 1000000 10000000 100000000
        [--folder FOLDER]

makes each decade of laps (`benchmark.model.decade`) in a folder, a temporary one unless it is
named, and fits it in a process of its own: log lap time by circuit, levels, tyre, temperature and
lap (ordinary) and model, build, driver and session (pooled), REML. Seconds are those of the
processor (user and system, all threads), each step by itself; `sample` is the fit of a few circuits
that the fit of all begins from. Imports and the compiled loops are loaded before (`load`: two
seconds, or about 20 the first time on a machine). Peak is that of the whole process.

26 November 2026, 2 cores and 24 GB shared with much other work, Python 3.11.7, numba 0.68.1:

| laps | rows | load | reduce | sample | products | order | fit | sum but load | steps | peak GB |
| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
| 3,000 | 379 | 0.82 | 0.03 | 0.00 | 0.01 | 0.00 | 0.02 | 0.06 | 10 | 0.31 |
| 30,000 | 3,760 | 0.89 | 0.06 | 0.00 | 0.01 | 0.00 | 0.03 | 0.10 | 7 | 0.32 |
| 300,000 | 37,531 | 0.65 | 0.17 | 0.00 | 0.05 | 0.05 | 0.45 | 0.72 | 6 | 0.35 |
| 1,000,000 | 124,881 | 0.65 | 0.40 | 1.36 | 0.14 | 0.19 | 1.36 | 3.45 | 4 | 0.44 |
| 10,000,000 | 1,250,650 | 0.60 | 4.43 | 1.41 | 2.31 | 4.48 | 20.64 | 33.26 | 4 | 1.33 |
| 100,000,000 | 12,504,122 | 0.60 | 62.14 | 1.80 | 27.95 | 65.41 | 395.75 | 553.06 | 5 | 9.68 |
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from benchmark.store.reducing import folder_pattern
from tests.bench.decades import Found, measure_each

T = TypeVar("T")
STEPS = ("load", "reduce", "sample", "products", "order", "fit")
WARM = 3000  # laps of the fit that loads everything


def main() -> None:
    columns = ("rows", *STEPS, "sum but load", "factorisations", "peak GB")
    measure_each("tests.bench.fit_scale", str(__doc__), columns, WARM, measure, cells)


def cells(found: Found) -> list[str]:
    seconds = [f"{found[step]:.2f}" for step in STEPS]
    total = sum(found[step] for step in STEPS[1:])
    end = [f"{total:.2f}", str(found["factorisations"]), f"{found['peak']:.2f}"]
    return [f"{found['rows']:,}", *seconds, *end]


def measure(folder: Path, laps: int) -> Found:
    found: Found = {}

    def timed(step: str, work: Callable[[], T]) -> T:
        before = time.process_time()
        result = work()
        found[step] = time.process_time() - before
        return result

    timed("load", lambda: warm(folder))
    from benchmark.model import gaussian
    from benchmark.store.reducing import rows_of_files

    rows = timed("reduce", lambda: rows_of_files(folder_pattern(folder / str(laps))))
    start = timed("sample", lambda: gaussian.start_from_sample(rows))
    named = timed("products", lambda: gaussian.equations_of(rows))
    found["rows"] = len(rows)
    plan = timed("order", lambda: gaussian.Elimination(named.equations))
    fit = timed("fit", lambda: gaussian.fit_equations(named, plan, start=start))
    found["factorisations"] = fit.reml.factorisations
    found["criterion"], found["sds"] = fit.reml.criterion, fit.sds
    found["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return found


def warm(folder: Path) -> None:
    from benchmark.model.gaussian import fit_rows
    from benchmark.store.reducing import rows_of_files

    fit_rows(rows_of_files(folder_pattern(folder / str(WARM))))


if __name__ == "__main__":
    main()
