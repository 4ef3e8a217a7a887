"""The quickest of many counted laps, without laying out the facts of all of them.

At a busy circuit a hundred thousand laps count; an answer tells the facts of one lap a car.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.answers.entries import LAP_ORDER
from benchmark.model.fit import Fit


@dataclass(frozen=True)
class LapsHere:
    """Counted laps by their places in the tables of a fit.

    Attributes
    ----------
    laps, of_run : the place of each lap, and of its run.
    time_s : lap times. [s]
    """

    laps: np.ndarray
    of_run: np.ndarray
    time_s: np.ndarray

    def __len__(self) -> int:
        """Number of laps."""
        return len(self.laps)

    def where(self, wanted: np.ndarray) -> LapsHere:
        """Return some of the laps."""
        return LapsHere(self.laps[wanted], self.of_run[wanted], self.time_s[wanted])


def laps_here(fit: Fit, runs: np.ndarray) -> LapsHere:
    """Find the laps of these runs (places, ascending), in the order of the fit's laps."""
    laps, of_run = fit.lookup.laps_of(runs)
    return LapsHere(laps, of_run, fit.laps["lap_time_s"].to_numpy(dtype=float)[laps])


def quickest_of_each(fit: Fit, laps: LapsHere) -> pd.DataFrame:
    """Each build's quickest lap with the facts of its run, the quickest first.

    Of a build's equal laps the earliest; the index holds the laps' places.
    """
    code, names = fit.lookup.codes("build")
    build = code[laps.of_run]
    least = np.full(len(names), np.inf)
    np.minimum.at(least, build, laps.time_s)
    found = _in_order(fit, laps.where(laps.time_s == least[build]))
    return found.drop_duplicates("build")


def quickest(fit: Fit, laps: LapsHere) -> pd.DataFrame:
    """The quickest lap of all, the earliest of equals, as one row; none where there is no lap."""
    if not len(laps):
        return fit.lookup.facts_of(laps.laps, laps.of_run)
    return _in_order(fit, laps.where(laps.time_s == laps.time_s.min())).head(1)


def _in_order(fit: Fit, laps: LapsHere) -> pd.DataFrame:
    table = fit.lookup.facts_of(laps.laps, laps.of_run)
    return table.sort_values(["lap_time_s", *LAP_ORDER], kind="stable")
