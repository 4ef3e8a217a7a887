"""Events simulated from posterior draws: what each entry's counted time may come to.

In an event every entry runs the same number of laps at the reference. Its log time is its own
pace in that draw, a chance of its day and outing, and what the counted laps' noise leaves; day
and session are shared by all who are there, so they cancel in every comparison. The same entry
gets the same chances whatever the rules are (common random numbers), so that two rules differ by
the rules alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.challenge.basis import Basis, own_pace
from benchmark.answers.challenge.counting import counted_time
from benchmark.model.fit import Fit

REPEATS = 240  # events a posterior draw; a share of wins is then known to 0.003
MOST_TIMES = 4_000_000  # simulated entries in all; large fields get fewer repeats
LEAST_REPEATS = 24


@dataclass(frozen=True)
class Events:
    """Simulated events.

    Attributes
    ----------
    log_time : of the counted time, shape (draws, events, entries).
    assumed : the pace that is known of each entry before, at each event's circuit: shape
        (events, entries). [log s]
    place : index into the places of each event.
    """

    log_time: np.ndarray
    assumed: np.ndarray
    place: np.ndarray


def simulate_events(
    basis: Basis,
    facts: pd.DataFrame,
    places: Sequence[tuple[str, str]],
    weights: np.ndarray,
    *,
    repeats: int | None = None,
) -> Events:
    """Simulate events of these entries at these circuits, shared out by weight."""
    fit = basis.thin
    n = len(facts)
    if repeats is None:
        repeats = int(np.clip(MOST_TIMES // (fit.draws * n), LEAST_REPEATS, REPEATS))
    place = shared_out(weights, repeats)
    pace = np.stack([own_pace(fit, facts, p, basis.surface) for p in places])  # (P, D, n)
    assumed = np.median(pace, axis=1)  # (P, n)
    chance = entry_chances(fit, facts, repeats, laps_in_event(basis), basis.rules.laps)
    return Events(pace[place].transpose(1, 0, 2) + chance, assumed[place], place)


def shared_out(weights: np.ndarray, number: int) -> np.ndarray:
    """Deal `number` events to places by weight, largest remainder first; at least one each."""
    ends = np.round(np.cumsum(weights) * number).astype(int)
    return np.asarray(np.searchsorted(ends, np.arange(number), side="right"))


def laps_in_event(basis: Basis) -> int:
    """Laps that every entry runs in a simulated event: the median of an entry's day so far.

    At least the laps that the rules ask for.
    """
    rules = basis.rules
    days = basis.laps.groupby(["build", "circuit", "layout", "date"]).size()
    asked = int(rules.laps["k"]) if rules.laps["count"] not in ("best", "equal-conditions") else 1
    return max(int(days.median()), asked, int(rules.laps["minimum"]))


def entry_chances(
    fit: Fit,
    facts: pd.DataFrame,
    repeats: int,
    laps: int,
    rule: Mapping[str, Any],
    salt: str = "",
) -> np.ndarray:
    """What chance adds to each entry's pace: day and outing, and its laps' noise as counted.

    Parameters
    ----------
    rule : `laps` of the rules: `count` and `k`.
    salt : another text gives other chances, for another round.

    Returns
    -------
    Log time, shape (draws, repeats, entries).
    """
    state = np.hypot(fit.sds["build_day"], fit.sds["outing"]).astype(float)
    out = np.empty((fit.draws, repeats, len(facts)))
    for i, (build, driver) in enumerate(zip(facts["build"], facts["driver"], strict=True)):
        digest = hashlib.sha256(f"{salt}\x1f{build}".encode()).digest()
        rng = np.random.default_rng(list(digest))
        moved = state[:, None] * rng.standard_normal((fit.draws, repeats))
        name = driver if isinstance(driver, str) else None
        noise = fit.lap_noise([name], rng, repeats * laps).reshape(fit.draws, repeats, laps)
        out[:, :, i] = moved + counted_time(noise, rule["count"], rule["k"])
    return out


def win_shares(scores: np.ndarray) -> np.ndarray:
    """Share of events that each entry wins, over all but the last axis of (..., entries)."""
    n = scores.shape[-1]
    first = np.argmin(scores, axis=-1).ravel()
    return np.asarray(np.bincount(first, minlength=n) / len(first))
