"""Why a build was quicker or slower on another day: the difference split into its causes.

The difference that is explained is the one people quote: best counted lap of one day against best
counted lap of the other, at one circuit and layout. In log seconds the model's parts add up, and
what they leave is the luck of the two laps and what the model does not know ("unexplained").
Parts become seconds by the logarithmic mean of the two laps, (b - a) / (log b - log a), so that in
every posterior draw, and so in the means that are reported, they add up to the observed difference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.entries import (
    LAP_ORDER,
    MODIFICATIONS,
    check_known,
    check_level,
    check_place,
    reference_rows,
)
from benchmark.errors import BadQuestion
from benchmark.model.fit import Fit
from benchmark.model.posterior import interval
from benchmark.trade.classes import AREAS, SURFACES

# What each row of an explanation gathers of the fit's parts. Circuit and model never differ
# between two laps of one build at one place.
GATHERS: Mapping[str, tuple[str, ...]] = {
    **{area: (f"parts:{area}",) for area in AREAS},
    "parts_together": ("build",),
    "tyre_category": ("tyre",),
    "tyre_state": ("tyre_state", "lap"),
    "driver": ("driver",),
    "conditions": ("conditions", "surface"),
    "track_state": ("day", "session"),
    "form": ("build_day", "outing"),
}
OF_PARTS = (*AREAS, "parts_together")
UNEXPLAINED = "unexplained"
HISTORY = (
    "date",
    "best_s",
    "adjusted_s",
    "low_s",
    "high_s",
    "laps",
    "driver",
    "tyre_category",
    "changed",
)


@dataclass(frozen=True)
class Explanation:
    """The difference between two days of a build, and what made it.

    Attributes
    ----------
    before, after : the best counted lap of each day, with the facts of its run.
    difference_s : after less before, negative where it got quicker. [s]
    parts : one row a cause: `part`, `gain_s` (posterior mean), `low_s`, `high_s`, `p_helps` (None
        where the cause did not change), `before` and `after` (what stood on each side, in words).
        The gains add up to `difference_s`.
    bought : what the parts bought together (six areas and how they suit this car): `gain_s`,
        `low_s`, `high_s`.
    """

    before: Mapping[str, Any]
    after: Mapping[str, Any]
    difference_s: float
    parts: pd.DataFrame
    bought: Mapping[str, Any]


def explain(
    fit: Fit,
    build: str,
    from_date: str,
    to_date: str,
    *,
    circuit: str | None = None,
    layout: str | None = None,
    level: float = 0.9,
) -> Explanation:
    """Split the difference between a build's best laps of two days into its causes.

    Parameters
    ----------
    fit : the fitted store.
    build : the car.
    from_date, to_date : the two days, ISO 8601.
    circuit, layout : where; needed only if the build ran at more than one place on both days.
    level : probability that an interval holds.

    Raises
    ------
    BadQuestion
        An unknown build, a day without a counted lap of it, two days that share no circuit and
        layout or more than one, or an illegal level.
    """
    check_known("build", build, fit.whole.names["build"])
    check_level(level)
    laps = laps_of(fit, build)
    for day in (from_date, to_date):
        check_known(f"day of {build}", day, laps["date"])
    place = _common_place(laps, (from_date, to_date), circuit, layout)
    there = laps[(laps["circuit"] == place[0]) & (laps["layout"] == place[1])]
    pair = pd.concat([best_lap(there[there["date"] == day]) for day in (from_date, to_date)])
    pair = pair.reset_index(drop=True)
    return _explanation(fit, pair, level)


def laps_of(fit: Fit, build: str) -> pd.DataFrame:
    """Counted laps of a build, each with the facts of its run."""
    return fit.lookup.with_facts(fit.lookup.runs_of("build", build))


def best_lap(laps: pd.DataFrame) -> pd.DataFrame:
    """The quickest of some laps, the earliest of equals, as one row."""
    return laps.sort_values(["lap_time_s", *LAP_ORDER], kind="stable").head(1)


def _common_place(
    laps: pd.DataFrame, days: tuple[str, str], circuit: str | None, layout: str | None
) -> tuple[str, str]:
    """The one circuit and layout that both days and the question leave."""
    asked = laps
    for column, wanted in (("circuit", circuit), ("layout", layout)):
        if wanted is not None:
            check_known(column, wanted, asked[column])
            asked = asked[asked[column] == wanted]
    of_day = [
        set(asked.loc[asked["date"] == day, ["circuit", "layout"]].itertuples(index=False))
        for day in days
    ]
    common = sorted(of_day[0] & of_day[1])
    if not common:
        raise BadQuestion(
            f"{days[0]} and {days[1]} share no circuit and layout: laps of two layouts never "
            "compare, so choose two days at one place"
        )
    if len(common) > 1:
        places = "; ".join(f"{c}, {one}" for c, one in common)
        raise BadQuestion(f"both days were at {places}: say which with --circuit and --layout")
    return str(common[0][0]), str(common[0][1])


def _explanation(fit: Fit, pair: pd.DataFrame, level: float) -> Explanation:
    times = pair["lap_time_s"].to_numpy(dtype=float)
    draws = causes(fit, pair)
    seconds = {cause: d * log_mean(*times) for cause, d in draws.items()}
    before, after = ({str(k): v for k, v in lap.items()} for lap in pair.to_dict("records"))
    rows = [
        {"part": cause, **_summary(d, level), **_words(cause, before, after)}
        for cause, d in seconds.items()
    ]
    bought = np.sum([seconds[cause] for cause in OF_PARTS], axis=0)
    difference = float(times[1] - times[0])
    return Explanation(before, after, difference, pd.DataFrame(rows), _summary(bought, level))


def causes(fit: Fit, pair: pd.DataFrame) -> dict[str, np.ndarray]:
    """Draws of each cause's share of the difference of two laps, in log seconds.

    Parameters
    ----------
    pair : two laps with the facts and `run_id` of their runs.
    """
    parts = fit.parts(pair)
    none = np.zeros((fit.draws, len(pair)))
    draws = {
        cause: np.asarray(sum(np.diff(parts.get(p, none), axis=1)[:, 0] for p in gathered))
        for cause, gathered in GATHERS.items()
    }
    observed = float(np.diff(np.log(pair["lap_time_s"].to_numpy(dtype=float)))[0])
    draws[UNEXPLAINED] = observed - np.sum(list(draws.values()), axis=0)
    return draws


def log_mean(a: float, b: float) -> float:
    """Logarithmic mean of two times: what a difference of logs is multiplied by. [s]"""
    return a if math.isclose(a, b, rel_tol=1e-12) else (b - a) / (math.log(b) - math.log(a))


def _summary(draws: np.ndarray, level: float) -> dict[str, float | None]:
    low, high = interval(draws, level)
    return {
        "gain_s": float(draws.mean()),
        "low_s": float(low),
        "high_s": float(high),
        "p_helps": float((draws < 0).mean()) if draws.any() else None,
    }


def _words(cause: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """What stood on each side, in words; None where nothing on record says it."""
    return {"before": _stood(cause, before), "after": _stood(cause, after)}


def _stood(cause: str, lap: Mapping[str, Any]) -> str | None:
    """One side of a cause in words."""
    if cause in AREAS:
        return _told("level {:.0f}", lap.get(f"mod_{cause}"))
    if cause in ("tyre_category", "driver"):
        return str(lap[cause])
    cycles = "{:.0f} heat cycle" if lap.get("tyre_heat_cycles") == 1 else "{:.0f} heat cycles"
    told = {
        "tyre_state": [(cycles, "tyre_heat_cycles"), ("lap {:.0f}", "lap")],
        "conditions": [("air {:.0f} °C", "air_temp_c"), ("track {:.0f} °C", "track_temp_c"),
                       ("{}", "surface")],
        "track_state": [("{}", "date"), ("session {}", "session")],
    }.get(cause, [])  # fmt: skip
    words = [text for text in (_told(form, lap.get(column)) for form, column in told) if text]
    return ", ".join(words) or None


def _told(form: str, value: Any) -> str | None:
    return None if value is None or pd.isna(value) else form.format(value)


def history(
    fit: Fit,
    build: str,
    circuit: str,
    layout: str,
    *,
    surface: str = "dry",
    level: float = 0.9,
) -> pd.DataFrame:
    """A build's days at one place: as timed, and as it stood at reference conditions.

    Only laps on this surface are looked at.

    Returns
    -------
    One row a day, in order: `date`, `best_s` (best counted lap), `adjusted_s`, `low_s`, `high_s`
    (a clean lap by the car as it stood for that lap, with that driver and tyre, at the reference)
    [s], `laps`, `driver`, `tyre_category` and `changed` (parts and tyre against the day before, in
    words; None where nothing changed).

    Raises
    ------
    BadQuestion
        An unknown build, circuit, layout or surface, or an illegal level.
    """
    check_place(fit, circuit, layout)
    check_known("build", build, fit.whole.names["build"])
    check_known("surface", surface, SURFACES)
    check_level(level)
    laps = laps_of(fit, build)
    here = (laps["circuit"] == circuit) & (laps["layout"] == layout)
    laps = laps[here & (laps["surface"] == surface)]
    if laps.empty:
        return pd.DataFrame(columns=list(HISTORY))
    days = pd.concat([best_lap(of_day) for _, of_day in laps.groupby("date")], ignore_index=True)
    log_time = fit.log_time(reference_rows(days, circuit, layout, surface=surface))
    low, high = np.exp(interval(log_time, level))
    return pd.DataFrame(
        {
            "date": days["date"],
            "best_s": days["lap_time_s"],
            "adjusted_s": np.exp(np.median(log_time, axis=0)),
            "low_s": low,
            "high_s": high,
            "laps": laps.groupby("date").size().to_numpy(),
            "driver": days["driver"],
            "tyre_category": days["tyre_category"],
            "changed": _changes(days),
        }
    )


def _changes(days: pd.DataFrame) -> list[str | None]:
    """What each day's car differs in from the day before, in words."""
    told: list[str | None] = [None]
    for k in range(1, len(days)):
        was, now = days.iloc[k - 1], days.iloc[k]
        changed = [
            f"{area} {was[column]:.0f} to {now[column]:.0f}"
            for area, column in zip(AREAS, MODIFICATIONS, strict=True)
            if pd.notna(was[column]) and pd.notna(now[column]) and was[column] != now[column]
        ]
        if was["tyre_category"] != now["tyre_category"]:
            changed.append(f"tyre {was['tyre_category']} to {now['tyre_category']}")
        told.append(", ".join(changed) or None)
    return told
