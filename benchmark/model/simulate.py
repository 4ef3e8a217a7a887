"""A season with known truth, for tests, the demo data and calibration.

`simulate` makes a lap table as a club would have it and keeps beside it what nobody at a circuit
ever knows: the effects that made every lap. One seed gives one season, the same on any machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from benchmark.errors import BadValue
from benchmark.model.draw import add_learning, draw_truth
from benchmark.model.entrants import cars, drivers
from benchmark.model.plan import SeasonPlan
from benchmark.model.runs import RUN_COLUMNS, calendar, runs_of_season
from benchmark.model.truth import MODS, PASSING, NoiseTruth, Truth, specification
from benchmark.trade.timing import format_lap_time, lap_uncertainty

WORLDS = ("model", "other")
LAP_COLUMNS = (*RUN_COLUMNS[:-1], "lap", "lap_time", "lap_kind", "timing", "timing_u_s", "evidence")
WHOLE = (*MODS, "treadwear", "tyre_heat_cycles", "run", "lap")

# Habits of timing sheets; common practice, no published source.
P_OUT_LISTED, P_IN_LISTED = 0.9, 0.7
P_OUT_UNLABELLED = 0.02  # of listed out laps
OUT_DELAY, IN_DELAY = (0.12, 0.35), (0.10, 0.30)  # log lap time, uniform
BAULKED_DELAY = (2.0, 0.015)  # gamma: shape, scale
# The other world: unlabelled slow laps are uniform in this range, traffic comes in
# clumps of laps, and both parts of the noise are of another family.
SLOW_DELAY = (0.05, 0.30)
P_ENTER_CLUMP, P_STAY_IN_CLUMP, CLUMP_DELAY = 0.06, 0.6, 0.025
NORMAL_T_DF = 5.0
DELAY_LOG_SD = 1.0


@dataclass(frozen=True)
class Season:
    """A made-up season.

    Attributes
    ----------
    laps : the lap table, one row a lap, with the gaps that were left in the record; `lap_time` is
        text, and `lap_time_s` repeats it in seconds.
    facts : the same rows with every fact as it was.
    realised : the same rows as they came about: the clean centre of that lap (`centre`, log
        seconds, with the day's, session's, build-day's and outing's effects), these effects,
        `normal`, `delay` and `gross` (log lap time), `kind` ("ordinary", "slow" or "gross").
    truth : the effects.
    plan, seed : what made it.
    """

    laps: pd.DataFrame
    facts: pd.DataFrame
    realised: pd.DataFrame
    truth: Truth
    plan: SeasonPlan
    seed: int

    def counted(self) -> pd.DataFrame:
        """Return the laps that count, as the store would give them."""
        return self.laps[self.laps["lap_kind"] == "timed"].reset_index(drop=True)

    def entries(self, circuit: str, layout: str = "full", surface: str = "dry") -> pd.DataFrame:
        """Return the true entries on the board of a layout, and their `adjusted_s` [s].

        One row a build with a counted lap there: latest specification, latest tyre category on
        this surface, the usual driver (most counted laps; on a tie the latest) and his level.
        """
        timed = self.facts[self.facts["lap_kind"] == "timed"]
        there = (timed["circuit"] == circuit) & (timed["layout"] == layout)
        here = timed[there & (timed["surface"] == surface)]
        rows = entries_of(timed, surface)
        rows = rows[rows["build"].isin(set(here["build"]))].reset_index(drop=True)
        rows = rows.assign(circuit=circuit, layout=layout)
        return rows.assign(adjusted_s=self.truth.adjusted(rows))

    def oracle(self) -> dict[str, object]:
        """Return what an oracle knows: `sds` by group, and the parameters of the noise."""
        noise = self.truth.noise
        return {
            "sds": dict(self.truth.sds),
            "sigma": noise.sigma,
            "tau": dict(noise.tau),
            "tau_centre": noise.tau_centre,
            "tau_spread": noise.tau_spread,
            "slow": noise.slow,
            "gross": noise.gross,
            "shares": noise.shares,
        }


def simulate(plan: SeasonPlan, seed: int, world: str = "model") -> Season:
    """Make a season with known truth.

    Parameters
    ----------
    plan : its size; `ONE_CAR`, `MATCHED`, `CLUB` and `LARGE` stand ready.
    seed : the same plan, seed and world give the same season.
    world : "model", where laps come about as the pace model assumes, or "other", where drivers
        learn, the track rubbers in, effects interact, and the noise is of another family.

    Raises
    ------
    BadValue
        Another world.
    """
    if world not in WORLDS:
        raise BadValue(f'"{world}" is no world; use {" or ".join(WORLDS)}')
    streams = np.random.SeedSequence(seed).spawn(5)
    field, effects, states, noise, gaps = (np.random.Generator(np.random.PCG64(s)) for s in streams)
    people = drivers(plan, field)
    fleet = cars(plan, people, field)
    runs = runs_of_season(plan, calendar(plan, field), people, fleet, field)
    truth = draw_truth(plan, runs, effects, world)
    if world == "other":
        truth = add_learning(truth, runs, states)
    facts, realised = drive(runs, truth, plan, noise)
    return Season(with_gaps(facts, plan.gaps, gaps), facts, realised, truth, plan, seed)


def drive(
    runs: pd.DataFrame, truth: Truth, plan: SeasonPlan, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Turn outings into laps: the lap table with every fact, and how each lap came about.

    Parameters
    ----------
    runs : one row an outing: `RUN_COLUMNS` and `flying_laps`.
    truth, plan : the effects; the shares of traffic, slow laps and gross errors.
    rng : draws the noise.
    """
    laps = _laps_of_runs(runs, plan, rng)
    realised = pd.DataFrame({name: truth.group_effect(name, laps) for name in PASSING})
    realised.insert(0, "centre", truth.log_time(laps) + realised.sum(axis=1))
    kinds = _kinds(laps, truth.noise, rng)
    realised["normal"] = _normal_part(len(laps), truth, rng)
    realised["delay"] = _delay(laps, kinds, truth, rng)
    off = truth.noise.gross * rng.standard_normal(len(laps))
    realised["gross"] = np.where(kinds == "gross", off, 0.0)
    realised["kind"] = kinds
    log_time = realised[["centre", "normal", "delay", "gross"]].sum(axis=1).to_numpy()
    error_s = _timing_u_s(laps) * rng.standard_normal(len(laps))
    laps["lap_time_s"] = np.round(np.maximum(np.exp(log_time) + error_s, 1.0), 3)
    laps["lap_time"] = [format_lap_time(seconds) for seconds in laps["lap_time_s"]]
    return as_lap_table(laps), realised


