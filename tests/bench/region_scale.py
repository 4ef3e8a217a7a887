"""Seconds, memory and disk of a fit by regions of laps in Parquet files, one-sided noise and all.

    python -m tests.bench.region_scale 1000000 10000000 100000000 [--folder FOLDER]

makes each decade of laps (`benchmark.model.decade`) and fits it in a process of its own, as
`benchmark fit --laps --by-region` does. Seconds are those of the processor (user and system, all
threads): `check` the files' columns and values, `frame` laps read and gathered into runs (and
looked over by circuit before), `learn` the fit that what all cars share comes from, `fit` the
regions given that, `answers` what is worked out for answers and kept with the fit, `write` the
files of the fit, `all` the whole. Peak is the memory of the whole process, disk the size of the
fit. The fit stays in the folder, as `LAPS.duckdb`, for `tests.bench.answers`.

27 November 2026, 2 cores and 24 GB, other work on the second core for much of the time, Python
3.11.7, numba 0.68.1; 400 draws, and 200 of 100,000,000 laps:

| laps | regions | check | frame | learn | fit | answers | write | all | peak GB | disk GB |
| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
| 1,000,000 | 1 | 0.7 | 6.0 | 28.9 | 19.8 | 24.9 | 1.7 | 82.4 | 2.75 | 0.37 |
| 10,000,000 | 15 | 7.8 | 39.1 | 33.5 | 177.1 | 215.2 | 18.0 | 491.3 | 3.02 | 2.56 |
| 100,000,000 | 140 | 72.7 | 383.2 | 41.1 | 1891.3 | 2070.5 | 199.8 | 4663.8 | 3.37 | 21.41 |
"""

from __future__ import annotations

import resource
import shutil
import time
from collections import defaultdict
from pathlib import Path

from benchmark.intake import lap_folder
from benchmark.show import fitting_regions
from benchmark.show.fitting import fit_store
from benchmark.store.kept_fits import folder_of
from benchmark.store.reducing import folder_pattern
from benchmark.store.region_fits import RegionsWriter
from tests.bench.decades import Found, measure_each
from tests.bench.fast_scale import WARM, Spent, timed

STEPS = ("check", "frame", "learn", "fit", "answers", "write", "all")


def main() -> None:
    columns = ("regions", *STEPS, "peak GB", "disk GB")
    measure_each("tests.bench.region_scale", str(__doc__), columns, WARM, measure, cells)


def cells(found: Found) -> list[str]:
    seconds = [f"{found[step]:.1f}" for step in STEPS]
    return [str(found["regions"]), *seconds, f"{found['peak']:.2f}", f"{found['disk']:.2f}"]


def measure(folder: Path, laps: int) -> Found:
    _fit(folder, WARM)  # loads everything
    spent: Spent = defaultdict(float)
    timed(lap_folder, "look_into", spent, "check")
    timed(fitting_regions, "scan", spent, "frame")
    timed(fitting_regions, "frame_of_folder", spent, "frame")
    timed(fitting_regions, "_learn", spent, "learn")
    timed(fitting_regions, "_fit_given", spent, "fit")
    timed(fitting_regions, "worked_out", spent, "answers")
    timed(RegionsWriter, "add", spent, "write")
    timed(RegionsWriter, "finish", spent, "write")
    before = time.process_time()
    db = _fit(folder, laps)
    found: Found = {**spent, "all": time.process_time() - before}
    found["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    files = [path for path in folder_of(db).rglob("*") if path.is_file()]
    found["disk"] = sum(path.stat().st_size for path in files) / 1e9
    return {**found, "regions": len(files) - 1}


def _fit(folder: Path, laps: int) -> Path:
    """Fit a decade anew; return the store that keeps the fit."""
    db = folder / f"{laps}.duckdb"
    shutil.rmtree(folder_of(db), ignore_errors=True)
    db.unlink(missing_ok=True)
    fit_store(
        db, lambda *_: None, mode="fast", files=folder_pattern(folder / str(laps)), by_region=True
    )
    return db


if __name__ == "__main__":
    main()
