"""Parts of two regions' fits joined, to ask of a car what it would do at another region's circuit.

Both were drawn given the same draws of what all cars share, so the k-th draws of both belong
together. What both know is as the first has it. Laps tell the sum of a car's effects better than
each of them, so where the first has other draws of a model or a driver, what the sum then lacks is
added to the car's own effect, and to those of the runs that it was told by.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from benchmark.model.fit import Draws
from benchmark.model.fit_part import Lazily, PartOfFit
from benchmark.model.frame import MODS
from benchmark.model.structure import Name, keys_of, spec_texts

BY_RUN = ("outing", "cycles")  # groups and facts whose levels are named by the number of a run
WHO = ("model", "build", "build_spec", "driver")  # groups that two regions may both know


def joined(first: PartOfFit, other: PartOfFit) -> PartOfFit:
    """Add to a part what another region's part knows besides; runs of the other get new numbers."""
    after = int(first.runs.index.max()) + 1 if len(first.runs) else 0
    runs = other.runs.set_axis(other.runs.index + after)
    laps = other.laps.assign(run_id=other.laps["run_id"] + after)
    entries = other.known_entries[~other.known_entries["build"].isin(first.known_entries["build"])]
    own, more = first.posterior, other.posterior
    levels, groups = _joined(first.levels, other.levels, own.groups, more.groups, after)
    apart = _Apart(first, other)
    groups["build"] = partial(apart.builds, groups["build"])
    groups["outing"] = partial(apart.outings, groups["outing"])
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


@dataclass(frozen=True)
class _Apart:
    """How far the draws of what both parts know lie apart."""

    first: PartOfFit
    other: PartOfFit

    def of(self, group: str, names: Sequence[Name]) -> np.ndarray:
        """The other's draws less the first's, nought where not both know it, (draws, names)."""
        ours, theirs = (
            np.array([part.level_numbers[group].get(name, -1) for name in names], dtype=np.int64)
            for part in (self.first, self.other)
        )
        out = np.zeros((self.first.draws, len(names)))
        both = (ours >= 0) & (theirs >= 0)
        if both.any():
            out[:, both] = self.other.posterior.groups[group][:, theirs[both]]
            out[:, both] -= self.first.posterior.groups[group][:, ours[both]]
        return out

    def builds(self, beside: Callable[[], np.ndarray]) -> np.ndarray:
        """Effects of builds, those that only the other knows with what their sum lacks."""
        draws = beside()
        builds = self.other.levels["build"]
        new = [builds[k] for k in _new(self.first.levels["build"], builds)]
        entry = self.other.known_entries.set_index("build")
        told = entry.reindex([name for (name,) in new])
        for group in ("model", "driver"):
            names = [(str(name),) for name in told[group]]
            draws[:, draws.shape[1] - len(new) :] += self.of(group, names)
        return draws

    def outings(self, beside: Callable[[], np.ndarray]) -> np.ndarray:
        """Effects of outings, those of the other with what their sums lack."""
        draws = beside()
        runs = self.other.runs
        spec = spec_texts(runs[list(MODS)].to_numpy(dtype=float))
        table = runs.assign(spec=spec, run_id=runs.index)
        lacks = sum(self.of(group, keys_of(table, group)) for group in WHO)
        lacks = lacks - self._added(runs)
        outings = self.other.level_numbers["outing"]
        of_run = [outings[name] for name in keys_of(table, "outing")]
        draws[:, draws.shape[1] - len(outings) :][:, of_run] += lacks
        return draws

    def _added(self, runs: pd.DataFrame) -> np.ndarray:
        """What `builds` has added of it already, (draws, runs)."""
        names = sorted(set(runs["build"]))
        known = self.first.level_numbers["build"]
        entry = self.other.known_entries.set_index("build").reindex(names)
        added = sum(
            self.of(group, [(str(name),) for name in entry[group]]) for group in ("model", "driver")
        )
        added = np.where([(name,) in known for name in names], 0.0, added)
        return np.asarray(added[:, pd.Index(names).get_indexer(runs["build"])])


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
