"""How well the pace model recovers known truth, and whether its intervals hold what they promise.

    python -m tests.studies.calibration --plan club --world model --seasons 20 --oracle

Each season is made by `benchmark.model.simulate`, fitted, and the adjusted time of every dry entry
is held against the truth. With `--oracle` it is fitted once more by one who is told every standard
deviation and the noise: what he misses, no method could find in these laps, so the ratio to him
is the price of not knowing. (In the world "other" the simulated noise is of another family, so
that the oracle is told its nearest member only.) The interval score is that of Gneiting and
Raftery, Journal of the American Statistical Association 102 (2007) 359, equation 43: width plus
2/alpha times what a truth lies outside. Each fit also forecasts the best of `BEST_OF` laps of every
entry on a new day, judged by the continuous ranked probability score (the same article, equation
21) against outcomes drawn from the truth, and tells what each step of each area is worth.

The oracle's chains are given fewer draws (`ORACLE_DRAWS`): its few unknowns mix at once.

Seasons share no draw; `±` is the standard error over seasons.

Results of 2026-11-25, two cores shared with other work, 20 seasons each, `--oracle --draws 600`
(`large`: `--draws 500`, in the world "other" `--draws 400 --oracle-draws 200`). World "model":

    plan                             club           matched        large          one-car
    laps, entries                    1,002; 833     1,014; 478     5,138; 4,827   317; 286
    error, full and oracle           0.452 0.441 %  0.326 0.316 %  0.385 0.374 %  0.476 0.441 %
    error over the oracle's          1.026          1.033          1.030          1.081
    90 % intervals hold              0.903 ± 0.016  0.908 ± 0.019  0.897 ± 0.011  0.953 ± 0.016
    90 % rank sets hold              0.959 ± 0.009  0.950 ± 0.012  0.922 ± 0.007  0.990 ± 0.007
    interval score over oracle's     1.017          1.057          1.034          1.070
    CRPS of a best lap over oracle's 1.000          1.008          1.004          1.035
    error of a step over oracle's    1.042          1.067          1.022          0.996
    worst R-hat, mean                1.033          1.039          1.095          1.022

World "other":

    error, full and oracle           0.461 0.448 %  0.348 0.323 %  0.431 0.410 %  0.485 0.463 %
    error over the oracle's          1.028          1.078          1.052          1.047
    90 % intervals hold              0.885 ± 0.015  0.921 ± 0.016  0.859 ± 0.011  0.923 ± 0.013
    90 % rank sets hold              0.952 ± 0.009  0.925 ± 0.014  0.908 ± 0.005  0.982 ± 0.010
    interval score over oracle's     1.000          1.073          1.053          1.058
    CRPS of a best lap over oracle's 1.034          1.027          1.001          0.991
    error of a step over oracle's    1.034          1.049          1.012          1.003

The chance of being quickest, all 6,424 entries of the world "model" together:

    said            entries  said on average  came true
    under 0.05      6,173    0.000            0.000
    0.05 to 0.20       45    0.110            0.067
    0.20 to 0.40       37    0.269            0.297
    0.40 to 0.60       24    0.490            0.500
    0.60 to 0.80       31    0.710            0.742
    0.80 to 0.95       29    0.883            0.862
    over 0.95          85    0.996            1.000
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmark.model.fit import Fit
from benchmark.model.frame import MODS, model_frame
from benchmark.model.gibbs import Known
from benchmark.model.noise import Noise
from benchmark.model.pace import fit
from benchmark.model.plan import PLANS
from benchmark.model.posterior import interval, p_fastest, rank_sets
from benchmark.model.predict import level_worths
from benchmark.model.simulate import WORLDS, Season, clean_laps, simulate
from benchmark.model.structure import structure
from benchmark.trade.classes import AREAS

LEVEL = 0.9
CHANCE = ("day", "session", "build_day", "outing")
BEST_OF, OUTCOMES = 4, 20  # laps of the forecast outing, and outings drawn for each entry
ORACLE_DRAWS = 400
CHANCES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)


def known_of(season: Season) -> Known:
    """Tell the model the standard deviations and the noise that made a season."""
    noise = season.truth.noise
    drivers = [name for (name,) in structure(model_frame(season.counted())).levels["driver"]]
    tau = np.array([noise.tau.get(driver, noise.tau_centre) for driver in drivers])
    told = Noise(
        noise.sigma,
        tau,
        noise.tau_centre,
        noise.tau_spread,
        noise.slow,
        noise.gross,
        np.array(noise.shares),
    )
    return Known(dict(season.truth.sds), told)


def score(season: Season, found: Fit) -> pd.DataFrame:
    """Hold a fit against the truth: one row an entry at each layout with a dry lap.

    Columns: circuit, layout, build, true_log, mean_log, low_log, high_log (log seconds), held,
    interval_score (log), rank_held, rank_width, p_fastest, is_fastest, crps (log) and gain_square:
    the mean squared error of a step's worth (log), the same on all rows.
    """
    dry = found.runs[found.runs["surface"] == "dry"]
    places = sorted(set(zip(dry["circuit"], dry["layout"], strict=True)))
    table = pd.concat([_score_at(season, found, *place) for place in places], ignore_index=True)
    return table.assign(gain_square=_gain_square(season, found))


def _gain_square(season: Season, found: Fit) -> float:
    """Mean squared error of the worth of the steps that some builds have and others have not."""
    squares = []
    for a, area in enumerate(AREAS):
        worth = level_worths(found.posterior.run_effects, a).mean(axis=0)
        levels = found.runs[MODS[a]].dropna()
        for level in range(1, len(worth)):
            if (levels >= level).any() and (levels < level).any():
                true = season.truth.effects[f"step:{area}:{level}"]
                squares.append((worth[level] - worth[level - 1] - true) ** 2)
    return float(np.mean(squares)) if squares else float("nan")


def _crps(season: Season, found: Fit, rows: pd.DataFrame, true_log: np.ndarray) -> np.ndarray:
    """Score the forecast of each entry's best lap of a new outing, in log time."""
    rng = np.random.default_rng(season.laps.shape[0])
    drivers = [str(d) for d in rows["driver"]]
    said = found.log_time(rows, chance=CHANCE)
    said = said + found.lap_noise(drivers, rng, BEST_OF).min(axis=2)
    scores = []
    for _ in range(OUTCOMES):
        passing = sum(season.truth.sds[g] * rng.standard_normal(len(rows)) for g in CHANCE)
        came = true_log + passing + clean_laps(season.truth, drivers, BEST_OF, rng).min(axis=1)
        scores.append(crps(said, came))
    return np.asarray(np.mean(scores, axis=0))


