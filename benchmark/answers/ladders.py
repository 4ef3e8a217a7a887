"""The ladders of the trade: six modification areas, tyre categories, driver levels; their rungs.

A ladder's worth is asked of the fit through its one door, as the expected lap of an average car
that differs in this one thing, so that whatever the model knows of surface and softness counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from benchmark.model.fit import Fit
from benchmark.model.priors import STANDARD_PRIORS
from benchmark.trade.classes import AREAS, SCALED, scale

TYRE, DRIVER = "tyre_category", "driver_level"
# What stands still while one thing changes; any other choice gives the same differences.
STANDING: dict[str, object] = {
    **{f"mod_{area}": 0 for area in AREAS},
    TYRE: "track-day",
    DRIVER: "club",
}


@dataclass(frozen=True)
class Ladder:
    """One thing that can be changed, its rungs in order as text, and the column that records it."""

    area: str
    column: str
    rungs: tuple[str, ...]

    def pairs(self) -> Iterator[tuple[int, int]]:
        """Every pair of rungs, the lower first."""
        return combinations(range(len(self.rungs)), 2)

    def value(self, rung: int) -> object:
        """The rung as the lap table records it."""
        return rung if self.column.startswith("mod_") else self.rungs[rung]

    def rung_of(self, runs: pd.DataFrame) -> np.ndarray:
        """Rung of each run, -1 where it is not recorded or stands on no rung."""
        if self.column.startswith("mod_"):
            return runs[self.column].fillna(-1).to_numpy(dtype=np.int64)
        rungs = pd.Index(self.rungs, dtype=object)
        found = rungs.get_indexer(pd.Index(runs[self.column], dtype=object))
        return np.asarray(found, dtype=np.int64)


LADDERS = tuple(
    Ladder(area, f"mod_{area}" if area in AREAS else area, scale(area)) for area in SCALED
)


def worths(fit: Fit, circuit: str, layout: str, surface: str) -> dict[str, np.ndarray]:
    """Draws of what each rung of each ladder is worth on log lap time, by area (draws, rungs).

    Only differences between rungs of one ladder mean anything.
    """
    rows: list[dict[str, object]] = [
        STANDING | {ladder.column: ladder.value(rung)}
        for ladder in LADDERS
        for rung in range(len(ladder.rungs))
    ]
    place = {"circuit": circuit, "layout": layout, "surface": surface}
    draws = fit.log_time(pd.DataFrame(rows).assign(**place))
    ends = np.cumsum([len(ladder.rungs) for ladder in LADDERS])
    of_ladder = np.split(draws, ends[:-1], axis=1)
    return {ladder.area: own for ladder, own in zip(LADDERS, of_ladder, strict=True)}


def prior_width(fit: Fit, ladder: Ladder, start: int, end: int) -> float:
    """Standard deviation that the priors give the worth of going from one rung to another.

    The learnt widths of areas and steps stand at their prior medians.
    """
    priors = STANDARD_PRIORS.widened(fit.prior_scale)
    steps = abs(end - start)
    if ladder.area == TYRE:
        return priors.effects["tyre"].width * math.sqrt(steps)
    if ladder.area == DRIVER:
        known = [priors.effects.get(ladder.rungs[rung]) for rung in (start, end)]
        return math.hypot(*(effect.width if effect else 0.0 for effect in known))
    shared = math.hypot(priors.effects["steps"].width, priors.sizes["area"].median) * steps
    return math.hypot(shared, priors.sizes["step"].median * math.sqrt(steps))


def typical_lap_s(fit: Fit, circuit: str, layout: str, surface: str) -> float:
    """Median of the counted laps there on this surface; without any, of those on all surfaces [s].

    Gains in seconds are shares of this lap.
    """
    there = {"circuit": circuit, "layout": layout}
    chosen = fit.lookup.runs_where(**there, surface=surface)
    if not len(chosen):
        chosen = fit.lookup.runs_where(**there)
    laps, _ = fit.lookup.laps_of(np.sort(chosen))
    return float(np.median(fit.laps["lap_time_s"].to_numpy()[laps]))