def _laps_of_runs(runs: pd.DataFrame, plan: SeasonPlan, rng: np.random.Generator) -> pd.DataFrame:
    """One row a lap that the sheet lists: out lap, flying laps, in lap."""
    flying = runs["flying_laps"].to_numpy(dtype=int)
    count = flying + 2
    laps: pd.DataFrame = runs.loc[np.repeat(runs.index, count)].reset_index(drop=True)
    last = np.repeat(count, count)
    laps["lap"] = np.concatenate([np.arange(1, n + 1) for n in count])
    draw = rng.random((3, len(laps)))
    out, into = laps["lap"] == 1, laps["lap"] == last
    kind = np.where(draw[0] < plan.p_traffic, "baulked", "timed")
    kind = np.where(out, np.where(draw[1] < P_OUT_UNLABELLED, "timed", "out"), kind)
    laps["lap_kind"] = np.where(into, "in", kind)
    listed = draw[2] < np.where(out, P_OUT_LISTED, np.where(into, P_IN_LISTED, 1.0))
    laps = laps.loc[listed].reset_index(drop=True)
    laps["timing_u_s"], laps["evidence"] = np.nan, None
    laps["spec"] = specification(laps)
    return laps


def _kinds(laps: pd.DataFrame, noise: NoiseTruth, rng: np.random.Generator) -> np.ndarray:
    """Draw the kind of each lap; a first lap that counts is a slow one that nobody labelled."""
    kinds = rng.choice(["ordinary", "slow", "gross"], size=len(laps), p=noise.shares)
    counts = (laps["lap_kind"] == "timed").to_numpy()
    kinds = np.where(counts, kinds, "ordinary")
    return np.where(counts & (laps["lap"] == 1).to_numpy(), "slow", kinds)


def _normal_part(n: int, truth: Truth, rng: np.random.Generator) -> np.ndarray:
    """Draw the symmetric part: Normal, in the other world Student's t of the same spread."""
    if truth.world == "model":
        return np.asarray(truth.noise.sigma * rng.standard_normal(n))
    shrink = np.sqrt((NORMAL_T_DF - 2) / NORMAL_T_DF)
    return np.asarray(truth.noise.sigma * shrink * rng.standard_t(NORMAL_T_DF, n))


def _delay(
    laps: pd.DataFrame, kinds: np.ndarray, truth: Truth, rng: np.random.Generator
) -> np.ndarray:
    """Draw the one-sided delay of each lap, by its kind."""
    n = len(laps)
    delay, slow = _ordinary_and_slow(laps, truth, rng)
    delay = np.where(kinds == "gross", 0.0, np.where(kinds == "slow", slow, delay))
    kind = laps["lap_kind"].to_numpy()
    delay = delay + np.where(kind == "baulked", rng.gamma(*BAULKED_DELAY, n), 0.0)
    delay = delay + np.where(kind == "out", rng.uniform(*OUT_DELAY, n), 0.0)
    return delay + np.where(kind == "in", rng.uniform(*IN_DELAY, n), 0.0)


