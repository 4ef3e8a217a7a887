"""The other laps of the day that a claimed lap was picked from, where nobody handed them in.

A day's best lap is the best over outings as well as over laps: each outing has its own session,
form and weather, each lap of an outing its own tyre state. So the other laps stand each about a
centre of its own, and that all of them were slower says what the claimed lap owes to being
picked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case
from benchmark.model.design import REFERENCE_LAP, lap_features, softness
from benchmark.model.fit import Fit
from benchmark.model.lap_odds import LapOdds
from benchmark.model.predict import fresh
from benchmark.trade.classes import TYRE_CATEGORIES

LAPS_AN_OUTING = 4  # flying laps of a usual outing; a choice of ours
MOST_OUTINGS = 8  # drawn one by one; further laps are shared out among them
WEATHER_SD = 0.002  # log lap time between the sessions of a day, for 3 °C of air and 5 °C of track


@dataclass(frozen=True)
class Day:
    """The outings of a day; the first is the claimed lap's own.

    Attributes
    ----------
    offsets : what each outing's centre differs by from the claimed one's, log time, each
        (draws, replicates); nought for its own.
    laps : how many flying laps each outing had, the claimed one among the first's.
    by_lap : what each lap of an outing differs by from the claimed one, (draws, laps).
    """

    offsets: list[np.ndarray]
    laps: list[int]
    by_lap: np.ndarray

    def log_others_above(self, odds: LapOdds, error: np.ndarray, timing_var: float) -> np.ndarray:
        """Log chance that all laps but the claimed one were slower than it, shape as `error`."""
        return self._log_above(odds, error, timing_var, [self.laps[0] - 1, *self.laps[1:]])

    def p_best_within(self, odds: LapOdds, error: np.ndarray, timing_var: float) -> np.ndarray:
        """Chance that the day's best clean lap is as quick as this, or quicker."""
        above = self._log_above(odds, error, timing_var, self.laps)
        return np.asarray(-np.expm1(above))

    def best_noise(self, odds: LapOdds, rng: np.random.Generator) -> np.ndarray:
        """What the day's best clean lap adds to the claimed lap's centre, (draws, replicates)."""
        best = np.full(self.offsets[0].shape, np.inf)
        for offset, laps in zip(self.offsets, self.laps, strict=True):
            for k in range(laps):
                clean = odds.sigma * rng.standard_normal(best.shape)
                clean += odds.tau * rng.standard_exponential(best.shape)
                clean += offset + self._by_lap(k)
                np.minimum(best, clean, out=best)
        return best

    def _log_above(
        self, odds: LapOdds, error: np.ndarray, timing_var: float, laps: list[int]
    ) -> np.ndarray:
        total = np.zeros(error.shape)
        for offset, many in zip(self.offsets, laps, strict=True):
            shown = min(many, self.by_lap.shape[1])
            for k in range(shown):
                share = many / shown
                above = odds.log_above(error - offset - self._by_lap(k), timing_var)
                total += share * above
        return total

    def _by_lap(self, k: int) -> np.ndarray:
        return self.by_lap[:, [k % self.by_lap.shape[1]]]


def day_of(fit: Fit, case: Case, rows: pd.DataFrame, rng: np.random.Generator) -> Day:
    """Draw the outings of the claimed lap's day.

    Parameters
    ----------
    rows : the claimed lap, one row a replicate.
    """
    n, replicates = case.flying_laps, len(rows)
    outings = min(-(-n // LAPS_AN_OUTING), MOST_OUTINGS)
    shape = (fit.draws, replicates)
    drawn = {group: fresh(fit, group, replicates * outings) for group in ("session", "outing")}
    offsets = [np.zeros(shape)]
    for k in range(1, outings):
        at, own = slice(k * replicates, (k + 1) * replicates), slice(0, replicates)
        # The claimed lap's own session and outing are the first of the fresh ones, see `passing`.
        other = sum(values[:, at] - values[:, own] for values in drawn.values())
        offsets.append(np.asarray(other) + WEATHER_SD * rng.standard_normal(shape))
    laps = [len(part) for part in np.array_split(np.arange(n), outings)]
    return Day(offsets, laps, _by_lap(fit, case, rows))


def _by_lap(fit: Fit, case: Case, rows: pd.DataFrame) -> np.ndarray:
    """What laps 2, 3 and so on of an outing differ by from the claimed one, (draws, laps)."""
    claimed = float(np.median(rows["lap"].astype(float)))
    numbers = np.array([claimed, *range(REFERENCE_LAP, REFERENCE_LAP + LAPS_AN_OUTING)], float)
    tyre = np.full(len(numbers), TYRE_CATEGORIES.index(str(case.facts["tyre_category"])))
    part = fit.posterior.lap_effects.astype(float) @ lap_features(numbers, softness(tyre)).T
    return np.asarray(part[:, 1:] - part[:, [0]])
