"""Fits that leave owners out, so that nobody's own laps decide what is expected of his car.

The entries are dealt into folds. For each fold, and for each two folds, there is a fit without
the laps of their cars, and of their cars' usual drivers in whatever car. Two entries are compared
in the fit that saw neither. So an owner's laps cannot move his own factor. Nor can they move the
others' on average: what one of two others gains by them in a comparison, the other loses.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations_with_replacement

import pandas as pd

from benchmark.errors import BadQuestion
from benchmark.model.fit import Fit

FOLDS = (
    5  # usual in cross-validation; a choice of ours: more folds take longer, each leaving out less
)
ALONE_DRAWS = 150  # of a fit without one fold's owners: intervals are read from it
PAIR_DRAWS = 60  # of one without two folds' owners: only means are read, several for an entry


@dataclass(frozen=True)
class LeftOut:
    """Fits without some owners.

    Attributes
    ----------
    folds : the builds of each fold.
    fits : by the numbers of two folds, the smaller first, the fit that has seen no lap of their
        owners; the same number twice leaves out that fold alone.
    """

    folds: tuple[tuple[str, ...], ...]
    fits: Mapping[tuple[int, int], Fit]

    def without(self, one: int, other: int) -> Fit:
        """Give the fit that has seen no lap of these two folds' owners."""
        return self.fits[min(one, other), max(one, other)]

    def number(self, build: str) -> int | None:
        """Give the number of a build's fold; None where no fit has seen a lap of it."""
        return next((k for k, builds in enumerate(self.folds) if build in builds), None)


def leave_out(
    laps: pd.DataFrame, entries: pd.DataFrame, refit: Callable[[pd.DataFrame, int, float], Fit]
) -> LeftOut:
    """Deal the entries into folds, and fit without each fold's owners and each two folds'.

    Parameters
    ----------
    laps : counted laps before the freeze.
    entries : with `build`, `model` and `driver` (the usual one: the owner).
    refit : fits laps; told how many draws, and how far the work is.

    Raises
    ------
    BadQuestion
        All laps belong to the owners of two folds.
    """
    folds = deal(entries)
    pairs = list(combinations_with_replacement(range(len(folds)), 2))
    fits = {}
    for number, (one, other) in enumerate(pairs):
        rest = without_owners(laps, entries, folds[one] + folds[other])
        if rest.empty:
            raise BadQuestion(
                "too few owners to leave two of them out: a factor from declared specifications "
                "needs laps of at least three owners and their cars"
            )
        draws = ALONE_DRAWS if one == other else PAIR_DRAWS
        fits[one, other] = refit(rest, draws, number / len(pairs))
    return LeftOut(tuple(folds), fits)


def deal(entries: pd.DataFrame) -> list[tuple[str, ...]]:
    """Deal builds into folds: owners of several cars stay together, models are spread out."""
    owners = entries.groupby("driver", sort=True, dropna=False)
    groups = sorted(
        (sorted(group["build"]) for _, group in owners),
        key=lambda builds: (_model(entries, builds[0]), builds),
    )
    folds = min(FOLDS, len(groups))
    dealt: list[list[str]] = [[] for _ in range(folds)]
    for number, builds in enumerate(groups):
        dealt[number % folds].extend(builds)
    return [tuple(sorted(builds)) for builds in dealt]


def _model(entries: pd.DataFrame, build: str) -> str:
    return str(entries.loc[entries["build"] == build, "model"].iloc[0])


def without_owners(
    laps: pd.DataFrame, entries: pd.DataFrame, builds: tuple[str, ...]
) -> pd.DataFrame:
    """Give the laps in which neither these cars nor their usual drivers took part."""
    drivers = entries.loc[entries["build"].isin(builds), "driver"]
    mine = laps["build"].isin(builds) | laps["driver"].isin(set(drivers))
    return laps[~mine]
