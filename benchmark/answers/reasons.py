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
from benchmark.trade.classes import AREAS

WORTH_TELLING = 0.001  # share of the lap; a choice of ours. At twice this, half the notes are empty
# The best of many laps is always lucky: with a usual spread of 0.35 % of the lap (common practice,
# no published source), the best of a hundred by some 0.9 %. At half of this, good laps are flagged.
LUCK_WORTH_TELLING = 0.015
COOL_C, HOT_C = 16.0, 26.0  # what people call a cool or a hot day; a choice of ours

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


def best_notes(
    fit: Fit, best: pd.DataFrame, rows: pd.DataFrame, now: Mapping[str, np.ndarray]
) -> list[Note]:
    """Explain best laps against the same entries at reference conditions.

    Parameters
    ----------
    best : one row an entry, the lap with the facts of its run (`lap_time_s`). [s]
    rows : the same entries in the same order, as `reference_rows` gives them.
    now : what `Fit.parts` says of `rows`.

    Returns
    -------
    One note an entry: what that day's air and track were worth [s], and the whole in words.
    """
    then = fit.parts(best)
    adjusted_s = np.exp(np.median(sum(now.values()), axis=0))
    worth = {name: _worth(then[name] - now[name], adjusted_s) for name in then}
    expected = np.median(sum(then.values()), axis=0)
    luck = np.log(best["lap_time_s"].to_numpy(dtype=float)) - expected
    worth["luck"] = adjusted_s * np.expm1(luck)
    columns = zip(best.to_dict("records"), rows.to_dict("records"), adjusted_s, strict=True)
    return [
        _note(lap, entry, {name: float(values[i]) for name, values in worth.items()}, float(time_s))
        for i, (lap, entry, time_s) in enumerate(columns)
    ]


def _worth(difference: np.ndarray, adjusted_s: np.ndarray) -> np.ndarray:
    """Seconds of a lap for differences in log seconds, one an entry."""
    return np.asarray(adjusted_s * np.expm1(np.median(difference, axis=0)))


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
