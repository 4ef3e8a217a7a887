"""A part of a fit: the runs of one circuit and of the builds and drivers that a question names.

It answers what concerns them as the whole fit would: what else an answer asks of the store was
worked out when the fit was kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from benchmark.model.fit import Fit, Recorded
from benchmark.model.whole import Whole


class Lazily(Mapping[str, np.ndarray]):
    """Arrays by name, each made when it is first asked for."""

    def __init__(self, make: Mapping[str, Callable[[], np.ndarray]]) -> None:
        self._make = make
        self._made: dict[str, np.ndarray] = {}

    def __getitem__(self, name: str) -> np.ndarray:
        if name not in self._made:
            self._made[name] = self._make[name]()
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._make)

    def __len__(self) -> int:
        return len(self._make)


@dataclass(frozen=True)
class PartOfFit(Fit):
    """Some runs of a fit, with what was worked out of all of them.

    Attributes
    ----------
    known_entries : entries of the builds in the part.
    known_whole : figures of the whole fit.
    known_levels : level of each driver in the part.
    known_delay : draws of the mean delay of the driver in the middle.
    read_kept : gives what an answer had worked out.
    is_regional : whether that was worked out of the region alone that the part is of.
    """

    known_entries: pd.DataFrame
    known_whole: Whole
    known_levels: Mapping[str, str | None]
    known_delay: np.ndarray
    read_kept: Callable[[str], Mapping[str, np.ndarray] | None]
    is_regional: bool = False

    @property
    def counted_in(self) -> str:
        """Where builds, drivers and steps of the record are counted, in words."""
        return "the circuit's region" if self.is_regional else "the whole store"

    @property
    def laps_used(self) -> int:
        """Number of laps that the fit rests on."""
        return self.known_whole.laps

    @cached_property
    def entries(self) -> pd.DataFrame:
        """One row a build of the part, as it stands."""
        return self.known_entries

    @cached_property
    def whole(self) -> Whole:
        """What answers ask of all runs, laps and entries."""
        return self.known_whole

    @cached_property
    def recorded(self) -> Recorded:
        """What is known of the part's builds and drivers by name."""
        by_build = self.known_entries.set_index("build")
        return Recorded(
            by_build["model"].to_dict(), by_build["induction"].to_dict(), self.known_levels
        )

    @cached_property
    def usual_delay(self) -> np.ndarray:
        """Draws of the mean delay of the driver in the middle, log lap time."""
        return self.known_delay

    def kept(self, what: str) -> Mapping[str, np.ndarray] | None:
        """Give what an answer has worked out and was kept with the fit."""
        return self.read_kept(what)
