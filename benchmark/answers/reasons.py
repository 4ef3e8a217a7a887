"""Why a best lap differs from the adjusted time: what each circumstance was worth, in words.

The model is additive in log seconds, so the difference between the lap as it was driven and the
entry at reference conditions splits exactly into parts; each part's posterior median, times the
adjusted time, is what it was worth in seconds (negative: quicker).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.model.fit import Fit
from benchmark.model.posterior import median, total
from benchmark.trade.classes import AREAS

WORTH_TELLING = 0.001  # share of the lap; a choice of ours. At twice this, half the notes are empty
# The best of many laps is always lucky: with a usual spread of 0.35 % of the lap (common practice,
# no published source), the best of a hundred by some 0.9 %. At half of this, good laps are flagged.
LUCK_WORTH_TELLING = 0.015
COOL_C, HOT_C = 16.0, 26.0  # what people call a cool or a hot day; a choice of ours

# What is told of a best lap, and of the entry as it is now.
LEVELS = tuple(f"mod_{area}" for area in AREAS)
TOLD = ("date", "session", "lap", "tyre_category", "driver", *LEVELS, "air_temp_c", "track_temp_c",
        "tyre_heat_cycles")  # fmt: skip
TOLD_NOW = ("tyre_category", "driver", "driver_level", *LEVELS)

Row = Mapping[Any, Any]


@dataclass(frozen=True)
class Reason:
    """One circumstance of a best lap: what it was worth, and what it was."""

    worth_s: float
    words: str
    is_fact: bool = False  # another specification, tyre or driver: told whatever it was worth


@dataclass(frozen=True)
class Note:
    """Why one entry's best lap differs from its adjusted time."""

    conditions_worth_s: float
    words: str


@dataclass(frozen=True)
class Compared:
    """Best laps against the same entries at reference conditions, one column an entry.

    Attributes
    ----------
    log_time : draws at the reference, log seconds, shape (draws, entries).
    moved : by part the median of what it differs by, log seconds.
    expected : median of what was expected of the best lap as it was driven, log seconds.
    """

    log_time: np.ndarray
    moved: dict[str, np.ndarray]
    expected: np.ndarray


def compare(fit: Fit, best: pd.DataFrame, rows: pd.DataFrame) -> Compared:
    """Ask the fit of best laps and of the entries as they are.

    Parameters
    ----------
    best : one row an entry, the lap with the facts and `run_id` of its run.
    rows : the same entries in the same order, as `reference_rows` gives them.
    """
    n = len(rows)
    log_time = np.empty((n, fit.draws)).T
    moved: dict[str, np.ndarray] = {}
    expected = np.empty(n)
    both = zip(fit.parts_in_blocks(rows), fit.parts_in_blocks(best), strict=True)
    for (here, now), (_, then) in both:
        log_time[:, here] = total(now)
        expected[here] = median(total(then))
        for part in then:
            moved.setdefault(part, np.zeros(n))[here] = _median_change(then[part], now[part])
    return Compared(log_time, moved, expected)


def _median_change(then: np.ndarray, now: np.ndarray) -> np.ndarray:
    """Median of the difference of two parts, one an entry."""
    if not any(then.strides) and not any(now.strides):
        return np.zeros(then.shape[1])  # nought in both
    difference = then - now
    changed = difference.any(axis=0)  # most entries have what they had: no medians of noughts
    out = np.zeros(difference.shape[1])
    if changed.any():
        out[changed] = median(difference[:, changed])
    return out


def best_notes(
    best: pd.DataFrame, rows: pd.DataFrame, compared: Compared, adjusted_s: np.ndarray
) -> list[Note]:
    """Explain best laps against the same entries at reference conditions.

    Parameters
    ----------
    best, rows, compared : as in `compare`.
    adjusted_s : adjusted times of the entries. [s]

    Returns
    -------
    One note an entry: what that day's air and track were worth [s], and the whole in words.
    """
    worth = {part: adjusted_s * np.expm1(moved) for part, moved in compared.moved.items()}
    luck = np.log(best["lap_time_s"].to_numpy(dtype=float)) - compared.expected
    worth["luck"] = adjusted_s * np.expm1(luck)
    laps, entries = best[list(TOLD)].to_dict("records"), rows[list(TOLD_NOW)].to_dict("records")
    columns = zip(laps, entries, adjusted_s, strict=True)
    return [
        _note(lap, entry, {name: float(values[i]) for name, values in worth.items()}, float(time_s))
        for i, (lap, entry, time_s) in enumerate(columns)
    ]


