"""Seconds and memory of the whole fast mode: one-sided noise, warm start and draws included.

    python -m tests.bench.fast_scale 30000 300000 1000000 [--folder FOLDER]

makes each decade of laps (`benchmark.model.decade`) and fits it in a process of its own, as
`benchmark fit --mode fast --laps` does once the files are checked. Seconds are those of the
processor (user and system, all threads): `frame` laps read and gathered into runs, `sample` the
full fit of some builds that the noise comes from, `sizes` the standard deviations, `solve` the
rounds of reweighted runs, `draws` the posterior draws, `all` the whole with what is between. Peak
is that of the whole process, laps and draws included. `quick` is a quick fit of all laps, when that
fit had not seen the last day of the first circuit (240 to 570 laps); the frame is read before. Up
to 3,000 laps it draws everything anew.

27 November 2026, 2 cores and 24 GB, little else running beside the first four rows, answers being
measured beside the last, Python 3.11.7, numba 0.68.1:

| laps | runs | frame | sample | sizes | solve | draws | all | quick | peak GB |
| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
| 3,000 | 348 | 0.1 | 3.0 | 0.0 | 0.1 | 0.0 | 3.3 | 5.0 | 0.36 |
| 30,000 | 3,684 | 0.2 | 2.5 | 0.1 | 0.3 | 0.1 | 3.4 | 0.6 | 0.38 |
| 300,000 | 37,467 | 1.1 | 5.0 | 1.5 | 3.1 | 1.1 | 12.3 | 1.7 | 0.86 |
| 1,000,000 | 124,838 | 3.0 | 4.3 | 2.2 | 12.9 | 3.9 | 28.3 | 2.6 | 2.18 |
| 10,000,000 | 1,250,602 | 52.1 | 4.0 | 2.7 | 177.0 | 49.5 | 313.6 | 35.5 | 15.12 |
"""

from __future__ import annotations

import resource
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchmark.intake.lap_folder import look_into
from benchmark.model import fast, pace, run_regression
from benchmark.model.frame import ModelFrame, subset
from benchmark.model.run_sites import RunSites
from benchmark.store import framing
from benchmark.store.reducing import folder_pattern
from tests.bench.decades import Found, measure_each

WARM = 30_000  # laps of the fit that loads everything
STEPS = ("frame", "sample", "sizes", "solve", "draws", "all", "quick")
Spent = dict[str, float]


def main() -> None:
    columns = ("runs", *STEPS, "peak GB")
    measure_each("tests.bench.fast_scale", str(__doc__), columns, WARM, measure, cells)


def cells(found: Found) -> list[str]:
    seconds = [f"{found[step]:.1f}" for step in STEPS]
    return [f"{found['runs']:,}", *seconds, f"{found['peak']:.2f}"]


def measure(folder: Path, laps: int) -> Found:
    warm = look_into(folder_pattern(folder / str(WARM)))
    pace.fit(framing.frame_of_folder(warm), mode="fast", draws=50)
    spent: Spent = defaultdict(float)
    timed(framing, "frame_of_folder", spent, "frame")
    timed(pace, "structure", spent, "frame")
    timed(pace, "run_chain", spent, "sample")
    timed(run_regression.RunRegression, "fit_sizes", spent, "sizes")
    timed(run_regression.RunRegression, "fit", spent, "solve")
    timed(fast, "driver_delays", spent, "solve")
    timed(RunSites, "match", spent, "solve")
    timed(run_regression.RunRegression, "arrays", spent, "draws")
    files = look_into(folder_pattern(folder / str(laps)))
    before = time.process_time()
    frame = framing.frame_of_folder(files)
    fit = pace.fit(without_a_day(frame), mode="fast")
    found = {**spent, "all": time.process_time() - before, "runs": len(fit.runs)}
    found["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    before = time.process_time()
    pace.fit(frame, mode="quick", last=fit)
    return {**found, "quick": time.process_time() - before}


def without_a_day(frame: ModelFrame) -> ModelFrame:
    """Leave out the last day of the first circuit: the laps that are new to a quick fit."""
    runs = frame.runs
    here = runs["circuit"] == runs["circuit"].iloc[0]
    gone = here & (runs["date"] == runs["date"][here].max())
    return subset(frame, frame.laps[~gone.to_numpy()[frame.laps["run_id"].to_numpy()]])


def timed(place: Any, name: str, spent: Spent, step: str) -> None:
    """Add the processor's seconds of a function to a step's."""
    work: Callable[..., Any] = getattr(place, name)

    def measured(*args: Any, **named: Any) -> Any:
        before = time.process_time()
        try:
            return work(*args, **named)
        finally:
            spent[step] += time.process_time() - before

    setattr(place, name, measured)


if __name__ == "__main__":
    main()
