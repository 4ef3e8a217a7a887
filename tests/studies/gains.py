"""How often 90 % intervals of gains, causes and forecasts hold the truth, over simulated seasons.

    python -m tests.studies.gains --seasons 200

Club seasons of the world "model", one fit each.

Counted are: every pair of levels seen at both ends (areas and tyres), the causes of the difference
of a build's first and last day at a circuit (those that changed), and forecasts of one clean lap
of each entry, on a new day of its circuit, drawn with the true spreads.

Results, 2026-11-25, 2 cores shared with other work (13 to 40 s of a core a season), `--seasons 200`
in several runs, held in per cent with the standard error over seasons, and number of intervals:

    gains, areas     92.0 ± 0.6   6,663
    gains, tyres     94.8 ± 0.8   1,898
    causes, parts    90.9 ± 1.0   1,577
    causes, others   88.4 ± 0.5   9,902
    forecasts        90.0 ± 0.5   4,071

Gains together 92.6 %, causes 88.8 %, all 90.3 %. Tyre categories alone hold a little more often
than they say: their prior is nearly twice as wide as the seasons of this study differ.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from benchmark.answers.explain import GATHERS, explain
from benchmark.answers.forecast import CHANCE, Question, forecast
from benchmark.answers.gains import gains
from benchmark.answers.ladders import typical_lap_s
from benchmark.model import pace
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.model.plan import CLUB
from benchmark.model.simulate import Season, simulate
from benchmark.trade.classes import AREAS, DRY_TYRES

DRAWS = 400  # of one chain, taken as they are, to afford more seasons
CIRCUIT = "Invented North"
Held = tuple[str, bool]


def of_gains(season: Season, found: Fit) -> Iterator[Held]:
    """Whether each gain's interval holds the true worth of the step."""
    effects = season.truth.effects
    lap_s = typical_lap_s(found, CIRCUIT, "full", "dry")
    for row in gains(found, CIRCUIT).to_dict("records"):
        if not row["builds_from"] or not row["builds_to"] or row["area"] == "driver_level":
            continue
        if row["area"] == "tyre_category":
            between = DRY_TYRES[DRY_TYRES.index(row["from"]) + 1 : DRY_TYRES.index(row["to"]) + 1]
            worth = sum(effects[f"tyre:{tyre}"] for tyre in between)
        else:
            levels = range(int(row["from"]) + 1, int(row["to"]) + 1)
            worth = sum(effects[f"step:{row['area']}:{level}"] for level in levels)
        kind = "gains, tyres" if row["area"] == "tyre_category" else "gains, areas"
        yield kind, row["low_s"] <= lap_s * np.expm1(worth) <= row["high_s"]


def of_causes(season: Season, found: Fit) -> Iterator[Held]:
    """Whether each cause's interval holds what it truly was between two best laps."""
    runs = found.runs[(found.runs["circuit"] == CIRCUIT) & (found.runs["surface"] == "dry")]
    key = ["build", "date", "session", "run", "lap"]
    facts = season.facts[season.facts["circuit"] == CIRCUIT].assign(index=lambda d: d.index)
    for build, days in runs.groupby("build")["date"]:
        if days.nunique() < 2:
            continue
        answer = explain(found, str(build), days.min(), days.max(), circuit=CIRCUIT)
        ends = pd.DataFrame([answer.before, answer.after])[key].astype({"run": int, "lap": int})
        laps = ends.merge(facts.astype({"run": int, "lap": int, "date": str}), on=key, how="left")
        true = season.truth.parts(laps)
        passing = season.realised.loc[laps["index"]].reset_index(drop=True)
        true |= {name: passing[name].to_numpy() for name in ("session", "build_day", "outing")}
        true["day"] = passing["day"].to_numpy() + passing["wet_session"].to_numpy()
        a, b = answer.before["lap_time_s"], answer.after["lap_time_s"]
        scale = (b - a) / np.log(b / a) if a != b else a
        for row in answer.parts.to_dict("records"):
            parts = GATHERS.get(row["part"], ())
            if not parts or row["low_s"] == row["high_s"]:
                continue
            truth = scale * sum(float(np.diff(true[part])[0]) for part in parts if part in true)
            kind = "causes, parts" if row["part"] in AREAS else "causes, others"
            yield kind, row["low_s"] <= truth <= row["high_s"]


def of_forecasts(season: Season, found: Fit, rng: np.random.Generator) -> Iterator[Held]:
    """Whether a forecast's interval holds a clean lap drawn from the truth on a new day."""
    noise, sds = season.truth.noise, season.truth.sds
    for entry in season.entries(CIRCUIT).to_dict("records"):
        if entry["driver"] not in noise.tau:
            continue
        answer = forecast(found, Question(entry["build"], CIRCUIT, driver=entry["driver"],
                                          tyre=entry["tyre_category"]))  # fmt: skip
        chance = sum(sds[name] * rng.standard_normal() for name in CHANCE)
        lap = noise.sigma * rng.standard_normal() + rng.exponential(noise.tau[entry["driver"]])
        lap_s = entry["adjusted_s"] * np.exp(chance + lap)
        yield "forecasts", answer.figures["lap_low_s"] <= lap_s <= answer.figures["lap_high_s"]


def study(seeds: Iterable[int]) -> Iterator[pd.DataFrame]:
    """Yield one table a season: `season`, `kind` and whether the interval `held`."""
    pace.CHAINS = 1
    for seed in seeds:
        season = simulate(CLUB, seed)
        found = fit(season.counted(), draws=DRAWS, seed=seed)
        rng = np.random.default_rng(seed)
        rows = (
            *of_gains(season, found),
            *of_causes(season, found),
            *of_forecasts(season, found, rng),
        )
        yield pd.DataFrame(rows, columns=["kind", "held"]).assign(season=seed)


def report(scores: pd.DataFrame) -> pd.DataFrame:
    """Share held by kind, in per cent, its standard error over seasons, and how many."""
    by_season = scores.groupby(["kind", "season"])["held"].agg(["sum", "size"])
    totals = by_season.groupby("kind").sum()
    share = totals["sum"] / totals["size"]
    # Intervals of one season share a fit: the seasons are what is independent.
    off = by_season["sum"] - by_season["size"] * share.reindex(by_season.index, level="kind")
    error = np.sqrt((off**2).groupby("kind").sum()) / totals["size"]
    return pd.DataFrame(
        {"held %": 100 * share, "± %": 100 * error, "intervals": totals["size"]}
    ).round(1)


def main() -> None:
    """Run the seasons and print the shares."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies.gains", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--seasons", type=int, default=200, help="how many (default 200)")
    parser.add_argument("--first", type=int, default=1, help="seed of the first (default 1)")
    parser.add_argument("--out", type=Path, help="keep every score in this CSV file as well")
    parser.add_argument("--read", type=Path, nargs="+", help="only report kept scores")
    asked = parser.parse_args()
    if asked.read:
        found = [pd.read_csv(path) for path in asked.read]
    else:
        found = []
        for part in study(range(asked.first, asked.first + asked.seasons)):
            found.append(part)
            if asked.out:
                part.to_csv(asked.out, mode="a", header=not asked.out.exists(), index=False)
            print(f"season {part['season'][0]}", flush=True)
    scores = pd.concat(found, ignore_index=True)
    print(report(scores).to_string())
    print(f"{scores['season'].nunique()} seasons")


if __name__ == "__main__":
    main()
