"""What changed together with a step: who ran each side, and what else differed between the sides.

A step is seen as the difference between outings on one rung and outings on another. Whatever
else differs between the two sides is its company. Where the posterior knows only the sum of a
step and its company, the two are aliased, and the answer names the company.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.answers.ladders import DRIVER, TYRE, Ladder
from benchmark.model.fit import Fit
from benchmark.trade.classes import AREAS

# Variance inflation (1 / (1 - r²)) of a step by its company, from which on they are aliased: a
# third of the step's variance would vanish if the company were known. Our choice; at twice this
# only the tightest pairs are named.
INFLATED = 1.5
SUM_NARROWER = 0.85  # and the two together are this much narrower than the step; our choice
RUNS_AT_ONCE = 500  # bounds the memory of a large store
MOST_NAMES = 2

# The parts of an outing's expected lap that may be a step's company, and how people call them.
COMPANY = {
    **{f"parts:{area}": area for area in AREAS},
    "tyre": TYRE,
    "driver": "driver",
    "model": "model",
    "build": "build",
    "tyre_state": "tyre_state",
    "conditions": "conditions",
    "day": "day",
    "session": "session",
    "build_day": "form",
    "surface": "surface",
}
OWN_PART = {**{area: f"parts:{area}" for area in AREAS}, TYRE: "tyre", DRIVER: "driver"}
# What names the company, by the column of a run that says it.
SAID_BY = {**{area: f"mod_{area}" for area in AREAS}, TYRE: TYRE, "driver": "driver",
           "model": "model", "build": "build", "day": "date"}  # fmt: skip
PLURAL = {TYRE: "tyre categories", "driver": "drivers", "model": "models", "build": "builds",
          "day": "days"}  # fmt: skip
CHANGES = {
    name: column for name, column in SAID_BY.items() if name not in ("model", "build", "day")
}


@dataclass(frozen=True)
class Sides:
    """The outings on the two rungs of a step, as run numbers, and the builds seen on each."""

    before: np.ndarray
    after: np.ndarray
    builds_before: frozenset[str]
    builds_after: frozenset[str]

    @property
    def both(self) -> frozenset[str]:
        """Builds seen on both sides."""
        return self.builds_before & self.builds_after

    @property
    def seen(self) -> bool:
        """Whether each side has an outing."""
        return bool(len(self.before) and len(self.after))


@dataclass(frozen=True)
class Alias:
    """A cause that a step cannot be told from, in words, and draws of the two together."""

    name: str
    together: np.ndarray


def sides_of(runs: pd.DataFrame, ladder: Ladder, start: int, end: int) -> Sides:
    """Find the outings on both rungs, in the whole store."""
    rung = ladder.rung_of(runs)
    before, after = (np.flatnonzero(rung == wanted) for wanted in (start, end))
    build = runs["build"].to_numpy()
    return Sides(before, after, frozenset(build[before]), frozenset(build[after]))


def contrast(runs: pd.DataFrame, sides: Sides) -> np.ndarray:
    """Weights of outings whose sum is: after, less before.

    Within each build seen on both sides, each outing counting the same; where no build is, over
    all outings of each side.
    """
    build = runs["build"].to_numpy()
    weight = np.zeros(len(runs))
    pairs: list[str | None] = [*sorted(sides.both)] or [None]
    for one in pairs:
        for numbers, sign in ((sides.after, 1.0), (sides.before, -1.0)):
            chosen = numbers if one is None else numbers[build[numbers] == one]
            weight[chosen] += sign / len(chosen) / max(len(sides.both), 1)
    return weight


def company(fit: Fit, weights: np.ndarray) -> dict[str, np.ndarray]:
    """Draws of each part's difference between the sides, shape (draws, steps).

    Parameters
    ----------
    weights : of the outings, shape (outings, steps), from `contrast`.
    """
    out = {part: np.zeros((fit.draws, weights.shape[1])) for part in COMPANY}
    used = np.flatnonzero(np.any(weights != 0, axis=1))
    for first in range(0, len(used), RUNS_AT_ONCE):
        some = used[first : first + RUNS_AT_ONCE]
        rows = fit.runs.iloc[some].rename_axis("run_id").reset_index()
        parts = fit.parts(rows)
        for part in COMPANY:
            out[part] += parts[part] @ weights[some]
    return out


def inflation(step: np.ndarray, other: np.ndarray) -> float:
    """By how much not knowing `other` inflates the variance of `step`, from their draws.

    1 / (1 - r²), the variance inflation factor of two causes; 1 where one of them does not vary,
    or where they do not trade off (r not negative).
    """
    if min(step.std(), other.std()) < 1e-12:  # no change at all, in log time
        return 1.0
    r = float(np.corrcoef(step, other)[0, 1])
    return 1.0 if r >= 0 else 1 / max(1 - r * r, 1e-6)


def find_alias(
    runs: pd.DataFrame,
    ladder: Ladder,
    sides: Sides,
    step: np.ndarray,
    parts: dict[str, np.ndarray],
) -> Alias | None:
    """Name the cause that the step is aliased with most, if any.

    Parameters
    ----------
    step : draws of the step. [log lap time]
    parts : draws of each part's difference between the sides, one array (draws,) a part.
    """
    own = OWN_PART[ladder.area]
    others = {part: draws for part, draws in parts.items() if part != own and draws.any()}
    if ladder.area == DRIVER:
        others |= _with_the_drivers(others, parts[own] - step, changed_along(runs, ladder, sides))
    others = {part: draws for part, draws in others.items() if _is_alias(step, draws)}
    if not others:
        return None
    part = max(others, key=lambda name: inflation(step, others[name]))
    return Alias(_named(runs, sides, COMPANY[part]), step + others[part])


def _with_the_drivers(
    others: dict[str, np.ndarray], themselves: np.ndarray, along: list[str]
) -> dict[str, np.ndarray]:
    """A driver's level never comes without the drivers themselves, nor without what came along."""
    together = {part: d + themselves for part, d in others.items() if COMPANY[part] in along}
    return {"driver": themselves} | together


