"""Reading parts of a fit that lies in a file beside the store (`fit_file.py` writes it)."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmark.model.design import GROUPS
from benchmark.model.fit import Draws
from benchmark.model.fit_columns import (
    BY_NAME,
    ENTRY_NUMBERS,
    ENTRY_TEXTS,
    RUN_COLUMNS,
    RUN_NUMBERS,
    RUN_TEXTS,
    UNITS,
    UNITS_BY_RUN,
)
from benchmark.model.fit_part import Lazily, PartOfFit
from benchmark.model.frame import MODS
from benchmark.model.structure import spec_texts
from benchmark.model.whole import Whole
from benchmark.store.array_file import ArrayFile
from benchmark.store.region_files import REGIONS_HEAD
from benchmark.trade.classes import AREAS, SURFACES, TYRE_CATEGORIES

FEW_NAMES = 5_000  # of a column, up to which all of them are read
Name = tuple[str, ...]
Numbered = tuple[np.ndarray, list[Name]]  # numbers of levels or units in the fit, and their names


class FitFile:
    """A kept fit, open to be read; safe for several threads."""

    def __init__(self, path: Path, digest: str) -> None:
        """Open it; errors are those of `ArrayFile`."""
        self._file = ArrayFile(path, digest)
        self._texts: dict[str, np.ndarray] = {}

    @property
    def is_by_region(self) -> bool:
        """Whether this file but tells of the fits of regions, which `RegionFits` reads."""
        return REGIONS_HEAD in self._file

    @cached_property
    def _head(self) -> dict[str, Any]:
        head: dict[str, Any] = json.loads(self._file.whole("head").tobytes())
        return head

    @property
    def fit_id(self) -> str:
        """The fit's name."""
        return str(self._head["meta"]["fit_id"])

    @property
    def data_version(self) -> int:
        """Version of the laps that the fit rests on."""
        return int(self._head["meta"]["data_version"])

    @cached_property
    def whole(self) -> Whole:
        """Figures of the whole fit."""
        return Whole.from_plain(self._head["whole"])

    @cached_property
    def circuits(self) -> pd.DataFrame:
        """Every circuit and layout, as `Fit.circuits`."""
        return pd.DataFrame(self._head["circuits"]).set_index(["circuit", "layout"])

    def knows(self, who: str, name: str) -> bool:
        """Say whether a build or driver has laps in the fit; errors as `part`."""
        return bool(self._codes(who, [name])[0] >= 0)

    def places_of(self, build: str) -> list[tuple[str, str]]:
        """Give the circuits and layouts where a build has laps, sorted; errors as `part`."""
        runs = [self._file.rows("build/runs", *ends) for ends in self._ends("build", [build])]
        rows = np.concatenate([np.empty(0, dtype=np.int64), *runs])
        circuits, layouts = (
            self._named(f"names/{name}", self._file.take(f"run/{name}", rows))
            for name in ("circuit", "layout")
        )
        return sorted(set(zip(circuits, layouts, strict=True)))

    def part(
        self, circuit: str | None, builds: Iterable[str] = (), drivers: Iterable[str] = ()
    ) -> PartOfFit:
        """Read the runs at a circuit, and of these builds and drivers anywhere.

        Whatever the fit does not know is passed over: the answer will say so.

        Raises
        ------
        BenchmarkError
            The file is damaged.
        """
        rows = [self._slice("circuit", [circuit] if circuit is not None else [])]
        for who, names in (("build", builds), ("driver", drivers)):
            rows += [self._file.rows(f"{who}/runs", *ends) for ends in self._ends(who, list(names))]
        return self._fit(np.unique(np.concatenate(rows).astype(np.int64)), list(drivers))

    def all(self) -> PartOfFit:
        """Read the whole fit, all of it in memory."""
        return self._fit(np.arange(self._file.length("run/id")), [])

    def _slice(self, who: str, names: list[str]) -> np.ndarray:
        ranges = [np.arange(*ends) for ends in self._ends(who, names)]
        return np.concatenate([np.empty(0, dtype=np.int64), *ranges])

    def _ends(self, who: str, names: list[str]) -> list[tuple[int, int]]:
        starts = self._file.whole(f"{who}/start")
        codes = self._codes(who, names)
        return [(int(starts[k]), int(starts[k + 1])) for k in codes[codes >= 0]]

    def _codes(self, column: str, texts: list[str]) -> np.ndarray:
        """Numbers of names of a column of the runs, -1 for one that it has not."""
        names = self._file.whole(f"names/{column}")
        if not len(names) or not texts:
            return np.full(len(texts), -1)
        wanted = np.char.encode(np.array(texts, dtype=str), "utf-8")
        place = np.minimum(np.searchsorted(names, wanted), len(names) - 1)
        return np.where(names[place] == wanted, place, -1)

    def _named(self, names: str, codes: np.ndarray) -> np.ndarray:
        """Texts for codes, None for -1; each name is one object."""
        if self._file.length(names) > FEW_NAMES:
            some, codes = np.unique(codes, return_inverse=True)
            return self._decoded(self._file.take(names, np.maximum(some, 0)), some < 0)[codes]
        if names not in self._texts:
            known = self._file.whole(names)
            texts = [name.decode() for name in known.tolist()]
            self._texts[names] = np.array([*texts, None], dtype=object)
        return np.asarray(self._texts[names][codes])

    @staticmethod
    def _decoded(names: np.ndarray, missing: np.ndarray) -> np.ndarray:
        out = np.array([name.decode() for name in names.tolist()], dtype=object)
        out[missing] = None
        return out

    def _fit(self, rows: np.ndarray, drivers: list[str]) -> PartOfFit:
        """Put a part together from rows of the file's runs."""
        rows = rows[np.argsort(self._file.take("run/id", rows), kind="stable")]
        runs = self._runs(rows)
        entries, codes = self._entries(runs["build"])
        known = {
            "build": codes,
            "driver": self._present("driver", [*runs["driver"], *entries["driver"], *drivers]),
            "model": self._present("model", [*runs["model"], *entries["model"]]),
        }
        levels = {group: self._levels(group, rows, runs, known) for group in GROUPS}
        spec, names = levels["build_spec"]
        more = self._specs(entries, codes, spec)
        levels["build_spec"] = np.concatenate([spec, more[0]]), [*names, *more[1]]
        unknown = {kind: self._units(kind, rows, runs, known) for kind in UNITS}
        meta = self._head["meta"]
        return PartOfFit(
            **{**meta, "warnings": tuple(meta["warnings"])},
            runs=runs,
            laps=self._laps(rows, runs.index),
            circuits=self.circuits,
            levels={group: own[1] for group, own in levels.items()},
            unknown_names={kind: own[1] for kind, own in unknown.items()},
            posterior=self._draws(levels, unknown),
            known_entries=entries,
            known_whole=self.whole,
            known_levels=self._driver_levels(known["driver"]),
            known_delay=self._file.whole("usual_delay"),
            read_kept=self._kept,
        )

    def _present(self, column: str, texts: Iterable[str | None]) -> np.ndarray:
        codes = self._codes(column, [text for text in dict.fromkeys(texts) if text is not None])
        return np.unique(codes[codes >= 0])

    def _runs(self, rows: np.ndarray) -> pd.DataFrame:
        take = self._file.take
        texts = {
            name: pd.Series(self._named(f"names/{name}", take(f"run/{name}", rows)), dtype=object)
            for name in RUN_TEXTS
        }
        numbers = {name: take(f"run/{name}", rows).astype(float) for name in RUN_NUMBERS}
        columns = {**texts, **numbers, "run": numbers["run"].astype(np.int64)}
        table = pd.DataFrame({name: columns[name] for name in RUN_COLUMNS})
        return table.set_axis(pd.Index(take("run/id", rows), name="run_id"))

    def _laps(self, rows: np.ndarray, run_ids: pd.Index) -> pd.DataFrame:
        starts, ends = (self._file.take("lap/start", rows + more) for more in (0, 1))
        counts = ends - starts
        before = np.cumsum(counts) - counts
        laps = np.arange(counts.sum()) + np.repeat(starts - before, counts)
        columns = {
            name: self._file.take(f"lap/{name}", laps)
            for name in ("lap", "lap_time_s", "timing_u_s")
        }
        columns["lap"] = columns["lap"].astype(np.int64)
        return pd.DataFrame({"run_id": np.repeat(run_ids.to_numpy(), counts), **columns})

    def _entries(self, builds: pd.Series) -> tuple[pd.DataFrame, np.ndarray]:
        """Entries of these builds by name, and their numbers."""
        codes = self._present("build", builds)
        take = self._file.take
        texts = {
            name: pd.Series(
                self._named(f"entry_names/{name}", take(f"entry/{name}", codes)), dtype=object
            )
            for name in ENTRY_TEXTS
        }
        table = pd.DataFrame({**texts, **{n: take(f"entry/{n}", codes) for n in ENTRY_NUMBERS}})
        tyres = [
            {s: TYRE_CATEGORIES[k] for s, k in zip(SURFACES, row, strict=True) if k >= 0}
            for row in take("entry/tyre_by_surface", codes).tolist()
        ]
        return table.assign(tyre_by_surface=pd.Series(tyres, dtype=object)), codes

    def _levels(
        self, group: str, rows: np.ndarray, runs: pd.DataFrame, known: Mapping[str, np.ndarray]
    ) -> Numbered:
        """Levels of a group that the part's runs and entries have."""
        if group in BY_NAME:
            numbers = self._file.take(f"{group}/level", known[group])
            names = self._named(f"names/{group}", known[group])
            order = np.argsort(numbers, kind="stable")  # as the fit has them
            there = order[numbers[order] >= 0]
            return numbers[there], [(name,) for name in names[there]]
        return self._of_runs(f"run/level/{group}", GROUPS[group], rows, runs)

    def _of_runs(
        self, what: str, columns: tuple[str, ...], rows: np.ndarray, runs: pd.DataFrame
    ) -> Numbered:
        numbers, first = np.unique(self._file.take(what, rows), return_index=True)
        first = first[numbers >= 0]
        texts = [_texts(runs, column, first) for column in columns]
        return numbers[numbers >= 0], list(zip(*texts, strict=True))

    def _specs(self, entries: pd.DataFrame, codes: np.ndarray, has: np.ndarray) -> Numbered:
        """Levels of the entries as they stand, of those that no run of the part has."""
        numbers = self._file.take("entry/build_spec", codes)
        new = (numbers >= 0) & ~np.isin(numbers, has)
        specs = spec_texts(entries[list(MODS)].to_numpy(dtype=float)[new]) if new.any() else []
        return numbers[new], list(zip(entries["build"][new], specs, strict=True))

    def _units(
        self, kind: str, rows: np.ndarray, runs: pd.DataFrame, known: Mapping[str, np.ndarray]
    ) -> Numbered:
        """Units of a fact that nobody recorded, of the part's runs, drivers or builds."""
        who = UNITS[kind][0]
        if kind in UNITS_BY_RUN:
            return self._of_runs(f"run/level/unknown/{kind}", UNITS[kind], rows, runs)
        numbers = self._file.take(f"{who}/unknown/{kind}", known[who])
        names = self._named(f"names/{who}", known[who])
        more: list[Name] = [(area,) for area in AREAS] if kind == "levels" else [()]
        row, column = np.nonzero(numbers >= 0)
        order = np.argsort(numbers[row, column], kind="stable")
        row, column = row[order], column[order]
        pairs = zip(row, column, strict=True)
        return numbers[row, column], [(str(names[k]), *more[j]) for k, j in pairs]

    def _draws(self, levels: Mapping[str, Numbered], unknown: Mapping[str, Numbered]) -> Draws:
        def later(name: str, place: str, numbers: np.ndarray) -> Callable[[], np.ndarray]:
            return partial(self._some_draws, name, place, numbers)

        def ready(name: str) -> Callable[[], np.ndarray]:
            return partial(self._file.whole, name)

        def all_of(prefix: str) -> dict[str, Callable[[], np.ndarray]]:
            names = self._file.names(prefix)
            return {name.removeprefix(prefix): ready(name) for name in names}

        noise = all_of("draws/noise/")
        noise["tau"] = later("noise/tau", "driver", levels["driver"][0])
        groups = {g: later(f"groups/{g}", g, own[0]) for g, own in levels.items()}
        units = {k: later(f"unknown/{k}", f"unknown/{k}", own[0]) for k, own in unknown.items()}
        return Draws(
            self._file.whole("draws/run_effects"),
            self._file.whole("draws/lap_effects"),
            Lazily(groups),
            Lazily(all_of("draws/sds/")),
            Lazily(noise),
            Lazily(units),
        )

    def _some_draws(self, name: str, place: str, numbers: np.ndarray) -> np.ndarray:
        """Draws of some levels, shape (draws, levels); a level's draws lie side by side."""
        values = self._file.take(f"draws/{name}", self._file.take(f"place/{place}", numbers))
        n_draws = self._file.length("draws/run_effects")
        return np.broadcast_to(values, (len(numbers), n_draws)).T

    def _driver_levels(self, codes: np.ndarray) -> dict[str, str | None]:
        levels = self._named("driver/told_names", self._file.take("driver/told", codes))
        return dict(zip(self._named("names/driver", codes), levels, strict=True))

    def _kept(self, what: str) -> dict[str, np.ndarray] | None:
        prefix = f"kept/{what}/"
        names = self._file.names(prefix)
        return {n.removeprefix(prefix): self._file.whole(n) for n in names} or None


def _texts(runs: pd.DataFrame, column: str, places: np.ndarray) -> list[str]:
    """Texts of some runs that name a level, as `model.structure.keys_of` has them."""
    if column == "run_id":
        return [str(number) for number in runs.index[places]]
    if column == "spec":
        return spec_texts(np.column_stack([runs[name].to_numpy()[places] for name in MODS]))
    return [str(text) for text in runs[column].to_numpy()[places].tolist()]
