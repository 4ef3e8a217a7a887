"""Fits that leave owners out, so that nobody's own laps decide what is expected of his car.

The entries are dealt into folds; for each fold the laps of its cars, and of its cars' usual
drivers in whatever car, are taken away before the fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from benchmark.errors import BadQuestion
from benchmark.model.fit import Fit

FOLDS = (
    5  # usual in cross-validation; a choice of ours: more folds take longer, each leaving out less
)


@dataclass(frozen=True)
class Fold:
    """Entries that share a fit which has seen no lap of theirs."""

    builds: tuple[str, ...]
    fit: Fit


def folds_of(
    laps: pd.DataFrame, entries: pd.DataFrame, refit: Callable[[pd.DataFrame, float], Fit]
) -> list[Fold]:
    """Deal the entries into folds and fit each time without the fold's owners.

    Parameters
    ----------
    laps : counted laps before the freeze.
    entries : with `build`, `model` and `driver` (the usual one: the owner).
    refit : fits laps; told how far the work is.

    Raises
    ------
    BadQuestion
        All laps belong to one fold's owners.
    """
    dealt = deal(entries)
    folds = []
    for number, builds in enumerate(dealt):
        rest = without_owners(laps, entries, builds)
        if rest.empty:
            raise BadQuestion(
                "too few owners to leave any out: a factor from declared specifications needs laps "
                "of other cars and drivers"
            )
        folds.append(Fold(builds, refit(rest, number / len(dealt))))
    return folds


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