def changed_along(runs: pd.DataFrame, ladder: Ladder, sides: Sides) -> list[str]:
    """Name what changed, with the step, in every build seen on both sides."""
    build = runs["build"].to_numpy()
    return [
        cause
        for cause, column in CHANGES.items()
        if column != ladder.column
        and sides.both
        and all(_disjoint(runs[column], build, sides, one) for one in sides.both)
    ]


def _disjoint(values: pd.Series, build: np.ndarray, sides: Sides, one: str) -> bool:
    after, before = (set(values.iloc[n[build[n] == one]]) for n in (sides.after, sides.before))
    return not after & before


def _is_alias(step: np.ndarray, other: np.ndarray) -> bool:
    narrower = (step + other).std() <= SUM_NARROWER * step.std()
    return inflation(step, other) >= INFLATED and bool(narrower)


def _named(runs: pd.DataFrame, sides: Sides, cause: str) -> str:
    """Name a cause and, where a column says it, what stood on each side."""
    if cause not in SAID_BY:
        return cause
    known = runs[SAID_BY[cause]].to_numpy()
    both = runs["build"].isin(sides.both).to_numpy() if sides.both else np.ones(len(runs), bool)
    after, before = (known[n[both[n]]] for n in (sides.after, sides.before))
    if cause in AREAS:
        return f"{cause}: level {_mean(after)} instead of {_mean(before)} on average"
    return f"{cause}: {_names(after, cause)} instead of {_names(before, cause)}"


def _mean(levels: np.ndarray) -> str:
    """The mean of the recorded levels in words; a whole one without its decimal."""
    known = pd.to_numeric(pd.Series(levels)).dropna()
    return f"{round(float(known.mean()), 1):g}" if len(known) else "not recorded"


def _names(values: Sequence[object] | np.ndarray, cause: str) -> str:
    """The values that stand most often, or how many there are."""
    names = pd.Series(list(values), dtype=object).dropna().value_counts().index
    if len(names) > MOST_NAMES:
        return f"{len(names)} {PLURAL[cause]}"
    return " and ".join(map(str, names))
