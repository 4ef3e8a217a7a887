"""Parts of two regions' fits joined, to ask of a car what it would do at another region's circuit.

Both were drawn given the same draws of what all cars share, so the k-th draws of both belong
together. What both know is as the first has it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from benchmark.model.fit import Draws
from benchmark.model.fit_part import Lazily, PartOfFit
from benchmark.model.structure import Name

BY_RUN = ("outing", "cycles")  # groups and facts whose levels are named by the number of a run


def joined(first: PartOfFit, other: PartOfFit) -> PartOfFit:
    """Add to a part what another region's part knows besides; runs of the other get new numbers."""
    after = int(first.runs.index.max()) + 1 if len(first.runs) else 0
    runs = other.runs.set_axis(other.runs.index + after)
    laps = other.laps.assign(run_id=other.laps["run_id"] + after)
    entries = other.known_entries[~other.known_entries["build"].isin(first.known_entries["build"])]
    own, more = first.posterior, other.posterior
    levels, groups = _joined(first.levels, other.levels, own.groups, more.groups, after)
    drivers = _new(first.levels["driver"], other.levels["driver"])
    noise: dict[str, Callable[[], np.ndarray]] = {
        name: partial(own.noise.__getitem__, name) for name in own.noise
    }
    noise["tau"] = partial(_beside, own.noise, more.noise, "tau", drivers)
    names, unknown = _joined(
        first.unknown_names, other.unknown_names, own.unknown, more.unknown, after
    )
    return replace(
        first,
        runs=pd.concat([first.runs, runs]).rename_axis("run_id"),
        laps=pd.concat([first.laps, laps], ignore_index=True),
        levels=levels,
        unknown_names=names,
        posterior=Draws(
            own.run_effects, own.lap_effects, Lazily(groups), own.sds, Lazily(noise),
            Lazily(unknown),
        ),
        known_entries=pd.concat([first.known_entries, entries], ignore_index=True),
        known_levels={**other.known_levels, **first.known_levels},
    )  # fmt: skip


def _joined(
    first: Mapping[str, list[Name]],
    other: Mapping[str, list[Name]],
    own: Mapping[str, np.ndarray],
    more: Mapping[str, np.ndarray],
    after: int,
) -> tuple[dict[str, list[Name]], dict[str, Callable[[], np.ndarray]]]:
    """Names of levels, and how to make their draws."""
    names: dict[str, list[Name]] = {}
    draws: dict[str, Callable[[], np.ndarray]] = {}
    for kind in first:
        theirs = other[kind]
        if kind in BY_RUN:
            theirs = [(str(int(number) + after),) for (number,) in theirs]
        new = _new(first[kind], theirs)
        names[kind] = [*first[kind], *(theirs[k] for k in new)]
        if kind in own or kind in more:
            draws[kind] = partial(_beside, own, more, kind, new)
    return names, draws


def _new(known: list[Name], names: list[Name]) -> list[int]:
    """Places of names that are not known."""
    there = set(known)
    return [k for k, name in enumerate(names) if name not in there]


def _beside(
    own: Mapping[str, np.ndarray], more: Mapping[str, np.ndarray], kind: str, new: list[int]
) -> np.ndarray:
    return np.hstack([own[kind], more[kind][:, new]])
