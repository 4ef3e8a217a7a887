"""Do more laps make an entry quicker by themselves? They must not: they only make it surer.

    nice -n 10 python -m tests.studies.more_laps --seasons 30
    python -m tests.studies.more_laps --scores club.csv

In each made-up season every build has 8 outings of 4 flying laps. Three builds of ten keep 4 of
them; the others are given 1, 2, 4 and 8 (4, 8, 16 and 32 laps of the same truth), and each time
the season is fitted and their adjusted times are asked for, against those of the three. What a
doubling changes, averaged over builds and seasons, is to be within 0.05 % (the best lap, beside it,
gets quicker with every doubling). The average over builds matters: a build that is quicker than
usual is thought nearer to the usual while it has few laps, and one that is slower too.

What is known of the luck of each build is taken off by least squares, which narrows the error and
cannot shift the mean: what its laps owe to days, outings and noise, before and after the growth,
and how its build and driver differ from their populations, all of which are nought on average.

The second command reads scores that `tests.studies.calibration --plan club --out club.csv` kept: if
laps alone made entries quicker, the error of adjusted times would fall with the number of laps,
within a season and layout. What a doubling changes there is the slope over log2 of the laps.

Fits are short (one chain, `WARM_UP` and `KEEP` sweeps): what their draws add to the error of one
adjusted time is some tenth of what the laps leave open.

Results, 2026-11-25, 2 cores and 24 GB, shared with other work. `--seasons 9 --ends` (63 builds): a
doubling changed the adjusted time by -0.037 ± 0.036 %, without known luck by -0.009 ± 0.023 %, and
the best lap by -0.47 %. `--scores` of the 20 club seasons of `calibration` (833 entries): the
error's slope over a doubling was +0.017 ± 0.025 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchmark.model import pace
from benchmark.model.plan import CLUB, NORTH, SeasonPlan
from benchmark.model.simulate import Season, simulate
from benchmark.model.truth import PASSING

OUTINGS, LAPS = (1, 2, 4, 8), 4
USUAL, KEPT = 4, 3  # outings of the builds that keep theirs, and how many builds do
WARM_UP, KEEP = 60, 120
LUCK = ("laps_before", "laps_change", "own")
PLAN = SeasonPlan(
    2, 10, 10, (NORTH,), 4, 2, 1.0, p_run=1.0, p_second_run=0.0, flying_laps=(LAPS, LAPS),
    p_parts=0.0, p_shared=0.0, p_traffic=0.0, p_wet=0.0,
).recorded_fully()  # fmt: skip


@contextmanager
def short_fits() -> Iterator[None]:
    """Let every fit inside run one short chain, once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pace, "WARM_UP", WARM_UP)
        patch.setattr(pace, "CHAINS", 1)
        patch.setattr(pace, "diagnostics", lambda *_: {"r_hat": 1.0})
        yield


def flying_laps(season: Season) -> pd.DataFrame:
    """Counted flying laps, and beside them their `luck`: what passes, and the noise [log time]."""
    counted = (season.laps["lap_kind"] == "timed") & (season.laps["lap"] > 1)
    came = season.realised
    mean = season.laps["driver"].map(season.truth.noise.tau)
    noise = (came["normal"] + came["delay"] - mean).where(came["kind"] == "ordinary", 0.0)
    passing = came[[name for name in PASSING if name in came]].sum(axis=1)
    return season.laps.assign(luck=noise + passing)[counted].reset_index(drop=True)


def laps_with(laps: pd.DataFrame, growing: Sequence[str], outings: int, seed: int) -> pd.DataFrame:
    """Laps of a season in which the growing builds have this many outings, drawn by lot."""
    key = ["build", "date", "session"]
    each = laps[key].drop_duplicates()
    # The first outing of a build by lot is among its first 2, 4 and 8: laps are only added.
    place = each.sample(frac=1, random_state=seed).groupby("build").cumcount()
    keep = np.where(each["build"].isin(growing), outings, USUAL)
    return laps.merge(each[place.reindex(each.index) < keep], on=key)


def changes(seed: int, outings: Sequence[int] = OUTINGS) -> pd.DataFrame:
    """What each growth of its laps changes of a build's adjusted time and of its best lap [%].

    The adjusted time is told against the builds that keep their laps.
    One row a growing build and growth: `build`, `laps` (after it), `doublings`, `adjusted`, `best`,
    `season`, and what is known of its luck.
    """
    season = simulate(PLAN, seed)
    rows = season.entries(NORTH.circuit)
    growing = np.random.default_rng(seed).permutation(rows["build"].to_numpy())[KEPT:]
    grows = rows["build"].isin(growing).to_numpy()
    keeping, rows = rows[~grows], rows[grows]
    own = sum(season.truth.group_effect(group, rows) for group in ("build", "driver"))
    tables = []
    for n in outings:
        laps = laps_with(flying_laps(season), list(growing), n, seed)
        with short_fits():
            found = pace.fit(laps.drop(columns="luck"), draws=KEEP, mode="full", seed=seed)
        of_build = laps.groupby("build").agg(best=("lap_time_s", "min"), luck=("luck", "mean"))
        adjusted, others = (
            found.log_time(some.drop(columns="adjusted_s")).mean(axis=0) for some in (rows, keeping)
        )
        table = of_build.loc[rows["build"]].assign(adjusted=adjusted - others.mean())
        tables.append(100 * table.assign(best=np.log(table["best"])))
    grown = [
        (after - before).assign(
            laps=LAPS * n, doublings=np.log2(n / m), laps_before=before["luck"], own=100 * own
        )
        for (before, after), (m, n) in zip(pairwise(tables), pairwise(outings), strict=True)
    ]
    return pd.concat(grown).rename(columns={"luck": "laps_change"}).assign(season=seed)


