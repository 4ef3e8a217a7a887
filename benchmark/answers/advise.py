"""The next step: what is still open to a build, what it buys, and in which class it would stand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.entries import (
    builds_of,
    check_known,
    check_level,
    check_place,
    class_of,
    entries_of,
    reference_rows,
    runs_in_scope,
    usual_levels,
)
from benchmark.answers.ladders import DRIVER, LADDERS, TYRE, Ladder
from benchmark.errors import BadQuestion
from benchmark.intake.costs import Costs, cost_per_tenth
from benchmark.model.fit import Fit
from benchmark.model.posterior import interval
from benchmark.trade.classes import SURFACES

FIELDS = (
    "area",
    "from",
    "to",
    "gain_s",
    "low_s",
    "high_s",
    "p_helps",
    "class_now",
    "class_then",
    "rank_now",
    "entries_now",
    "rank_then",
    "entries_then",
    "p_fastest_now",
    "p_fastest_then",
    "loses_class",
    "cost",
    "currency",
    "cost_per_tenth",
    "words",
)


def advise(
    fit: Fit,
    build: str,
    circuit: str,
    layout: str = "full",
    *,
    surface: str = "dry",
    costs: Costs | None = None,
    budget: float | None = None,
    level: float = 0.9,
) -> pd.DataFrame:
    """List the steps still open to a build, the largest expected gain first.

    Parameters
    ----------
    costs, budget : what steps cost; with a budget, only steps known to cost no more are listed.

    Returns
    -------
    One row a step to a higher level of an area or a softer tyre, with the columns of `FIELDS`:
    `gain_s` is the posterior median for this car [s, negative quicker]; ranks are expected places
    (mean) among the entries of the class there, one place better being one less. `loses_class`
    says that the step wins seconds and stands worse in the class that it moves into.

    Raises
    ------
    BadQuestion
        An unknown build, circuit, layout or surface, an illegal level, or a budget without costs or
        below 0.
    """
    check_place(fit, circuit, layout)
    check_known("build", build, fit.whole.names["build"])
    check_known("surface", surface, SURFACES)
    check_level(level)
    if budget is not None and (costs is None or not budget >= 0):
        raise BadQuestion("a budget needs costs, and is 0 or more: name a file with --costs")
    there = builds_of(fit, runs_in_scope(fit, circuit, layout, surface))
    field = entries_of(fit, {*there, build}, surface)
    steps = list(_open_steps(field[field["build"] == build].iloc[0]))
    own = field[field["build"] == build]
    mine = pd.concat([own, *(_changed(fit, own, ladder, end) for ladder, _, end in steps)])
    rivals = field[(field["build"] != build) & field["class"].isin(mine["class"])]
    cars = pd.concat([mine, rivals], ignore_index=True)
    log_time = fit.log_time(reference_rows(cars, circuit, layout, surface=surface))
    now = _standing(cars, log_time, 0)
    rows = [
        _row(cars, log_time, k, step, now, costs, level) for k, step in enumerate(steps, start=1)
    ]
    table = pd.DataFrame(rows, columns=list(FIELDS))
    if budget is not None:
        table = table[table["cost"].astype(float) <= budget]
    return table.sort_values("gain_s", kind="stable").reset_index(drop=True)


def _open_steps(entry: pd.Series) -> Iterator[tuple[Ladder, int, int]]:
    """Steps up from where the entry stands; an area that nobody recorded has none."""
    for ladder in LADDERS:
        if ladder.area == DRIVER:
            continue
        rung = int(ladder.rung_of(pd.DataFrame([entry.to_dict()]))[0])
        if rung >= 0:
            for end in range(rung + 1, len(ladder.rungs)):
                yield ladder, rung, end


def _changed(fit: Fit, own: pd.DataFrame, ladder: Ladder, end: int) -> pd.DataFrame:
    """The entry after one step, with the class that its levels give it."""
    car = own.copy()
    car[ladder.column] = pd.Series([ladder.value(end)], index=car.index)
    if ladder.area == TYRE:
        return car.assign(treadwear=None)  # a tyre not yet bought has no known grade
    usual = usual_levels(fit, car["model"].iloc[0])
    return car.assign(**{"class": class_of(car.iloc[0], usual)})


def _row(
    cars: pd.DataFrame,
    log_time: np.ndarray,
    k: int,
    step: tuple[Ladder, int, int],
    now: dict[str, Any],
    costs: Costs | None,
    level: float,
) -> dict[str, Any]:
    """One step: car 0 is the build as it stands, car k as it would stand, the last its rivals."""
    ladder, start, end = step
    lap_s = float(np.exp(np.median(log_time[:, 0])))
    change = log_time[:, k] - log_time[:, 0]
    gain, low, high = lap_s * np.expm1([np.median(change), *interval(change, level)])
    then = _standing(cars, log_time, k)
    moves = now["class"] != then["class"]
    loses = bool(gain < 0 and moves and then["p_fastest"] < now["p_fastest"])
    names = (ladder.area, ladder.rungs[start], ladder.rungs[end])
    cost = None if costs is None else costs.of(*names)
    return {
        **dict(zip(("area", "from", "to"), names, strict=True)),
        "gain_s": float(gain), "low_s": float(low), "high_s": float(high),
        "p_helps": float((change < 0).mean()),
        **{f"{name}_now": value for name, value in now.items()},
        **{f"{name}_then": value for name, value in then.items()},
        "loses_class": loses,
        "cost": cost, "currency": costs.currency if costs else None,
        "cost_per_tenth": cost_per_tenth(cost, float(gain)),
        "words": _words(float(gain), now, then, loses=loses),
    }  # fmt: skip


def _standing(cars: pd.DataFrame, log_time: np.ndarray, k: int) -> dict[str, Any]:
    """Class of one car, its expected place there and the chance of being the quickest."""
    rival = cars["build"] != cars["build"].iloc[0]
    columns = np.flatnonzero(rival & (cars["class"] == cars["class"].iloc[k]))
    place = 1 + np.count_nonzero(log_time[:, columns] < log_time[:, [k]], axis=1)
    return {
        "class": cars["class"].iloc[k],
        "rank": float(place.mean()),
        "entries": len(columns) + 1,
        "p_fastest": float((place == 1).mean()),
    }


def _words(gain_s: float, now: dict[str, Any], then: dict[str, Any], *, loses: bool) -> str:
    size = f"{abs(gain_s):.2f} s {'quicker' if gain_s < 0 else 'slower'}"
    place = f"place {then['rank']:.1f} of {then['entries']} expected"
    if now["class"] == then["class"]:
        return f"{size}; stays {now['class']}: {place} (now {now['rank']:.1f})"
    was = f"now {now['rank']:.1f} of {now['entries']} in {now['class']}"
    verdict = "wins seconds but loses the class" if loses else "changes class"
    return f"{size}; {verdict}: {now['class']} to {then['class']}, {place} ({was})"
