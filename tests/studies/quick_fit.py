"""How far a quick fit, which counts new laps at once, lies from the full fit that follows it.

    python -m tests.studies.quick_fit --seasons 4
    python -m tests.studies.quick_fit --builds 120 --days 24 --seasons 3
    python -m tests.studies.quick_fit --builds 120 --days 24 --mode fast --seasons 10
    python -m tests.studies.quick_fit --builds 300 --days 60 --mode fast --seasons 6

Made-up seasons: all but the last day is fitted; then the last day's laps come, a quick fit counts
them, and a fit of all laps follows. Told are, for the entries that the last day touches and for the
others, how far adjusted times lie apart in half-widths of that last fit's 90 % interval, how wide
the quick fit's interval is against that, and how far the fit before lies off, which is what the
quick one makes up for; then, of entries that the last day touches, the error of the quick fit and
of the one that follows, and how often their 90 % intervals hold the truth.

27 November 2026, two cores; median (95 % within), in half-widths; seconds are the processor's:

    .                                                    quick fit      fit before    width
    club, some 1,000 laps, 130 to 170 on the last day   (3 s)
      64 entries with laps on the last day               0.06 (0.19)    0.20 (0.62)   0.92
      91 entries without                                 0.05 (0.15)    0.08 (0.30)   0.91
    some 8,700 laps, 270 to 360 on the last day   (0.4 to 0.9 s)
      185 entries with                                   0.07 (0.24)    0.09 (0.46)   0.98
      740 entries without                                0.06 (0.21)    0.06 (0.21)   1.01
    the same in the fast mode   (0.4 to 0.7 s)
      626 entries with                                   0.08 (0.24)    0.12 (0.49)   1.01
      2,445 entries without                              0.07 (0.21)    0.07 (0.21)   1.01
    some 54,000 laps, fast mode, 710 to 1,210   (1.5 to 1.9 s)
      1,208 entries with                                 0.08 (0.28)    0.12 (0.45)   1.01
      4,160 entries without                              0.08 (0.27)    0.08 (0.27)   1.00

    error of the lap, intervals that hold                quick fit            fit of all laps
    653 adjusted times, 8,700 laps, fast mode            0.344 %, 92 ± 1 %    0.353 %, 88 ± 1 %
    1,208 adjusted times, 54,000 laps, fast mode         0.249 %, 90 ± 3 %    0.253 %, 89 ± 3 %

A club's quick fit draws everything anew; intervals are narrower, as how unsure noise and standard
deviations are is left out. In the larger ones it works out what the new laps touch, and lies no
further from the last fit than entries that nothing new touched, which two fits of finitely many
draws are apart anyway. In the club that would have given 0.16 (0.32) with and 0.08 (0.27) without.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from benchmark.model.pace import adjusted_rows, fit
from benchmark.model.plan import PLANS, SeasonPlan
from benchmark.model.simulate import simulate
from tests.bench.modes import season_plan
from tests.studies.calibration import score


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=6)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--builds", type=int, help="season of so many builds, and of --days")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--mode", choices=("full", "fast"), default="full")
    asked = parser.parse_args()
    plan = season_plan(asked.builds, asked.days) if asked.builds else PLANS["club"]
    seeds = range(asked.first, asked.first + asked.seasons)
    seasons = [season(plan, seed, asked.mode) for seed in seeds]
    table, scores = (pd.concat(parts) for parts in zip(*seasons, strict=True))
    for touched, rows in table.groupby("touched"):
        who = "with laps on the last day" if touched else "without"
        print(f"{len(rows)} entries {who}:")
        for fit_of in ("quick", "before"):
            apart = rows[fit_of]
            print(f"   the {fit_of} fit {apart.median():.2f} of a half-width apart, ", end="")
            print(f"95 % within {apart.quantile(0.95):.2f}")
        print(f"   interval of the quick fit {rows['wider'].median():.2f} times as wide")
    print(f"the truth, of {len(scores) // 2} adjusted times of those with laps on the last day:")
    for fit_of, rows in scores.groupby("fit"):
        error = 100 * np.sqrt(((rows["mean_log"] - rows["true_log"]) ** 2).mean())
        held = rows.groupby("season")["held"].mean()
        spread = 100 * held.std() / np.sqrt(len(held))
        print(f"   the {fit_of} fit errs by {error:.3f} % of the lap, ", end="")
        print(f"90 % intervals hold {100 * held.mean():.1f} ± {spread:.1f} %")


def season(plan: SeasonPlan, seed: int, mode: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Say how far the fits of one season lie apart; then how far two of them are from the truth."""
    made = simulate(plan, seed)
    laps = made.counted()
    new = laps["date"] == laps["date"].max()
    before = fit(laps[~new], mode=mode)
    started = time.process_time()
    quick = fit(laps, mode="quick", last=before)
    spent = time.process_time() - started
    full = fit(laps, mode=mode)
    rows = adjusted_rows(before)
    found = {"before": before, "quick": quick, "full": full}
    drawn = {name: one.log_time(rows) for name, one in found.items()}
    middle = {name: np.median(draws, axis=0) for name, draws in drawn.items()}
    half = {name: half_width(draws) for name, draws in drawn.items()}
    print(
        f"season {seed}: {len(laps)} laps, {new.sum()} of them new, quick fit {spent:.1f} s",
        flush=True,
    )
    touched = set(laps.loc[new, "build"])
    apart = pd.DataFrame(
        {
            "touched": rows["build"].isin(touched),
            "quick": np.abs(middle["quick"] - middle["full"]) / half["full"],
            "before": np.abs(middle["before"] - middle["full"]) / half["full"],
            "wider": half["quick"] / half["full"],
        }
    )
    scores = pd.concat([score(made, found[name]).assign(fit=name) for name in ("quick", "full")])
    return apart, scores[scores["build"].isin(touched)].assign(season=seed)


def half_width(draws: np.ndarray) -> np.ndarray:
    low, high = np.quantile(draws, [0.05, 0.95], axis=0)
    return np.asarray((high - low) / 2)


if __name__ == "__main__":
    main()
