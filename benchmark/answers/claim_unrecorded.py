"""Facts of a claim that nobody recorded, drawn from what is usual, so that they widen the answer.

The spreads are the model's own (`model.weather`, `model.unknown`), so a fact missing from a claim
costs as much certainty as one missing from a stored lap.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case
from benchmark.intake.columns import BY_NAME
from benchmark.model.design import REFERENCE_LAP, USUAL_TREADWEAR
from benchmark.model.fit import Fit
from benchmark.model.unknown import DRIVER_LEVEL_SHARES, EVEN_ODDS
from benchmark.model.unknown_numbers import LOG_CYCLES, LOG_CYCLES_SD, TREADWEAR_SD
from benchmark.model.weather import (
    AIR_ANY_C,
    AIR_IN_DAY_C,
    HUMIDITY_ANY_PCT,
    HUMIDITY_IN_DAY_PCT,
    PRESSURE_ANY_HPA,
    PRESSURE_IN_DAY_HPA,
    TRACK_FROM_AIR_C,
    TRACK_IN_DAY_C,
    TRACK_OVER_AIR_C,
)
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, INDUCTIONS, LEVELS
from benchmark.trade.conditions import REFERENCE

# Spread of a value in its day where the day has others, and anywhere: see `model.weather`.
SPREAD = {
    "air_temp_c": (AIR_IN_DAY_C, AIR_ANY_C),
    "pressure_hpa": (PRESSURE_IN_DAY_HPA, PRESSURE_ANY_HPA),
    "humidity_pct": (HUMIDITY_IN_DAY_PCT, HUMIDITY_ANY_PCT),
}
LATEST_BEST_LAP = 4  # the quickest lap of a run is mostly one of its first flying laps


def drawn_rows(fit: Fit, case: Case, n: int, rng: np.random.Generator) -> pd.DataFrame:
    """The claimed lap n times, each with its own draw of what was not recorded.

    Facts that the fit itself draws for this car or driver are left to it.
    """
    rows = pd.DataFrame([case.facts] * n).astype(object)
    rows = rows.where(rows.notna(), None)
    for area in AREAS:
        if case.facts[f"mod_{area}"] is None and not _fit_draws(fit, "levels", case.build, area):
            rows[f"mod_{area}"] = rng.choice(LEVELS, n, p=level_shares(fit, case.facts, area))
    driver = str(case.facts["driver"])
    if case.facts["driver_level"] is None and not _fit_draws(fit, "driver_level", driver):
        rows["driver_level"] = rng.choice(DRIVER_LEVELS, n, p=DRIVER_LEVEL_SHARES)
    if case.facts["induction"] is None and not _fit_draws(fit, "natural", case.build):
        rows["induction"] = rng.choice(INDUCTIONS, n, p=_induction_shares(fit, case.facts))
    if case.facts["lap"] is None:
        rows["lap"] = rng.integers(REFERENCE_LAP, LATEST_BEST_LAP + 1, n)
    return _tyre_state(_weather(fit, rows, rng), rng)


def is_settled(fit: Fit, case: Case) -> bool:
    """Whether everything about the entry itself is recorded, or drawn by the fit."""
    facts = case.facts
    missing = [area for area in AREAS if facts[f"mod_{area}"] is None]
    levels = all(_fit_draws(fit, "levels", case.build, area) for area in missing)
    level = facts["driver_level"] is not None
    return levels and (level or _fit_draws(fit, "driver_level", str(facts["driver"])))


def _fit_draws(fit: Fit, kind: str, *name: str) -> bool:
    return tuple(name) in fit.unknown_numbers.get(kind, {})


def level_shares(fit: Fit, facts: Mapping[str, Any], area: str) -> np.ndarray:
    """Chance of each level of an area, from the other builds of the model."""
    counts = fit.whole.levels.get(str(facts["model"]))
    known = counts[AREAS.index(area)] if counts else [0] * len(LEVELS)
    shares = np.array(known) + EVEN_ODDS / len(LEVELS)
    return np.asarray(shares / shares.sum())


def _induction_shares(fit: Fit, facts: Mapping[str, Any]) -> np.ndarray:
    known = fit.whole.inductions.get(str(facts["model"]), [0] * len(INDUCTIONS))
    count = np.array(known) + EVEN_ODDS / 2
    return np.asarray(count / count.sum())


def _weather(fit: Fit, rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Draw the weather about the day's, else about what is usual at the circuit."""
    runs = fit.runs.iloc[fit.lookup.runs_of("circuit", rows["circuit"].iloc[0])]
    day = runs[runs["date"] == rows["date"].iloc[0]]
    place = fit.circuits.loc[(rows["circuit"].iloc[0], rows["layout"].iloc[0])]
    usual = {
        "air_temp_c": _mean(runs["air_temp_c"], float(REFERENCE.air_temp_c or 20)),
        "pressure_hpa": float(place["pressure_hpa"]),
        "humidity_pct": float(REFERENCE.humidity_pct or 50),
    }
    for column, (in_day, anywhere) in SPREAD.items():
        if rows[column].iloc[0] is None:
            known = day[column].dropna()
            centre = known.mean() if len(known) else usual[column]
            spread = in_day if len(known) else anywhere
            drawn = centre + spread * rng.standard_normal(len(rows))
            rows[column] = np.clip(drawn, BY_NAME[column].low, BY_NAME[column].high)
    if rows["track_temp_c"].iloc[0] is None:
        rows["track_temp_c"] = _track(runs, day, rows["air_temp_c"].to_numpy(dtype=float), rng)
    return rows


def _track(
    runs: pd.DataFrame, day: pd.DataFrame, air_c: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    known = day["track_temp_c"].dropna()
    if len(known):
        return np.asarray(known.mean() + TRACK_IN_DAY_C * rng.standard_normal(len(air_c)))
    over = _mean(runs["track_temp_c"] - runs["air_temp_c"], TRACK_OVER_AIR_C)
    return np.asarray(air_c + over + TRACK_FROM_AIR_C * rng.standard_normal(len(air_c)))


def _tyre_state(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    n = len(rows)
    if rows["tyre_heat_cycles"].iloc[0] is None:
        drawn = np.exp(LOG_CYCLES + LOG_CYCLES_SD * rng.standard_normal(n)) - 0.5
        rows["tyre_heat_cycles"] = np.maximum(drawn, 0.0)
    usual = USUAL_TREADWEAR.get(str(rows["tyre_category"].iloc[0]))
    if rows["treadwear"].iloc[0] is None and usual is not None:
        rows["treadwear"] = usual * np.exp(TREADWEAR_SD * rng.standard_normal(n))
    return rows


def _mean(values: pd.Series, otherwise: float) -> float:
    known = values.dropna()
    return float(known.mean()) if len(known) else otherwise
