"""What the fast mode costs: its errors, intervals and rank sets beside those of the full mode.

    nice -n 10 python -m tests.studies.fast_mode --seasons 6
    nice -n 10 python -m tests.studies.fast_mode --seasons 6 --scores club.csv
    nice -n 10 python -m tests.studies.fast_mode --plan large --seasons 10
    nice -n 10 python -m tests.studies.fast_mode --builds 300 --days 60 --modes fast --seasons 10

Both modes are fitted to the same seasons and held against the truth, as in
`tests.studies.calibration`; the second command takes the full mode's scores from the file that that
study kept (`--plan club --out club.csv`) and fits only the fast one.

A club is small for the fast mode: its sample of builds is then the whole store, so that measures
the plug-in of noise and deviations, and the Normal sum of each run, not the sampling of builds,
which 120 builds show.

Results, 2026-11-26, 2 cores and 24 GB, shared with other work (± over seasons). `--plan club
--seasons 10`, 413 entries, whose sample is the whole store:

    .                            fast             full
    error of adjusted time       0.454 %          0.461 %
    between entries              0.374 %          0.376 %
    90 % interval holds          0.924 ± 0.024    0.913 ± 0.018
    interval score               1.97 %           1.88 %
    90 % rank set holds          0.947 ± 0.015    0.964 ± 0.013
    ranks in a set               2.61             2.69

The modes' adjusted times were 0.199 % apart (root of the mean square); the fast mode's intervals
were 1.06 times as wide.

Third command, the first 10 seasons of 120 builds, 2,387 entries, 5,048 laps of which the fast mode
learns the noise from 2,500:

    .                            fast             full
    error of adjusted time       0.396 %          0.369 %
    between entries              0.337 %          0.321 %
    90 % interval holds          0.886 ± 0.015    0.908 ± 0.016
    interval score               1.65 %           1.54 %
    90 % rank set holds          0.916 ± 0.009    0.932 ± 0.006
    ranks in a set               5.98             6.12

Intervals are as wide as the full mode's.

Fourth command, the first 10 seasons of 300 builds, some 54,000 laps each: error 0.264 %, between
entries 0.244 %; 90 % intervals held 0.884 ± 0.012, rank sets 0.893 ± 0.008 with 13.4 ranks.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from benchmark.model.pace import fit
from benchmark.model.plan import PLANS, SeasonPlan
from benchmark.model.simulate import simulate
from tests.bench.modes import season_plan
from tests.studies.calibration import score, summary

SHOWN = [
    *("error %", "error between entries %", "interval score %", "fit s"),
    *("interval holds", "interval holds ±", "rank set holds", "rank set holds ±", "ranks in set"),
]


def scores(plan: SeasonPlan, seed: int, modes: Sequence[str]) -> pd.DataFrame:
    """Scores of one season, fitted by each mode; columns as `calibration.score`, and `kind`."""
    season = simulate(plan, seed)
    parts = []
    for mode in modes:
        start = time.perf_counter()
        found = fit(season.counted(), mode=mode)
        took = time.perf_counter() - start
        r_hat = found.diagnostics.get("r_hat", float("nan"))
        told = score(season, found)
        parts.append(told.assign(season=seed, kind=mode, fit_s=took, r_hat=r_hat))
    return pd.concat(parts, ignore_index=True)


def apart(scored: pd.DataFrame) -> tuple[float, float]:
    """How far the fast mode's adjusted times are from the full mode's, and how wide [% , ratio].

    Root of the mean squared difference of the two means, and mean width over mean width.
    """
    key = ["season", "circuit", "layout", "build"]
    full, fast = (scored[scored["kind"] == kind].set_index(key) for kind in ("full", "fast"))
    full = full.loc[fast.index]
    off = float(((fast["mean_log"] - full["mean_log"]) ** 2).mean() ** 0.5)
    widths = [float((one["high_log"] - one["low_log"]).mean()) for one in (fast, full)]
    return 100 * off, widths[0] / widths[1]


def report(scored: pd.DataFrame) -> str:
    """Write the table out and, of two modes, how far they are apart."""
    table = summary(scored)[SHOWN].T.round(3).to_string()
    if scored["kind"].nunique() == 1:
        return table
    off, width = apart(scored)
    told = f"adjusted times {off:.3f} % apart; the fast mode's intervals {width:.2f} times as wide"
    return f"{table}\n{told}"


def main() -> None:
    """Run the study and print what came of it."""
    parser = argparse.ArgumentParser(description="the fast mode beside the full one")
    parser.add_argument("--plan", choices=list(PLANS), default="club")
    parser.add_argument("--builds", type=int, help="season of so many builds, and of --days")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--modes", nargs="+", choices=("full", "fast"), default=["full", "fast"])
    parser.add_argument("--seasons", type=int, default=6)
    parser.add_argument("--scores", type=Path, help="kept scores of the full mode")
    parser.add_argument("--out", type=Path, help="keep every new score in this CSV file")
    asked = parser.parse_args()
    plan = season_plan(asked.builds, asked.days) if asked.builds else PLANS[asked.plan]
    modes = ["fast"] if asked.scores else asked.modes
    parts = []
    if asked.scores:
        kept = pd.read_csv(asked.scores)
        parts.append(kept[(kept["kind"] == "full") & (kept["season"] < asked.seasons)])
    for seed in range(asked.seasons):
        parts.append(scores(plan, seed, modes))
        print(f"season {seed}: {parts[-1]['fit_s'].iloc[-1]:.0f} s", flush=True)
        if asked.out:
            parts[-1].to_csv(asked.out, mode="a", header=not asked.out.exists(), index=False)
    print(report(pd.concat(parts, ignore_index=True)))


if __name__ == "__main__":
    main()