def _ordinary_and_slow(
    laps: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Draw for each lap the delay of an ordinary one, and that of a slow one without a label."""
    n = len(laps)
    tau = laps["driver"].map(dict(truth.noise.tau)).to_numpy(dtype=float)
    if truth.world == "model":
        ordinary = tau * rng.standard_exponential(n)
        return ordinary, truth.noise.slow * -np.log1p(-rng.random(n))  # exponential as well
    heavy = tau * np.exp(DELAY_LOG_SD * rng.standard_normal(n) - DELAY_LOG_SD**2 / 2)
    return heavy + _clumps(laps, rng), rng.uniform(*SLOW_DELAY, n)


def clean_laps(truth: Truth, drivers: list[str], laps: int, rng: np.random.Generator) -> np.ndarray:
    """Draw what the clean laps of one more outing each add to the centre, (drivers, laps)."""
    number = np.tile(np.arange(2, laps + 2), len(drivers))
    rows = pd.DataFrame({"driver": np.repeat(drivers, laps), "lap": number})
    delay, _ = _ordinary_and_slow(rows, truth, rng)
    return (_normal_part(len(rows), truth, rng) + delay).reshape(len(drivers), laps)


def _clumps(laps: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Draw traffic that holds a car up for some laps on end (a two-state Markov chain)."""
    draw = rng.random(len(laps))
    size = CLUMP_DELAY * rng.standard_exponential(len(laps))
    held, delay = False, np.zeros(len(laps))
    for i, (lap, u) in enumerate(zip(laps["lap"], draw, strict=True)):
        held = bool(u < (P_STAY_IN_CLUMP if held and lap > 1 else P_ENTER_CLUMP))
        delay[i] = size[i] if held else 0.0
    return delay


def _timing_u_s(laps: pd.DataFrame) -> np.ndarray:
    """Give the standard uncertainty of each lap: the one given, else the method's [s]."""
    timing = laps["timing"].astype(object).where(laps["timing"].notna(), None)
    by_method = {method: lap_uncertainty(method, None) for method in set(timing)}
    usual = np.array([by_method[method] for method in timing])
    given = laps["timing_u_s"].to_numpy(dtype=float)
    return np.where(np.isnan(given), usual, given)


def as_lap_table(laps: pd.DataFrame) -> pd.DataFrame:
    """Give the columns of the lap table in their order, typed, with `lap_time_s` at the end."""
    table = laps[[*LAP_COLUMNS, "lap_time_s"]].copy()
    for column in WHOLE:
        table[column] = table[column].astype("Int64")
    for column in table.columns:
        if not is_numeric_dtype(table[column]):
            table[column] = table[column].astype(object).where(table[column].notna(), None)
    return table


def with_gaps(
    facts: pd.DataFrame, gaps: Mapping[str, float], rng: np.random.Generator
) -> pd.DataFrame:
    """Leave facts out as people do, by day, session, build or driver (shares as in `GAPS`)."""
    laps = facts.copy()
    day, session = ["circuit", "date"], ["circuit", "date", "session"]
    weather = ["air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps"]
    left_out = (
        ("day_weather", day, weather),
        ("track_temp_c", session, ["track_temp_c"]),
        ("pressure_hpa", day, ["pressure_hpa"]),
        ("humidity_pct", day, ["humidity_pct"]),
        ("driver_level", ["driver"], ["driver_level"]),
        ("induction", ["build"], ["induction"]),
        ("treadwear", ["build"], ["treadwear"]),
        ("tyre_heat_cycles", ["build"], ["tyre_heat_cycles"]),
    )
    for name, unit, columns in left_out:
        missing = _chosen(facts, unit, gaps[name], rng)
        for column in columns:
            laps[column] = laps[column].mask(missing, None)
    _leave_out_levels(laps, facts, gaps["mods"], rng)
    return laps


def _chosen(
    facts: pd.DataFrame, unit: list[str], share: float, rng: np.random.Generator
) -> np.ndarray:
    """Choose this share of units (days, builds ...) by chance; True on their rows."""
    number = facts.groupby(unit, sort=True).ngroup().to_numpy()
    return (rng.random(int(number.max()) + 1) < share)[number]


def _leave_out_levels(
    laps: pd.DataFrame, facts: pd.DataFrame, share: float, rng: np.random.Generator
) -> None:
    missing = _chosen(facts, ["build", "date"], share, rng)
    column = MODS[int(rng.integers(len(MODS)))]
    laps[column] = laps[column].mask(missing, pd.NA)


def entries_of(counted: pd.DataFrame, surface: str = "dry") -> pd.DataFrame:
    """Return one row a build as it stands at the season's end, from laps with every fact."""
    laps = counted.sort_values(["date", "session", "run", "lap"], kind="stable")
    now = laps.groupby("build", sort=True)[["model", "induction", *MODS]].last()
    tyres = laps[laps["surface"] == surface].groupby("build")["tyre_category"].last()
    now["tyre_category"] = tyres
    counts = laps.assign(n=range(len(laps))).groupby(["build", "driver"], sort=True)
    usual = counts.agg(
        laps=("n", "size"), latest=("n", "max"), driver_level=("driver_level", "last")
    )
    usual = usual.reset_index().sort_values(["build", "laps", "latest"]).groupby("build").last()
    return (
        now.join(usual[["driver", "driver_level"]]).dropna(subset=["tyre_category"]).reset_index()
    )


if __name__ == "__main__":
    import sys

    from benchmark.model.decade import main

    raise SystemExit(main(sys.argv[1:]))