def crps(said: np.ndarray, came: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score of draws (draws, n) against outcomes (n,)."""
    ordered = np.sort(said, axis=0)
    n = len(ordered)
    weight = 2 * np.arange(1, n + 1) - n - 1
    spread = (weight[:, None] * ordered).sum(axis=0) / n**2
    return np.asarray(np.abs(said - came).mean(axis=0) - spread)


def _score_at(season: Season, found: Fit, circuit: str, layout: str) -> pd.DataFrame:
    truth = season.entries(circuit, layout)
    rows = found.entries.set_index("build").loc[truth["build"]].reset_index()
    # The truth is told at the usual grade of each category, so the fit is asked for the same.
    rows = rows.assign(
        circuit=circuit, layout=layout, tyre_category=truth["tyre_category"], treadwear=np.nan
    )
    draws, true_log = found.log_time(rows), np.log(truth["adjusted_s"].to_numpy())
    low, high = interval(draws, LEVEL)
    first, last = rank_sets(draws, LEVEL)
    rank = true_log.argsort().argsort() + 1
    outside = np.maximum(low - true_log, 0) + np.maximum(true_log - high, 0)
    return pd.DataFrame(
        {
            "circuit": circuit,
            "layout": layout,
            "build": truth["build"],
            "true_log": true_log,
            "mean_log": draws.mean(axis=0),
            "low_log": low,
            "high_log": high,
            "held": outside == 0,
            "interval_score": high - low + 2 / (1 - LEVEL) * outside,
            "rank_held": (first <= rank) & (rank <= last),
            "rank_width": last - first + 1,
            "p_fastest": p_fastest(draws),
            "is_fastest": rank == 1,
            "crps": _crps(season, found, rows, true_log),
        }
    )


def study(plan: str, world: str, seeds: Sequence[int], **options: Any) -> Iterator[pd.DataFrame]:
    """Score season after season; `options` are `oracle`, `draws` and `oracle_draws`.

    Columns beside those of `score`: season, kind ("full" or "oracle"), fit_s, r_hat, laps.
    """
    oracle, draws = options.get("oracle", False), options.get("draws")
    oracle_draws = options.get("oracle_draws", ORACLE_DRAWS)
    for seed in seeds:
        season = simulate(PLANS[plan], seed, world)
        laps = season.counted()
        known = {"full": None} | ({"oracle": known_of(season)} if oracle else {})
        for kind, told in known.items():
            start = time.perf_counter()
            found = fit(laps, draws=oracle_draws if told else draws, known=told)
            took = time.perf_counter() - start
            yield score(season, found).assign(
                season=seed,
                kind=kind,
                fit_s=took,
                r_hat=found.diagnostics["r_hat"],
                laps=len(laps),
            )


def summary(scored: pd.DataFrame) -> pd.DataFrame:
    """One row a kind of fit: errors [% of lap time], coverage [share], scores and times."""
    error = scored["mean_log"] - scored["true_log"]
    place = [scored[c] for c in ("kind", "season", "circuit", "layout")]
    between = error - error.groupby(place).transform("mean")
    table = scored.assign(square=error**2, between=between**2)
    by_season = table.groupby(["kind", "season"])[
        ["square", "between", "held", "rank_held", "rank_width", "interval_score", "crps",
         "gain_square", "fit_s", "r_hat"]
    ].mean()  # fmt: skip
    kinds = by_season.groupby("kind")
    out = kinds.mean()
    roots = ["square", "between", "gain_square"]
    out[roots] = 100 * np.sqrt(out[roots])
    out[["interval_score", "crps"]] *= 100
    for share in ("held", "rank_held"):
        out[f"{share} ±"] = kinds[share].std() / np.sqrt(kinds.size())
    return out.rename(
        columns={
            "square": "error %",
            "between": "error between entries %",
            "held": "interval holds",
            "rank_held": "rank set holds",
            "rank_width": "ranks in set",
            "interval_score": "interval score %",
            "crps": "CRPS of a best lap %",
            "gain_square": "error of a step %",
            "fit_s": "fit s",
            "r_hat": "R-hat",
            "held ±": "interval holds ±",
            "rank_held ±": "rank set holds ±",
        }
    )


def reliability(scored: pd.DataFrame) -> pd.DataFrame:
    """How often an entry said to be quickest with a chance in a range was the quickest."""
    bins = pd.cut(scored["p_fastest"], list(CHANCES), include_lowest=True, right=False)
    sure = scored["p_fastest"] >= CHANCES[-1]
    names = [f"{low:.2f} to {high:.2f}" for low, high in pairwise(CHANCES)]
    said = bins.cat.codes.where(~sure, len(names) - 1)
    groups = scored.groupby(said.map(dict(enumerate(names))))
    return groups.agg(
        entries=("p_fastest", "size"), said=("p_fastest", "mean"), came=("is_fastest", "mean")
    ).rename_axis("chance of being quickest")


def report(scored: pd.DataFrame) -> str:
    """Write the tables out."""
    table = summary(scored)
    lines = [table.T.round(3).to_string(), ""]
    if "oracle" in table.index:
        ratio = table.loc["full"] / table.loc["oracle"]
        names = [name for name in table.columns if name.endswith("%")]
        lines += [f"full / oracle: {name.removesuffix(' %')} {ratio[name]:.3f}" for name in names]
        lines.append("")
    full = scored[scored["kind"] == "full"]
    seasons = full.groupby("season")["laps"].first()
    lines.append(reliability(full).round(3).to_string())
    lines.append(f"\n{len(seasons)} seasons of {seasons.mean():.0f} laps, {len(full)} entries")
    return "\n".join(lines)


def main() -> None:
    """Run the seasons and print the tables."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.calibration", description=__doc__
    )
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--plan", choices=list(PLANS), default="club")
    parser.add_argument("--world", choices=WORLDS, default="model")
    parser.add_argument("--seasons", type=int, default=20, help="how many (default 20)")
    parser.add_argument("--first", type=int, default=0, help="seed of the first (default 0)")
    parser.add_argument("--draws", type=int, help="posterior draws (default: as the model's own)")
    parser.add_argument(
        "--oracle-draws", type=int, default=ORACLE_DRAWS, help=f"his (default {ORACLE_DRAWS})"
    )
    parser.add_argument("--oracle", action="store_true", help="fit each once more, told the noise")
    parser.add_argument("--out", type=Path, help="keep every score in this CSV file as well")
    parser.add_argument("--read", type=Path, nargs="+", help="only report kept scores")
    asked = parser.parse_args()
    if asked.read:
        print(report(pd.concat([pd.read_csv(path) for path in asked.read], ignore_index=True)))
        return
    seeds = range(asked.first, asked.first + asked.seasons)
    found = []
    options = {name: getattr(asked, name) for name in ("oracle", "draws", "oracle_draws")}
    for part in study(asked.plan, asked.world, seeds, **options):
        found.append(part)
        if asked.out:
            part.to_csv(asked.out, mode="a", header=not asked.out.exists(), index=False)
        first = part.iloc[0]
        print(f"season {first['season']} {first['kind']}: {first['fit_s']:.0f} s", flush=True)
    print(report(pd.concat(found, ignore_index=True)))


if __name__ == "__main__":
    main()
