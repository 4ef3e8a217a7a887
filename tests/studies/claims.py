"""Claims on seasons with known truth: when the check says 90 %, how often is it right?

Each season (10 cars of 2 models, 4 days at one circuit) keeps back the last day of up to five
cars; each of them then claims its quickest lap of that day, with the facts that a sheet would
give, against its model. The fit never saw these laps. The other cars claim their quickest stored
lap. In "matched" seasons all cars are near one specification, so that the order is often open.
Counted are

- the 90 % interval of the margin at equal conditions, against the true margin;
- the chance of being the quickest at equal conditions, against whether the car truly was;
- the 90 % interval of what was expected of the best lap, against the claimed lap;
- the chance of being quicker from timing alone: laps with known error near the standing lap.

    python -m tests.studies.claims --plan matched --minutes 30 --out claims.csv
    python -m tests.studies.claims --read claims.csv

Figures of 2026-11-25, two cores, partly shared with other work, four runs (`--plan matched
--first 1` and `101`, `--plan mixed --first 1001` and `2001`; the later of each on the present
sampler): 69 seasons, 683 claims, 683 timed laps. The 90 % interval of the margin held the truth
90.2 % (± 1.1), that of the expected best lap 94.1 % (± 0.9). Said with 85 to 95 %: quicker as timed
(mean 90.5 %) was right 90.5 % (± 3.4, n 74), quickest at equal conditions (mean 91.3 %) 88.0 %
(± 4.6, n 50).
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case, Claim, make_case
from benchmark.answers.claim_chance import plausibility
from benchmark.answers.claim_draws import weigh
from benchmark.answers.claim_margins import adjusted_margin, raw_margin
from benchmark.answers.claim_rules import Grounds, decide
from benchmark.answers.claim_scope import Field, Scope, scope_of
from benchmark.answers.entries import reference_rows
from benchmark.intake.columns import NAMES
from benchmark.model import fit as fit_module
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.model.plan import NORTH, SeasonPlan
from benchmark.model.simulate import Season, entries_of, simulate
from benchmark.trade.timing import format_lap_time, lap_uncertainty

MIXED = SeasonPlan(2, 10, 9, (NORTH,), 4, 2, 0.65, flying_laps=(2, 6), p_wet=0.0)
PLANS = {"mixed": MIXED, "matched": replace(MIXED, matched=True)}
DRAWS, LEVEL = 600, 0.9
CLAIMS_A_SEASON = 5
ONE_PASS_R_HAT = 1.3  # a fit is not repeated with more sweeps below this, to afford more seasons
TIMED_A_CLAIM = 1
NEAR_S = 0.3  # true margins of the laps that try timing alone


def one_season(plan: str, seed: int) -> list[dict[str, Any]]:
    """Check the claims of one season; one row each."""
    season = simulate(PLANS[plan], seed)
    rng = np.random.default_rng([seed, 9])
    held = held_out(season, rng)
    timed = season.laps["lap_kind"] == "timed"
    known = season.laps[timed & ~held]
    found = fit(known, draws=DRAWS, seed=seed)
    truths = entries_of(season.facts[timed & ~held])
    rows = []
    for build in season.laps["build"].unique():
        own = timed & (season.laps["build"] == build)
        lap = best_lap(season, own & held if (own & held).any() else own)
        if lap is not None:
            rows += claim_rows(season, found, truths, lap, rng)
    return [{"plan": plan, "seed": seed, **row} for row in rows]


def held_out(season: Season, rng: np.random.Generator) -> pd.Series:
    """Laps of the last day of a few cars that the store keeps knowing from other cars."""
    laps = season.laps
    builds = rng.permutation(sorted(laps["build"].unique()))[:CLAIMS_A_SEASON]
    last = laps.groupby("build")["date"].transform("max")
    return laps["build"].isin(builds) & (laps["date"] == last)


def best_lap(season: Season, among: pd.Series) -> int | None:
    """Row of the quickest flying lap of these."""
    flying = season.laps[among & (season.laps["lap"] > 1)]
    return None if flying.empty else int(flying["lap_time_s"].idxmin())


def claim_rows(
    season: Season, found: Fit, truths: pd.DataFrame, lap: int, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Check one claim against the truth, then laps with known errors near the standing lap."""
    row = season.laps.loc[lap]
    same_day = (season.laps["build"] == row["build"]) & (season.laps["date"] == row["date"])
    counted = same_day & (season.laps["lap_kind"] == "timed") & (season.laps["lap"] > 1)
    claim = claim_of(row, int(counted.sum()))
    # What `check_claim` does, without the findings.
    case = make_case(found, claim)
    scope = Field(found, case).scope(scope_of(case))
    if scope.standing is None or scope.entries.empty:
        return []
    weighed = weigh(found, case)
    adjusted = adjusted_margin(weighed, scope, LEVEL)
    expected = plausibility(case, weighed, LEVEL, found.seed)
    raw = raw_margin(case, scope)
    assert raw is not None
    verdict = decide(Grounds((), (), raw.p_quicker, adjusted.p_fastest))
    own = true_reference(season, season.facts.loc[[lap]], [case.facts["treadwear"]], case)
    others = truths[truths["build"].isin(scope.entries["build"])]
    grade = scope.entries.set_index("build")["treadwear"]
    grades = [grade[build] for build in others["build"]]
    rivals = true_reference(season, others, grades, case)
    rival = rivals[others["build"].to_numpy() == adjusted.rival][0]
    out = {
        "kind": "claim",
        "stated": adjusted.p_fastest,
        "true": float(own[0] < rivals.min()),
        "margin_s": adjusted.margin_s,
        "true_margin_s": float(own[0] - rival),
        "low_s": adjusted.low_s,
        "high_s": adjusted.high_s,
        "lap_s": float(row["lap_time_s"]),
        "expected_low_s": expected.low_s,
        "expected_high_s": expected.high_s,
        "p_this_quick": expected.p_this_quick,
        "verdict": verdict,
        "stored": case.stored_run is not None,
    }
    timed = [timed_row(found, claim, scope, rng) for _ in range(TIMED_A_CLAIM)]
    return [out, *timed]


