"""Which runs and laps belong to a name, found without looking through all of them.

A store of a decade has a million runs; an answer about one build or one circuit needs some
hundreds. Each column of names is sorted once, the first time it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

import numpy as np
import pandas as pd


class Lookup:
    """Places (0 is the first) of runs and laps in the tables of a fit."""

    def __init__(self, runs: pd.DataFrame, laps: pd.DataFrame) -> None:
        self._runs = runs
        self._laps = laps
        self._codes: dict[str, tuple[np.ndarray, dict[str, int]]] = {}
        self._sorted: dict[str, tuple[np.ndarray, np.ndarray]] = {}
        self._kept: dict[str, np.ndarray] = {}

    def kept(self, what: str, make: Callable[[], np.ndarray]) -> np.ndarray:
        """Give an array, one value a run, that was made once under this name."""
        if what not in self._kept:
            self._kept[what] = make()
        return self._kept[what]

    def codes(self, column: str) -> tuple[np.ndarray, dict[str, int]]:
        """Number the names of a column: of each run (-1: none), and the number of each name."""
        if column not in self._codes:
            code, names = pd.factorize(self._runs[column])
            self._codes[column] = code, {name: k for k, name in enumerate(names)}
        return self._codes[column]

    def names(self, column: str) -> dict[str, int]:
        """Give the names that a column holds, with their numbers."""
        return self.codes(column)[1]

    def runs_of(self, column: str, name: str) -> np.ndarray:
        """Places of the runs that have this name, in the order of the table."""
        code, number = self.codes(column)
        if name not in number:
            return np.empty(0, dtype=np.int64)
        if column not in self._sorted:
            order = np.argsort(code, kind="stable")
            self._sorted[column] = order, code[order]
        order, ordered = self._sorted[column]
        first, last = np.searchsorted(ordered, [number[name], number[name] + 1])
        return np.asarray(order[first:last])

    def runs_where(self, **named: str) -> np.ndarray:
        """Places of the runs whose columns have these names; the rarest is best named first."""
        (column, name), *others = named.items()
        found = self.runs_of(column, name)
        for other, wanted in others:
            code, number = self.codes(other)
            found = found[code[found] == number.get(wanted, -2)]
        return found

    def laps_of(self, runs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places of the laps of these runs in the order of the table, and the place of each's run.

        Parameters
        ----------
        runs : places of runs, ascending.
        """
        order, starts = self._laps_by_run
        counts = starts[runs + 1] - starts[runs]
        before = np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(runs) else np.empty(0, int)
        within = np.arange(counts.sum()) - np.repeat(before, counts)
        laps = order[np.repeat(starts[runs], counts) + within]
        of_run = np.repeat(runs, counts)
        by_place = np.argsort(laps, kind="stable")
        return laps[by_place], of_run[by_place]

    def with_facts(self, runs: np.ndarray) -> pd.DataFrame:
        """Give the laps of these runs, each with the facts of its run."""
        return self.facts_of(*self.laps_of(np.sort(runs)))

    def facts_of(self, laps: np.ndarray, of_run: np.ndarray) -> pd.DataFrame:
        """Give laps, each with the facts of its run, both by their places; so is the index."""
        own = self._laps.iloc[laps].set_axis(laps)
        return pd.concat([own, self._runs.iloc[of_run].set_axis(laps)], axis=1)

    @cached_property
    def _laps_by_run(self) -> tuple[np.ndarray, np.ndarray]:
        """Laps in the order of their runs, and where each run's begin in it."""
        place = self._runs.index.get_indexer(pd.Index(self._laps["run_id"]))
        order = np.argsort(place, kind="stable")
        starts = np.searchsorted(place[order], np.arange(len(self._runs) + 1))
        return order, starts
