"""What separates two laps, in seconds (air, track, tyre, driver), and what a gain is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case
from benchmark.answers.claim_draws import Weighed, passing, weighted_quantiles
from benchmark.answers.explain import best_lap, log_mean
from benchmark.model.fit import Fit
from benchmark.trade.conditions import REFERENCE, air_density, power_correction

AIR = ("air_temp_c", "pressure_hpa", "humidity_pct")
TYRE = ("tyre_category", "treadwear")
DRIVER = ("driver", "driver_level")
# What a gain is split into, and the model's parts of each; what is left is chance.
CAUSES: Mapping[str, tuple[str, ...]] = {
    "parts": ("parts:engine", "parts:drivetrain", "parts:suspension", "parts:aero",
              "parts:weight", "parts:brakes", "build", "model"),
    "tyre": ("tyre", "tyre_state", "lap"),
    "driver": ("driver",),
    "conditions": ("conditions", "surface", "day", "session"),
}  # fmt: skip


@dataclass(frozen=True)
class Worth:
    """What a difference is worth: negative where it made the claimed lap quicker. [s]"""

    worth_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True)
class Gain:
    """The gain over the car's best earlier lap here, and its parts, which add up to it. [s]"""

    total_s: float
    earlier_s: float
    earlier_date: str
    causes: Mapping[str, float]


def air_of(fit: Fit, where: tuple[str, str], facts: Mapping[str, Any]) -> dict[str, float | None]:
    """Density [kg/m³], power factor [-] and temperatures [°C] of a lap; None is not recorded."""
    air, humidity = facts.get("air_temp_c"), facts.get("humidity_pct")
    pressure = facts.get("pressure_hpa")
    out: dict[str, float | None] = {name: _number(facts.get(name)) for name in AIR}
    out["track_temp_c"] = _number(facts.get("track_temp_c"))
    out |= {"density_kg_m3": None, "power_factor": None}
    if _number(air) is None:
        return out
    at_circuit = float(fit.circuits.loc[where, "pressure_hpa"])  # type: ignore[arg-type]
    known = (
        float(air),  # type: ignore[arg-type]
        _number(pressure) or at_circuit,
        float(REFERENCE.humidity_pct or 50) if _number(humidity) is None else float(humidity),  # type: ignore[arg-type]
    )
    out["density_kg_m3"] = float(air_density(*known))
    out["power_factor"] = float(power_correction(*known, _induction(facts)))
    return out


def _induction(facts: Mapping[str, Any]) -> str:
    return "boosted" if facts.get("induction") == "boosted" else "natural"


def _number(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def worths(
    fit: Fit, case: Case, weighed: Weighed, other: Mapping[str, Any], level: float
) -> dict[str, Worth]:
    """What air, track, tyre and driver of the claimed lap were worth against another lap's.

    Each is the claimed entry's own time in its own circumstances less its time with only that
    circumstance swapped; one that either lap does not have recorded is left out.
    """
    swaps = {
        "air": _swap(case, other, AIR[:1], AIR),
        "track": _swap(case, other, ("track_temp_c",), ("track_temp_c",)),
        "tyre": _swap(case, other, TYRE[:1], TYRE),
        "driver": _swap(case, other, DRIVER[:1], DRIVER),
    }
    found = {name: swap for name, swap in swaps.items() if swap is not None}
    rows = pd.DataFrame([case.facts, *({**case.facts, **swap} for swap in found.values())])
    log_time = fit.log_time(rows.astype(object).where(rows.notna(), None))
    by_draw = weighed.after.sum(axis=1)
    return {
        name: _worth(log_time[:, 0] - log_time[:, k], by_draw, case.lap_time_s, level)
        for k, name in enumerate(found, start=1)
    }


def _swap(
    case: Case, other: Mapping[str, Any], needed: tuple[str, ...], columns: tuple[str, ...]
) -> dict[str, Any] | None:
    for column in needed:
        if case.facts[column] is None or pd.isna(other[column]):
            return None
    return {c: None if pd.isna(other[c]) else other[c] for c in columns}


def _worth(log_difference: np.ndarray, weights: np.ndarray, lap_s: float, level: float) -> Worth:
    tail = (1 - level) / 2
    found = weighted_quantiles(log_difference, weights, (0.5, tail, 1 - tail))
    middle, low, high = lap_s * -np.expm1(-found)
    return Worth(float(middle) + 0.0, float(low) + 0.0, float(high) + 0.0)


def gain_over_earlier(fit: Fit, case: Case, weighed: Weighed) -> Gain | None:
    """Split the gain over the same car's best earlier lap here; None where there is none.

    Log time is a sum of parts, and the logarithmic mean of two lap times turns each difference
    into seconds so that they add up to the gain exactly.
    """
    before = case.earlier[case.earlier["date"] < case.facts["date"]]
    if before.empty:
        return None
    best = best_lap(before)
    then_s = float(best["lap_time_s"].iloc[0])
    then, now = fit.parts(best), weighed.parts
    by_draw = weighed.after.sum(axis=1)
    seconds = log_mean(case.lap_time_s, then_s)
    causes = {}
    for cause, names in CAUSES.items():
        new = sum(np.sum(weighed.after * now[name]) for name in names)
        old = sum(np.sum(by_draw * then[name][:, 0]) for name in names)
        causes[cause] = float(seconds * (new - old))
    days = float(np.sum(weighed.after * _of_the_day(fit, weighed.rows)))
    causes["conditions"] += seconds * days
    total = case.lap_time_s - then_s
    causes["chance"] = total - sum(causes.values())
    return Gain(total, then_s, str(best["date"].iloc[0]), causes)


def _of_the_day(fit: Fit, rows: pd.DataFrame) -> np.ndarray:
    return passing(fit, rows, ("day", "session"))
