"""What each step buys: every pair of rungs of every ladder, in seconds, with what it rests on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.company import Alias, find_alias
from benchmark.answers.entries import check_known, check_level, check_place
from benchmark.answers.ladders import DRIVER, prior_width, typical_lap_s, worths
from benchmark.answers.seen_steps import Seen, seen_steps
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
    rows = [_row(fit, seen, _worth(worth, seen), lap_s, level) for seen in seen_steps(fit)]
    table = pd.DataFrame(rows, columns=list(FIELDS))
    return table.sort_values("gain_s", kind="stable").reset_index(drop=True)


def _row(fit: Fit, seen: Seen, worth: np.ndarray, lap_s: float, level: float) -> dict[str, Any]:
    """One step; `worth` holds draws of what it is worth at the place asked about."""
    alias = None
    if seen.on_both_sides:
        alias = find_alias(seen.ladder, seen.named, seen.along, worth, seen.parts)
    return {
        "area": seen.ladder.area,
        "from": seen.ends[0],
        "to": seen.ends[1],
        **_seconds(worth, lap_s, level),
        "p_helps": float((worth < 0).mean()),
        **seen.counts,
        "warning": warning(fit, seen, worth, alias),
        **_together(alias, lap_s, level),
    }


def _worth(worth: dict[str, np.ndarray], seen: Seen) -> np.ndarray:
    of_rung = worth[seen.ladder.area]
    return np.asarray(of_rung[:, seen.end] - of_rung[:, seen.start])


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


def _together(alias: Alias | None, lap_s: float, level: float) -> dict[str, Any]:
    if alias is None:
        return dict.fromkeys(("aliased_with", "sum_gain_s", "sum_low_s", "sum_high_s"))
    total = _seconds(alias.together, lap_s, level)
    return {"aliased_with": alias.name, **{f"sum_{name}": value for name, value in total.items()}}


def warning(fit: Fit, seen: Seen, worth: np.ndarray, alias: Alias | None) -> str | None:
    """Say in words what the data cannot tell about a step; None where there is nothing to say."""
    told = list(seen.told)
    along = [cause for cause in seen.along if (seen.ladder.area, cause) != (DRIVER, "driver")]
    if along:  # another level of driver is another driver, as everybody knows
        causes = ", ".join(along).replace("_", " ")
        told.append(f"in every car that changed, this changed too: {causes}")
    if alias is not None:
        cause = alias.name.replace("_", " ")
        told.append(f"cannot be told from {cause}; the two together are known better")
    if worth.std() > BARELY * prior_width(fit, seen.ladder, seen.start, seen.end):
        told.append("these laps say little about it; what is usual was assumed")
    return "; ".join(told) or None