def without_luck(found: pd.DataFrame) -> pd.DataFrame:
    """Take off what the builds' known luck explains of `adjusted`, growth by growth."""
    parts = []
    for _, growth in found.groupby("laps"):
        x = np.column_stack([np.ones(len(growth)), growth[list(LUCK)]])
        slopes = np.linalg.lstsq(x, growth["adjusted"].to_numpy(), rcond=None)[0]
        parts.append(growth.assign(adjusted=growth["adjusted"] - x[:, 1:] @ slopes[1:]))
    return pd.concat(parts)


def by_doubling(found: pd.DataFrame) -> pd.DataFrame:
    """Mean change of a doubling [%] and its standard error over seasons, one row a growth."""
    each = found.assign(**{k: found[k] / found["doublings"] for k in ("adjusted", "best")})
    seasons = each.groupby(["laps", "season"])[["adjusted", "best"]].mean()
    means = seasons.groupby("laps").mean()
    error = seasons.groupby("laps")["adjusted"].sem()
    return means.assign(error=error)[["adjusted", "error", "best"]]


def per_doubling(found: pd.DataFrame) -> tuple[float, float]:
    """Mean change of a doubling over all growths [%], and its standard error over seasons."""
    sums = found.groupby(["season", "build"])[["adjusted", "doublings"]].sum()
    mean = (sums["adjusted"] / sums["doublings"]).groupby("season").mean().to_numpy()
    return float(np.mean(mean)), float(np.std(mean, ddof=1) / np.sqrt(len(mean)))


def with_laps(scores: pd.DataFrame) -> pd.DataFrame:
    """Full fits' scores of the study of calibration (club), and each build's number of laps."""
    full = scores[scores["kind"] == "full"]
    parts = []
    for seed, part in full.groupby("season"):
        laps = simulate(CLUB, int(str(seed))).counted().groupby("build").size()
        parts.append(part.assign(n_laps=part["build"].map(laps)))
    return pd.concat(parts)


def slope_by_laps(scores: pd.DataFrame) -> tuple[float, float]:
    """Change of the error with a doubling of the laps [%], and its standard error over seasons."""
    place = [scores[c] for c in ("season", "circuit", "layout")]
    error = 100 * (scores["mean_log"] - scores["true_log"])
    doublings = np.log2(scores["n_laps"])
    x = doublings - doublings.groupby(place).transform("mean")
    y = error - error.groupby(place).transform("mean")
    slope = float((x * y).sum() / (x * x).sum())
    # Clusters are the seasons (Liang and Zeger, Biometrika 73, 1986).
    score = (x * (y - slope * x)).groupby(scores["season"]).sum()
    return slope, float(np.sqrt((score**2).sum()) / (x * x).sum())


def main() -> None:
    """Run the study and print what came of it."""
    parser = argparse.ArgumentParser(description="whether more laps alone make an entry quicker")
    parser.add_argument("--seasons", type=int, default=30)
    parser.add_argument("--ends", action="store_true", help="fit only with 4 and with 32 laps")
    parser.add_argument("--scores", type=Path, nargs="+", help="read kept scores instead (club)")
    options = parser.parse_args()
    if options.scores:
        kept = with_laps(pd.concat([pd.read_csv(path) for path in options.scores]))
        slope, error = slope_by_laps(kept)
        print(f"{len(kept)} entries of {kept['season'].nunique()} seasons; error by a doubling of")
        print(f"an entry's laps: {slope:+.3f} ± {error:.3f} %")
        return
    outings = OUTINGS[:: len(OUTINGS) - 1] if options.ends else OUTINGS
    found = pd.concat([changes(seed, outings) for seed in range(1, options.seasons + 1)])
    print(f"{options.seasons} seasons; change by a doubling, in %, after it")
    for title, told in (("as it came", found), ("without known luck", without_luck(found))):
        mean, error = per_doubling(told)
        print(title, by_doubling(told).round(3).to_string(), sep="\n")
        print(f"4 to 32 laps, each doubling: {mean:.3f} ± {error:.3f} %")


if __name__ == "__main__":
    main()