def claim_of(row: pd.Series, flying_laps: int) -> Claim:
    """The claim that an honest owner makes of a lap, from what his sheet holds."""
    texts = {c: str(row[c]) for c in NAMES if c in row and pd.notna(row[c])}
    for column in ("treadwear", "tyre_heat_cycles", "run", "lap"):
        if column in texts:
            texts[column] = str(int(float(texts[column])))
    return Claim(texts, "model", flying_laps=flying_laps)


def true_reference(
    season: Season, facts: pd.DataFrame, grades: list[float | None], case: Case
) -> np.ndarray:
    """True time of entries at the reference [s], at the grade that their record holds, else the
    usual one: as the fit is asked."""
    rows = reference_rows(facts.assign(treadwear=grades), *case.where)
    return np.asarray(np.exp(season.truth.log_time(rows)))


def timed_row(found: Fit, claim: Claim, scope: Scope, rng: np.random.Generator) -> dict[str, Any]:
    """A lap whose true time lies near the standing one's, timed with its method's error."""
    method = str(rng.choice(["transponder", "gps", "video", "stopwatch"], p=[0.1, 0.3, 0.1, 0.5]))
    standing = scope.standing
    assert standing is not None
    true_standing = standing["lap_time_s"] - standing["timing_u_s"] * rng.standard_normal()
    true_s = true_standing + rng.uniform(-NEAR_S, NEAR_S)
    measured = true_s + lap_uncertainty(method, None) * rng.standard_normal()
    texts = {k: v for k, v in claim.texts.items() if k != "timing_u_s"}
    texts |= {"lap_time": format_lap_time(measured), "timing": method}
    raw = raw_margin(make_case(found, replace(claim, texts=texts)), scope)
    assert raw is not None
    return {"kind": "timing", "stated": raw.p_quicker, "true": float(true_s < true_standing)}


def told(rows: pd.DataFrame) -> list[str]:
    """Say what came of it."""
    claims, timed = rows[rows["kind"] == "claim"], rows[rows["kind"] == "timing"]
    held = claims["true_margin_s"].between(claims["low_s"], claims["high_s"])
    expected = claims["lap_s"].between(claims["expected_low_s"], claims["expected_high_s"])
    seasons = rows[["plan", "seed"]].drop_duplicates()
    return [
        f"{len(seasons)} seasons, {len(claims)} claims, {len(timed)} timed laps",
        f"90 % interval of the margin at equal conditions holds the truth: {_share(held)}",
        f"90 % interval of the expected best lap holds the claimed one: {_share(expected)}",
        *_sure("quickest at equal conditions", claims),
        *_sure("quicker as timed", timed),
        f"verdicts: {claims['verdict'].value_counts().to_dict()}",
    ]


def _sure(what: str, rows: pd.DataFrame) -> list[str]:
    """How often a chance of about 90 %, for or against, turned out right; and of all chances."""
    stated = np.maximum(rows["stated"], 1 - rows["stated"])
    right = np.where(rows["stated"] >= 0.5, rows["true"], 1 - rows["true"])
    near = (stated >= 0.85) & (stated < 0.95)
    lines = [
        f"{what}, said with 85 to 95 % (mean {100 * stated[near].mean():.1f} %): "
        f"right {_share(pd.Series(right[near]))}"
    ]
    edges = [0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0 + 1e-9]
    for low, high in pairwise(edges):
        some = rows[(rows["stated"] >= low) & (rows["stated"] < high)]
        if len(some):
            said = f"{100 * some['stated'].mean():.1f} %"
            lines.append(f"    {low:.1f} to {high:.1f}: said {said}, came {_share(some['true'])}")
    return lines


def _share(values: pd.Series) -> str:
    n, share = len(values), float(np.mean(values)) if len(values) else float("nan")
    error = (share * (1 - share) / n) ** 0.5 if n else float("nan")
    return f"{100 * share:.1f} % (± {100 * error:.1f}, n {n})"


def main() -> None:
    """Run seasons until the time is up, writing as they come; or read what was written."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--plan", choices=list(PLANS), default="matched")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("claims.csv"))
    parser.add_argument("--read", type=Path, nargs="*")
    asked = parser.parse_args()
    if asked.read:
        print("\n".join(told(pd.concat([pd.read_csv(path) for path in asked.read]))))
        return
    fit_module.R_HAT_MOST = ONE_PASS_R_HAT
    until = time.monotonic() + 60 * asked.minutes
    rows: list[dict[str, Any]] = []
    seed = asked.first
    while time.monotonic() < until:
        rows += one_season(asked.plan, seed)
        pd.DataFrame(rows).to_csv(asked.out, index=False)
        seed += 1
    print("\n".join(told(pd.DataFrame(rows))))


if __name__ == "__main__":
    main()
