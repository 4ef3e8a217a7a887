"""What a build would lap on another day: one clean lap, the best of several, a target's chance.

Draws are predictive: a new day, session, build-day and outing, shared by all laps of the run, and
the noise of each clean lap (spread and the driver's usual small delays; no traffic that spoils a
lap). Beyond what was ever recorded, what the model extrapolates counts as unsure as it is large.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.entries import (
    check_known,
    check_level,
    check_place,
    entries_of,
    reference_rows,
)
from benchmark.errors import BadQuestion
from benchmark.intake.columns import BY_NAME, WEATHER, Column
from benchmark.model.fit import Fit
from benchmark.model.posterior import interval
from benchmark.trade.classes import SURFACES, TYRE_CATEGORIES
from benchmark.trade.conditions import REFERENCE, Conditions
from benchmark.trade.quantity import within

FIRST_LAP = 2  # the first flying lap
MOST_LAPS = 60
REPEATS = 4  # predictive draws for each posterior draw: steadies chances, changes no centre
CHANCE = ("day", "session", "build_day", "outing")
# Standard deviation added for each quantity outside the record, at least; log lap time. Our
# choice: 0.2 % is about the spread of one outing; twice this widens such a forecast by a tenth.
OUTSIDE = 0.002


@dataclass(frozen=True)
class Question:
    """What is to be forecast; None takes the contract's default.

    Attributes
    ----------
    build, circuit, layout : which car, where.
    driver, tyre : the usual driver and the latest tyre where None.
    conditions : weather and surface; what is not given takes the reference.
    tyre_heat_cycles : on the set before the run; 2 where None.
    laps : number N of clean flying laps of the run, laps 2 to N + 1.
    target_s : lap time to be beaten, or None. [s]
    """

    build: str
    circuit: str
    layout: str = "full"
    driver: str | None = None
    tyre: str | None = None
    conditions: Conditions = REFERENCE
    tyre_heat_cycles: float | None = None
    laps: int = 5
    target_s: float | None = None


@dataclass(frozen=True)
class Forecast:
    """The answer: fields as published, and what it rests on in words.

    `figures` holds lap_s, lap_low_s, lap_high_s, best_s, best_low_s, best_high_s, p_target,
    quickest_lap and p_quickest_lap; seconds. `expected` has one row a lap: `lap`, `lap_s`, `low_s`,
    `high_s`, `p_quickest`.
    """

    question: Question
    figures: dict[str, Any]
    expected: pd.DataFrame
    warnings: tuple[str, ...]


def forecast(fit: Fit, question: Question, *, level: float = 0.9) -> Forecast:
    """Forecast one run of a build.

    Raises
    ------
    BadQuestion
        An unknown build, circuit, layout, driver, tyre category or surface, a number of laps
        outside 1 to 60, a target that is no time, or an illegal level.
    BadValue
        Weather or heat cycles outside the bounds of the lap table.
    """
    _check(fit, question)
    check_level(level)
    rows = _rows(fit, question)
    extra, warnings = _outside(fit, question, rows)
    laps_s = np.exp(_run_draws(fit, question, rows, extra))
    best_s = laps_s.min(axis=1)
    expected = _by_lap(laps_s, level)
    quickest = expected.iloc[int(expected["p_quickest"].argmax())]
    low, high = interval(best_s, level)
    first = expected.iloc[0]
    target = question.target_s
    figures = {
        "lap_s": first["lap_s"],
        "lap_low_s": first["low_s"],
        "lap_high_s": first["high_s"],
        "best_s": float(np.median(best_s)),
        "best_low_s": float(low),
        "best_high_s": float(high),
        "p_target": None if target is None else float((best_s <= target).mean()),
        "quickest_lap": int(quickest["lap"]),
        "p_quickest_lap": quickest["p_quickest"],
    }
    return Forecast(question, figures, expected, (*_notes(fit, question), *warnings))


def chance_on(surface: str) -> tuple[str, ...]:
    """The random terms of a day that nobody has seen; off the dry, how wet it is besides."""
    return CHANCE if surface == "dry" else (*CHANCE, "wet_session")


def by_hour(
    fit: Fit, question: Question, hours: Sequence[tuple[str, Conditions]], *, level: float = 0.9
) -> tuple[Forecast, pd.DataFrame]:
    """Forecast each hour of a day; return the best hour's forecast and one row an hour.

    The best hour has the highest chance of beating the target; without a target, or where all
    chances are equal, the quickest expected best lap.
    """
    answers = [
        forecast(fit, replace(question, conditions=conditions), level=level)
        for _, conditions in hours
    ]
    names = ("lap_s", "lap_low_s", "lap_high_s", "best_s", "best_low_s", "best_high_s", "p_target")
    rows = [
        {"time": time, **{name: answer.figures[name] for name in names}}
        for (time, _), answer in zip(hours, answers, strict=True)
    ]
    order = [(-(a.figures["p_target"] or 0.0), a.figures["best_s"]) for a in answers]
    best = min(range(len(answers)), key=order.__getitem__)
    answers[best].figures["best_time"] = hours[best][0]
    return answers[best], pd.DataFrame(rows)


def asked_for(fit: Fit, answer: Forecast) -> dict[str, object]:
    """The situation that a forecast is for: the reference, with what the question changed."""
    question = answer.question
    row = _rows(fit, question).iloc[0]
    stated: dict[str, object] = dict(fit.reference(question.circuit, question.layout))
    given = {name: getattr(question.conditions, name) for name in WEATHER}
    stated |= {name: value for name, value in given.items() if value is not None}
    stated |= {
        "surface": question.conditions.surface,
        "session": "a new one",
        "laps": question.laps,
    }
    if question.tyre_heat_cycles is not None:
        stated["tyre_heat_cycles"] = question.tyre_heat_cycles
    return stated | {"driver": row["driver"], "tyre_category": row["tyre_category"]}


def _check(fit: Fit, question: Question) -> None:
    check_known("build", question.build, fit.whole.names["build"])
    check_place(fit, question.circuit, question.layout)
    check_known("surface", question.conditions.surface, SURFACES)
    if question.driver is not None:
        check_known("driver", question.driver, fit.whole.names["driver"])
    if question.tyre is not None:
        check_known("tyre category", question.tyre, TYRE_CATEGORIES)
    if not 1 <= question.laps <= MOST_LAPS:
        raise BadQuestion(f"{question.laps} laps: ask for 1 to {MOST_LAPS} flying laps of one run")
    if question.target_s is not None and not question.target_s > 0:
        raise BadQuestion(f"target {question.target_s:g} s: write a lap time above 0")
    for column in (BY_NAME[name] for name in WEATHER):
        value = getattr(question.conditions, column.name)
        within(
            column.noun, np.nan if value is None else value, column.low, column.high, column.unit
        )
    if question.tyre_heat_cycles is not None:
        cycles = BY_NAME["tyre_heat_cycles"]
        within("heat cycles", question.tyre_heat_cycles, cycles.low, cycles.high, "cycles")


def _rows(fit: Fit, question: Question) -> pd.DataFrame:
    """One row for each flying lap of the run."""
    conditions = question.conditions
    entry = entries_of(fit, [question.build], conditions.surface)
    where = (question.circuit, question.layout)
    row = reference_rows(entry, *where, surface=conditions.surface)
    if question.tyre is not None and question.tyre != row["tyre_category"].iloc[0]:
        row = row.assign(tyre_category=question.tyre, treadwear=None)
    if question.driver is not None and question.driver != row["driver"].iloc[0]:
        row = row.assign(driver=question.driver, driver_level=None)
    weather = {name: getattr(conditions, name) for name in WEATHER if name != "wind_mps"}
    row = row.assign(**weather, tyre_heat_cycles=question.tyre_heat_cycles)
    rows = row.loc[row.index.repeat(question.laps)].reset_index(drop=True)
    return rows.assign(lap=np.arange(FIRST_LAP, FIRST_LAP + question.laps))


def _run_draws(
    fit: Fit, question: Question, rows: pd.DataFrame, extra_sd: np.ndarray
) -> np.ndarray:
    """Predictive draws of the log time of each lap of one run, shape (draws * repeats, laps)."""
    rng = np.random.default_rng([fit.seed, 5])
    centre = fit.log_time(rows)
    # Laps of one run share the chance of that day, so it is drawn for lap 2 alone.
    first = rows.iloc[[0] * REPEATS].reset_index(drop=True)
    shared = fit.log_time(first, chance=chance_on(question.conditions.surface)) - centre[:, :1]
    shared = shared + extra_sd[:, None] * rng.standard_normal(shared.shape)
    drivers = [rows["driver"].iloc[0]] * REPEATS
    noise = fit.lap_noise(drivers, rng, laps=len(rows))
    draws = centre[:, None, :] + shared[:, :, None] + noise
    return np.asarray(draws.reshape(-1, len(rows)))


def _by_lap(laps_s: np.ndarray, level: float) -> pd.DataFrame:
    low, high = interval(laps_s, level)
    quickest = np.bincount(np.argmin(laps_s, axis=1), minlength=laps_s.shape[1])
    return pd.DataFrame(
        {
            "lap": np.arange(FIRST_LAP, FIRST_LAP + laps_s.shape[1]),
            "lap_s": np.median(laps_s, axis=0),
            "low_s": low,
            "high_s": high,
            "p_quickest": quickest / len(laps_s),
        }
    )


def _outside(fit: Fit, question: Question, rows: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    """Standard deviation to add beyond the record, one a draw, and what is outside, in words."""
    first = rows.iloc[[0]]
    inside = first.copy()
    warnings, count = [], 0
    for name in WEATHER:
        asked = getattr(question.conditions, name)
        if asked is None or asked == getattr(REFERENCE, name):
            continue
        low, high = _recorded(fit, name, question.circuit)
        if not low <= asked <= high:
            count += 1
            if name in inside:
                inside[name] = np.clip(asked, low, high) if np.isfinite(low) else np.nan
            warnings.append(_outside_words(BY_NAME[name], asked, low, high))
    if not count:
        return np.zeros(fit.draws), []
    extrapolated = np.median(np.diff(fit.log_time(pd.concat([inside, first])), axis=1))
    sd = np.hypot(float(extrapolated), OUTSIDE * np.sqrt(count))
    warnings.append(
        f"widened for that, by {100 * sd:.2f} % of the lap (one standard deviation): what is "
        "carried beyond the record counts as unsure as it is large"
    )
    return np.full(fit.draws, sd), warnings


def _recorded(fit: Fit, name: str, circuit: str) -> tuple[float, float]:
    """Range ever recorded: pressure at this circuit, all else anywhere; none is no range."""
    if name != "pressure_hpa":
        return fit.whole.ranges.get(name, (np.inf, -np.inf))
    known = fit.runs[name].to_numpy(dtype=float)[fit.lookup.runs_of("circuit", circuit)]
    known = known[np.isfinite(known)]
    return (float(known.min()), float(known.max())) if len(known) else (np.inf, -np.inf)


def _outside_words(column: Column, asked: float, low: float, high: float) -> str:
    words, unit = column.noun, column.unit
    if not np.isfinite(low):
        return f"{words} {asked:g} {unit}: none was ever recorded, so its effect is what is usual"
    return (
        f"{words} {asked:g} {unit} lies outside what was ever recorded, {low:g} to {high:g} {unit}"
    )


def _notes(fit: Fit, question: Question) -> Iterable[str]:
    """What the forecast takes for granted."""
    conditions = question.conditions
    runs = fit.runs.iloc[fit.lookup.runs_of("build", question.build)]
    there = (runs["circuit"] == question.circuit) & (runs["layout"] == question.layout)
    if not there.any():
        yield f"{question.build} has no counted lap at {question.circuit}, {question.layout}"
    if question.driver is not None and question.driver not in set(runs["driver"]):
        yield f"{question.driver} never drove {question.build}"
    if question.tyre is not None and question.tyre not in set(runs["tyre_category"]):
        yield f"{question.build} never ran on {question.tyre} tyres"
    if conditions.air_temp_c is not None and conditions.track_temp_c is None:
        yield "no track temperature was given, so 30 °C is taken"
    if conditions.wind_mps:
        yield "wind is no term of the model: its usual effect is part of the spread of sessions"
    entry = fit.entries[fit.entries["build"] == question.build].iloc[0]
    if isinstance(entry["notes"], str) and entry["notes"]:
        yield str(entry["notes"])
