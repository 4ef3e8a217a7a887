"""What changed together with a step: who ran each side, and what else differed between the sides.

A step is seen as the difference between outings on one rung and outings on another. Whatever
else differs between the two sides is its company. Where the posterior knows only the sum of a
step and its company, the two are aliased, and the answer names the company.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.ladders import DRIVER, TYRE, Ladder
from benchmark.model.fit import Fit
from benchmark.model.lookup import Lookup
from benchmark.model.weighted import weighted_parts
from benchmark.trade.classes import AREAS

# Variance inflation (1 / (1 - r²)) of a step by its company, from which on they are aliased: a
# third of the step's variance would vanish if the company were known. Our choice; at twice this
# only the tightest pairs are named.
INFLATED = 1.5
SUM_NARROWER = 0.85  # and the two together are this much narrower than the step; our choice
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
    """Who ran on the two rungs of a step.

    Attributes
    ----------
    rung : of each outing on the ladder, -1 for none.
    start, end : the two rungs.
    build : number of each outing's build.
    n_before, n_after : outings of each build on either rung, by its number.
    """

    rung: np.ndarray
    start: int
    end: int
    build: np.ndarray
    n_before: np.ndarray
    n_after: np.ndarray

    @property
    def rungs(self) -> tuple[int, int]:
        """Both rungs, the later first."""
        return self.end, self.start

    @property
    def before(self) -> np.ndarray:
        """Places of the outings on the first rung."""
        return np.flatnonzero(self.rung == self.start)

    @property
    def after(self) -> np.ndarray:
        """Places of the outings on the second rung."""
        return np.flatnonzero(self.rung == self.end)

    @property
    def both(self) -> np.ndarray:
        """Numbers of the builds seen on both rungs."""
        return np.flatnonzero((self.n_before > 0) & (self.n_after > 0))

    @property
    def seen(self) -> bool:
        """Whether each side has an outing."""
        return bool(self.n_before.any() and self.n_after.any())

    def weights(self, outings: slice) -> np.ndarray:
        """Weights of some outings; over all of them their sum is: after, less before.

        Within each build seen on both sides, each outing counting the same; where no build is,
        over all outings of each side.
        """
        rung, build = self.rung[outings], self.build[outings]
        if not self.seen:
            return np.zeros(len(rung))
        n_after, n_before = self.n_after, self.n_before
        both = (n_before > 0) & (n_after > 0)
        if not both.any():
            return (rung == self.end) / n_after.sum() - (rung == self.start) / n_before.sum()
        after, before = (
            np.where(both, 1 / np.maximum(n, 1) / both.sum(), 0.0)[build]
            for n in (n_after, n_before)
        )
        return np.asarray((rung == self.end) * after - (rung == self.start) * before)


@dataclass(frozen=True)
class Alias:
    """A cause that a step cannot be told from, in words, and draws of the two together."""

    name: str
    together: np.ndarray


def sides_of(runs: pd.DataFrame, record: Lookup, ladder: Ladder, start: int, end: int) -> Sides:
    """Find who ran on both rungs, in the whole store."""
    build, names = record.codes("build")
    rung = record.kept(ladder.column, lambda: ladder.rung_of(runs))
    counts = (np.bincount(build[rung == one], minlength=len(names)) for one in (start, end))
    return Sides(rung, start, end, build, *counts)


def company(fit: Fit, steps: Sequence[Sides]) -> dict[str, np.ndarray]:
    """Draws of each part's difference between the sides of each step, shape (draws, steps)."""

    def weights(outings: slice) -> np.ndarray:
        return np.column_stack([side.weights(outings) for side in steps])

    return weighted_parts(fit, weights, tuple(COMPANY))


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
    ladder: Ladder,
    named: Mapping[str, str],
    along: Sequence[str],
    step: np.ndarray,
    parts: Mapping[str, np.ndarray],
) -> Alias | None:
    """Name the cause that the step is aliased with most, if any.

    Parameters
    ----------
    named : what `names_of` found.
    along : what `changed_along` found.
    step : draws of the step. [log lap time]
    parts : draws of each part's difference between the sides, one array (draws,) a part.
    """
    own = OWN_PART[ladder.area]
    others = {part: draws for part, draws in parts.items() if part != own and draws.any()}
    if ladder.area == DRIVER:
        others |= _with_the_drivers(others, parts[own] - step, along)
    others = {part: draws for part, draws in others.items() if _is_alias(step, draws)}
    if not others:
        return None
    part = max(others, key=lambda name: inflation(step, others[name]))
    return Alias(named[COMPANY[part]], step + others[part])


