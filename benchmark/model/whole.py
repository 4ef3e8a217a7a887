"""What an answer about one place asks of the whole store: names, usual levels, ranges, sizes.

It is small, whatever the number of laps, so it is kept with a fit: who then asks about one circuit
need not read the others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Self

import numpy as np
import pandas as pd

from benchmark.model.frame import MODS, WEATHER
from benchmark.trade.classes import INDUCTIONS, LEVELS

NAMED = ("circuit", "model", "build", "driver")


@dataclass(frozen=True)
class Whole:
    """Figures of all runs, laps and entries of a fit.

    Attributes
    ----------
    names : every name of a circuit, model, build and driver, sorted.
    classes : every class that an entry has, sorted.
    levels : by model, of its entries how many have each level of each area, (areas, levels).
    inductions : by model, of its entries how many have each induction, as in `INDUCTIONS`.
    ranges : by weather column, the least and the largest that was recorded; none where nothing was.
    laps : counted laps.
    laps_a_run : median of the laps of a run, 1 at least.
    """

    names: Mapping[str, list[str]]
    classes: list[str]
    levels: Mapping[str, list[list[int]]]
    inductions: Mapping[str, list[int]]
    ranges: Mapping[str, tuple[float, float]]
    laps: int
    laps_a_run: int

    def usual_level(self, model: str, area: int) -> int:
        """Most common recorded level of an area, the lower on a tie; 0 where none is recorded."""
        counts = self.levels.get(model)
        return int(np.argmax(counts[area])) if counts else 0

    def to_plain(self) -> dict[str, Any]:
        """Give it as what JSON can hold."""
        return asdict(self)

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Self:
        """Undo `to_plain`."""
        ranges = {name: (low, high) for name, (low, high) in plain["ranges"].items()}
        return cls(**{**plain, "ranges": ranges})


def whole_of(runs: pd.DataFrame, laps: pd.DataFrame, entries: pd.DataFrame) -> Whole:
    """Sum up runs and laps of a fit, and its entries (`model.entry.entries`)."""
    laps_of_run = laps.groupby("run_id").size()
    model, names = pd.factorize(entries["model"], sort=True)
    levels = np.stack([_counts(model, entries[column], LEVELS, len(names)) for column in MODS], 1)
    inductions = _counts(model, entries["induction"], INDUCTIONS, len(names))
    return Whole(
        names={column: sorted(map(str, runs[column].unique())) for column in NAMED},
        classes=sorted(entries["class"].unique()),
        levels=dict(zip(map(str, names), levels.tolist(), strict=True)),
        inductions=dict(zip(map(str, names), inductions.tolist(), strict=True)),
        ranges={name: found for name in WEATHER if (found := _range(runs, name)) is not None},
        laps=len(laps),
        laps_a_run=max(int(laps_of_run.median()), 1),
    )


def merged(parts: Sequence[Whole]) -> Whole:
    """Join the figures of parts of a store into those of all; what is in two parts counts in both.

    The laps of a run are those of the part in the middle, so they need not be counted anew.
    """
    levels: dict[str, np.ndarray] = {}
    inductions: dict[str, np.ndarray] = {}
    ranges: dict[str, tuple[float, float]] = {}
    for one in parts:
        for model in one.levels:
            levels[model] = levels.get(model, 0) + np.array(one.levels[model])
            inductions[model] = inductions.get(model, 0) + np.array(one.inductions[model])
        for name, (low, high) in one.ranges.items():
            least, most = ranges.get(name, (low, high))
            ranges[name] = min(least, low), max(most, high)
    laps_a_run = sorted(one.laps_a_run for one in parts)
    return Whole(
        names={
            column: sorted(set().union(*(one.names[column] for one in parts))) for column in NAMED
        },
        classes=sorted(set().union(*(one.classes for one in parts))),
        levels={model: levels[model].tolist() for model in sorted(levels)},
        inductions={model: inductions[model].tolist() for model in sorted(inductions)},
        ranges=ranges,
        laps=sum(one.laps for one in parts),
        laps_a_run=laps_a_run[len(laps_a_run) // 2],
    )


def _counts(
    model: np.ndarray, values: pd.Series, known: tuple[Any, ...], models: int
) -> np.ndarray:
    """Count by model how often each known value stands, shape (models, known)."""
    code = pd.Index(known, dtype=object).get_indexer(values.astype(object))
    there = code >= 0
    cell = model[there] * len(known) + code[there]
    return np.bincount(cell, minlength=models * len(known)).reshape(models, len(known))


def _range(runs: pd.DataFrame, column: str) -> tuple[float, float] | None:
    if column not in runs:
        return None
    known = runs[column].to_numpy(dtype=float)
    known = known[np.isfinite(known)]
    return (float(known.min()), float(known.max())) if len(known) else None