def _note(lap: Row, entry: Row, worth: dict[str, float], adjusted_s: float) -> Note:
    reasons = [*_facts(lap, entry, worth), *_circumstances(lap, worth)]
    told = [
        reason
        for reason in sorted(reasons, key=lambda reason: -abs(reason.worth_s))
        if reason.is_fact or abs(reason.worth_s) >= WORTH_TELLING * adjusted_s
    ]
    words = [_sentence(lap, told)] if told else []
    if worth["luck"] < -LUCK_WORTH_TELLING * adjusted_s:
        words.append(_unexplained(lap, -worth["luck"]))
    return Note(worth.get("conditions", 0.0), " ".join(words))


def _facts(lap: Row, entry: Row, worth: dict[str, float]) -> list[Reason]:
    """What the car and driver were then and are no longer."""
    facts = []
    if lap["tyre_category"] != entry["tyre_category"]:
        words = f"{lap['tyre_category']} tyres instead of {entry['tyre_category']}"
        facts.append(Reason(worth.get("tyre", 0.0), words, is_fact=True))
    if lap["driver"] != entry["driver"]:
        words = f"{lap['driver']} driving instead of {_driver(entry)}"
        facts.append(Reason(worth.get("driver", 0.0), words, is_fact=True))
    for area in AREAS:
        was, now = lap[f"mod_{area}"], entry[f"mod_{area}"]
        if pd.notna(was) and pd.notna(now) and was != now:
            words = f"{area} level {was:.0f} instead of {now:.0f}"
            facts.append(Reason(worth.get(f"parts:{area}", 0.0), words, is_fact=True))
    return facts


def _driver(entry: Row) -> str:
    if isinstance(entry["driver"], str):
        return entry["driver"]
    return f"an average {entry['driver_level']} driver"


def _circumstances(lap: Row, worth: dict[str, float]) -> list[Reason]:
    """What the day, the track and the tyre's state were worth."""
    total = {
        _day(lap): worth.get("conditions", 0.0),
        _tyre_state(lap): worth.get("tyre_state", 0.0) + worth.get("lap", 0.0),
        "the state of the track that session": worth.get("day", 0.0) + worth.get("session", 0.0),
        "the car's own form that day": worth.get("build_day", 0.0) + worth.get("outing", 0.0),
    }
    return [Reason(worth_s, words) for words, worth_s in total.items()]


def _day(lap: Row) -> str:
    air, track = lap.get("air_temp_c"), lap.get("track_temp_c")
    known = [f"{value:.0f} °C {what}" for value, what in ((air, "air"), (track, "track"))
             if pd.notna(value)]  # fmt: skip
    if not known:
        return "the weather that day"
    kind = "a cool" if pd.notna(air) and air < COOL_C else "that"
    kind = "a hot" if pd.notna(air) and air > HOT_C else kind
    return f"{kind} day ({', '.join(known)})"


def _tyre_state(lap: Row) -> str:
    cycles = lap.get("tyre_heat_cycles")
    many = "cycle" if cycles == 1 else "cycles"
    worn = "" if pd.isna(cycles) else f", {cycles:.0f} heat {many} before"
    return f"the state of its tyres (lap {lap['lap']:.0f} of the run{worn})"


def _sentence(lap: Row, reasons: list[Reason]) -> str:
    """Say what the lap owes and what it lost, largest first."""
    owes = [f"{-r.worth_s:.2f} s to {r.words}" for r in reasons if r.worth_s < 0]
    lost = [f"{r.worth_s:.2f} s to {r.words}" for r in reasons if r.worth_s >= 0]
    told = [
        f"{verb} {'; '.join(parts)}" for verb, parts in (("owes", owes), ("lost", lost)) if parts
    ]
    return f"Its best lap {_when(lap)} {', and '.join(told)}."


def _unexplained(lap: Row, quicker_s: float) -> str:
    """Say that nothing on record accounts for a lap; a question of timing, no accusation."""
    quicker = f"is {quicker_s:.2f} s quicker than anything on record explains"
    return f"The lap {_when(lap)} {quicker}: its timing is worth a look."


def _when(lap: Row) -> str:
    return f"({lap['date']!s:.10}, {lap['session']})"
