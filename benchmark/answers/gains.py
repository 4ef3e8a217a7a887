"""What each step buys: every pair of rungs of every ladder, in seconds, with what it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.company import (
    Alias,
    Sides,
    changed_along,
    company,
    find_alias,
    sides_of,
)
from benchmark.answers.entries import check_known, check_level, check_place
from benchmark.answers.ladders import (
    DRIVER,
    LADDERS,
    TYRE,
    Ladder,
    prior_width,
    typical_lap_s,
    worths,
)
from benchmark.intake.costs import Costs, cost_per_tenth
from benchmark.model.caveats import BARELY
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
    "builds",
    "changes",
    "builds_from",
    "builds_to",
    "warning",
    "aliased_with",
    "sum_gain_s",
    "sum_low_s",
    "sum_high_s",
)
# What else may carry a step alone: the column of a run, and how the warning begins.
CARRIERS = (("build", "one car"), ("driver", "one driver"), (TYRE, "one tyre category"))


def gains(
    fit: Fit,
    circuit: str,
    layout: str = "full",
    *,
    surface: str = "dry",
    level: float = 0.9,
) -> pd.DataFrame:
    """Say what each step is worth at a circuit, what buys most first.

    Parameters
    ----------
    fit : the fitted store.
    circuit, layout, surface : where; seconds are shares of the typical lap there.
    level : probability that an interval holds.

    Returns
    -------
    One row for each pair of levels of a modification area, of tyre categories and of driver
    levels, with the columns of `FIELDS`. Seconds are negative where the step is quicker; `gain_s`
    is the posterior median. Builds are counted in the whole store, since a step's worth is learnt
    from all of it: `builds_from` and `builds_to` were seen on that side, `changes` on both,
    `builds` on either. `warning` says in words what the data cannot tell. Where the step cannot be
    told from something else, `aliased_with` names it and `sum_...` is the two together.

    Raises
    ------
    BadQuestion
        An unknown circuit, layout or surface, or an illegal level.
    """
    check_place(fit, circuit, layout)
    check_known("surface", surface, SURFACES)
    check_level(level)
    lap_s = typical_lap_s(fit, circuit, layout, surface)
    worth = worths(fit, circuit, layout, surface)
    if "gains" not in fit.kept:  # the same wherever the question is asked
        fit.kept["gains"] = _seen_steps(fit)
    rows = [_row(fit, Step(seen, _worth(worth, seen)), lap_s, level) for seen in fit.kept["gains"]]
    table = pd.DataFrame(rows, columns=list(FIELDS))
    return table.sort_values("gain_s", kind="stable").reset_index(drop=True)


@dataclass(frozen=True)
class Seen:
    """From one rung of a ladder to another: who ran each side and what came along, in the store.

    Attributes
    ----------
    along : what changed too in every car that changed.
    told : what the record alone cannot tell, in words.
    parts : draws of each part's difference between the sides, one array (draws,) a part.
    """

    ladder: Ladder
    start: int
    end: int
    side: Sides
    along: list[str]
    told: list[str]
    parts: dict[str, np.ndarray]

    @property
    def ends(self) -> tuple[str, str]:
        """Both rungs as text."""
        return self.ladder.rungs[self.start], self.ladder.rungs[self.end]


@dataclass(frozen=True)
class Step:
    """What was seen of a step, and draws of what it is worth at the place asked about."""

    seen: Seen
    worth: np.ndarray


def _seen_steps(fit: Fit) -> list[Seen]:
    pairs = [(ladder, *pair) for ladder in LADDERS for pair in ladder.pairs()]
    sides = [sides_of(fit.runs, fit.lookup, *pair) for pair in pairs]
    parts = company(fit, sides)
    return [
        _seen(fit, pair, side, {name: draws[:, k] for name, draws in parts.items()})
        for k, (pair, side) in enumerate(zip(pairs, sides, strict=True))
    ]


def _seen(
    fit: Fit, pair: tuple[Ladder, int, int], side: Sides, parts: dict[str, np.ndarray]
) -> Seen:
    ladder, start, end = pair
    along = changed_along(fit.lookup, ladder, side) if side.seen else []
    bare = Seen(ladder, start, end, side, along, [], parts)
    return replace(bare, told=[*_unseen(bare), *(_carried(fit, bare) if side.seen else [])])


def _worth(worth: dict[str, np.ndarray], seen: Seen) -> np.ndarray:
    of_rung = worth[seen.ladder.area]
    return np.asarray(of_rung[:, seen.end] - of_rung[:, seen.start])


def _row(fit: Fit, step: Step, lap_s: float, level: float) -> dict[str, Any]:
    seen = step.seen
    alias = (
        find_alias(fit.runs, seen.ladder, seen.side, seen.along, step.worth, seen.parts)
        if seen.side.seen
        else None
    )
    return {
        "area": seen.ladder.area,
        "from": seen.ends[0],
        "to": seen.ends[1],
        **_seconds(step.worth, lap_s, level),
        "p_helps": float((step.worth < 0).mean()),
        **_counts(seen.side),
        "warning": warning(fit, step, alias),
        **_together(alias, lap_s, level),
    }


def with_costs(table: pd.DataFrame, costs: Costs | None) -> pd.DataFrame:
    """Add what each step costs, and per tenth of a second that it is expected to win."""
    if costs is None:
        return table
    keys = table[["area", "from", "to"]].itertuples(index=False, name=None)
    cost = [costs.of(*key) for key in keys]
    per_tenth = [cost_per_tenth(*pair) for pair in zip(cost, table["gain_s"], strict=True)]
    priced = {"cost": cost, "currency": costs.currency, "cost_per_tenth": per_tenth}
    return table.join(pd.DataFrame(priced, index=table.index))


def in_seconds(log_difference: np.ndarray, lap_s: float) -> np.ndarray:
    """Seconds that a difference in log lap time makes of a lap of `lap_s`."""
    return np.asarray(lap_s * np.expm1(log_difference))


def _seconds(step: np.ndarray, lap_s: float, level: float) -> dict[str, float]:
    low, high = interval(step, level)
    median, low, high = in_seconds(np.array([np.median(step), low, high]), lap_s)
    return {"gain_s": float(median), "low_s": float(low), "high_s": float(high)}


def _counts(side: Sides) -> dict[str, int]:
    before, after = int((side.n_before > 0).sum()), int((side.n_after > 0).sum())
    both = len(side.both)
    return {
        "builds": before + after - both,
        "changes": both,
        "builds_from": before,
        "builds_to": after,
    }


def _together(alias: Alias | None, lap_s: float, level: float) -> dict[str, Any]:
    if alias is None:
        return dict.fromkeys(("aliased_with", "sum_gain_s", "sum_low_s", "sum_high_s"))
    total = _seconds(alias.together, lap_s, level)
    return {"aliased_with": alias.name, **{f"sum_{name}": value for name, value in total.items()}}


def warning(fit: Fit, step: Step, alias: Alias | None) -> str | None:
    """Say in words what the data cannot tell about a step; None where there is nothing to say."""
    seen = step.seen
    told = list(seen.told)
    along = [cause for cause in seen.along if (seen.ladder.area, cause) != (DRIVER, "driver")]
    if along:  # another level of driver is another driver, as everybody knows
        causes = ", ".join(along).replace("_", " ")
        told.append(f"in every car that changed, this changed too: {causes}")
    if alias is not None:
        cause = alias.name.replace("_", " ")
        told.append(f"cannot be told from {cause}; the two together are known better")
    if step.worth.std() > BARELY * prior_width(fit, seen.ladder, seen.start, seen.end):
        told.append("these laps say little about it; what is usual was assumed")
    return "; ".join(told) or None


def _unseen(seen: Seen) -> Iterator[str]:
    """The sides that no car ran."""
    side = seen.side
    for rung, builds in zip(seen.ends, (side.n_before, side.n_after), strict=True):
        if not builds.any():
            yield f"no car ran {seen.ladder.area.replace('_', ' ')} {rung}"
    if side.seen and not len(side.both):
        yield "seen on different cars only, on none before and after"


def _carried(fit: Fit, seen: Seen) -> Iterator[str]:
    """A side that one car, driver or tyre category carries alone while the other side has more."""
    side = seen.side
    for column, words in CARRIERS:
        if column == seen.ladder.column:
            continue
        code, number = fit.lookup.codes(column)
        names = list(number)
        before, after = (
            np.flatnonzero(np.bincount(code[side.rung == rung], minlength=len(names)))
            for rung in (seen.start, seen.end)
        )
        for rung, these, those in zip(seen.ends, (before, after), (after, before), strict=True):
            if len(these) == 1 and (column == "build" or not np.array_equal(these, those)):
                yield f"{rung} seen with {words} only ({names[these[0]]})"