def _with_the_drivers(
    others: Mapping[str, np.ndarray], themselves: np.ndarray, along: Sequence[str]
) -> dict[str, np.ndarray]:
    """A driver's level never comes without the drivers themselves, nor without what came along."""
    together = {part: d + themselves for part, d in others.items() if COMPANY[part] in along}
    return {"driver": themselves, **together}


def changed_along(record: Lookup, ladder: Ladder, sides: Sides) -> list[str]:
    """Name what changed, with the step, in every build seen on both sides."""
    return [
        cause
        for cause, column in CHANGES.items()
        if column != ladder.column and len(sides.both) and _always_disjoint(record, column, sides)
    ]


def _always_disjoint(record: Lookup, column: str, sides: Sides) -> bool:
    """Whether no build has a value of this column in common between the sides."""
    code, names = record.codes(column)
    values = len(names)
    after, before = (
        np.unique(sides.build[outings] * values + code[outings])
        for outings in (np.flatnonzero((sides.rung == rung) & (code >= 0)) for rung in sides.rungs)
    )
    return not np.isin(after, before, assume_unique=True).any()


def _is_alias(step: np.ndarray, other: np.ndarray) -> bool:
    narrower = (step + other).std() <= SUM_NARROWER * step.std()
    return inflation(step, other) >= INFLATED and bool(narrower)


def names_of(record: Lookup, sides: Sides, causes: Iterable[str]) -> dict[str, str]:
    """Name causes and, where a column says it, what stood on each side."""
    both = np.ones(len(sides.n_before), bool)
    if len(sides.both):
        both = (sides.n_before > 0) & (sides.n_after > 0)
    after, before = (n[both[sides.build[n]]] for n in (sides.after, sides.before))
    return {cause: _named(record, after, before, cause) for cause in causes}


def _named(record: Lookup, after: np.ndarray, before: np.ndarray, cause: str) -> str:
    if cause not in SAID_BY:
        return cause
    code, names = record.codes(SAID_BY[cause])
    then, now = (_counted(code[places], list(names)) for places in (before, after))
    words = _mean if cause in AREAS else partial(_names, cause=cause)
    on_average = " on average" if cause in AREAS else ""
    level = "level " if cause in AREAS else ""
    return f"{cause}: {level}{words(now)} instead of {words(then)}{on_average}"


def _counted(code: np.ndarray, names: list[Any]) -> dict[Any, int]:
    """How often each recorded value stands, the most frequent first."""
    counts = np.bincount(code[code >= 0], minlength=len(names))
    order = np.argsort(-counts, kind="stable")
    return {names[k]: int(counts[k]) for k in order if counts[k]}


def _mean(levels: Mapping[Any, int]) -> str:
    """The mean of the recorded levels in words; a whole one without its decimal."""
    total = sum(levels.values())
    mean = sum(float(level) * n for level, n in levels.items()) / total if total else 0.0
    return f"{round(mean, 1):g}" if total else "not recorded"


def _names(values: Mapping[Any, int], cause: str) -> str:
    """The values that stand most often, or how many there are."""
    if len(values) > MOST_NAMES:
        return f"{len(values)} {PLURAL[cause]}"
    return " and ".join(map(str, values))
