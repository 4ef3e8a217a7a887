"""Time and memory of the full mode on a large club's season, and its answers beside the fast mode.

    python -m tests.bench.modes [--builds 250] [--days 39] [--seed 1]

Each mode fits in a process of its own, on one made-up season. Told are seconds of the wall and of
all processors (the second chain's too), the peak of memory of the largest process, and how far the
fast mode's adjusted times lie from the full mode's as a share of the half-width of the full
mode's 90 % interval, and how wide its own intervals are against those.

26 November 2026, two cores with little else to do, in two runs: 29,554 laps of 250 builds, full
mode 208 and 216 s of the wall (409 and 425 s of processors), R-hat 1.039, 403 MB the largest
process. In a third run, other work beside it: fast mode 11 s, 426 MB; adjusted times of 723 entries
lay apart by 0.21 half-widths (median; 95 % within 0.40), and the fast mode's intervals were 1.03
times as wide (median; 0.74 to 1.30).
"""

from __future__ import annotations

import argparse
import pickle
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmark.model.plan import LARGE, SeasonPlan
from benchmark.model.simulate import simulate

MODES = ("full", "fast")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--builds", type=int, default=250)
    parser.add_argument("--days", type=int, default=39)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=MODES, help="measure one mode and write its figures")
    parser.add_argument("--out", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    plan = season_plan(options.builds, options.days)
    if options.only:
        found = measure(plan, options.seed, options.only)
        if options.out:
            options.out.write_bytes(pickle.dumps(found))
        return
    with tempfile.TemporaryDirectory() as folder:
        found = {mode: run_apart(mode, Path(folder) / mode) for mode in MODES}
    compare(*(found[mode] for mode in MODES))


def season_plan(builds: int, days: int) -> SeasonPlan:
    """Give a season whose laps grow with builds and days: 250 and 39 make about 30,000."""
    return replace(LARGE, n_builds=builds, n_drivers=builds, n_models=20, n_days=days)


def run_apart(mode: str, out: Path) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.bench.modes", *sys.argv[1:], "--only", mode]
    subprocess.run([*command, "--out", str(out)], check=True)
    found: dict[str, Any] = pickle.loads(out.read_bytes())
    return found


def measure(plan: SeasonPlan, seed: int, mode: str) -> dict[str, Any]:
    """Fit one mode; tell its figures and give draws of every entry's adjusted time."""
    from benchmark.model.pace import adjusted_rows, fit

    laps = simulate(plan, seed).counted()
    wall, cpu = time.perf_counter(), processor_s()
    found = fit(laps, mode=mode)
    wall, cpu = time.perf_counter() - wall, processor_s() - cpu
    kinds = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    peak = max(resource.getrusage(kind).ru_maxrss for kind in kinds) / 1024
    what = f"{len(laps):,} laps of {len(found.entries)} builds"
    r_hat = found.diagnostics.get("r_hat")
    told = "" if r_hat is None else f", R-hat {r_hat:.3f}"
    print(f"{mode}: {what}, {wall:.0f} s ({cpu:.0f} s of processors), {peak:.0f} MB{told}")
    return {"log_time": found.log_time(adjusted_rows(found))}


def compare(full: dict[str, Any], fast: dict[str, Any]) -> None:
    low, middle, high = np.quantile(full["log_time"], [0.05, 0.5, 0.95], axis=0)
    fast_low, fast_middle, fast_high = np.quantile(fast["log_time"], [0.05, 0.5, 0.95], axis=0)
    apart = np.abs(fast_middle - middle) / ((high - low) / 2)
    wider = (fast_high - fast_low) / (high - low)
    print(f"adjusted times of {len(apart)} entries at their circuits:")
    print(f"   apart, in half-widths of the interval: median {np.median(apart):.2f}, ", end="")
    print(f"95 % within {np.quantile(apart, 0.95):.2f}, most {apart.max():.2f}")
    print(f"   interval over the full mode's: median {np.median(wider):.2f}, ", end="")
    print(f"from {wider.min():.2f} to {wider.max():.2f}")


def processor_s() -> float:
    kinds = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, kinds))


if __name__ == "__main__":
    main()
