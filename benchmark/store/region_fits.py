"""A fit of a large sport by regions: a file for each region's fit, and one that tells of all.

The file is `DIGEST` and the regions' are numbered in `DIGEST.regions/`; the first holds the
digests of the others, so its own vouches for all. The draws of what all cars share are the same in
every region, so parts of two regions can be joined.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pandas as pd

from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.model.fit import Fit
from benchmark.model.fit_part import PartOfFit
from benchmark.model.frame import PLACE
from benchmark.model.joined_parts import joined
from benchmark.model.whole import Whole, merged
from benchmark.store.array_file import ArrayFile, ArrayWriter
from benchmark.store.fit_file import write_fit
from benchmark.store.fit_reader import FitFile
from benchmark.store.region_files import REGIONS_HEAD, folder_of_regions

WHO = ("build", "driver")
CIRCUITS_NAMED = 8


class RegionsWriter:
    """Writes a fit by regions; a context manager that leaves nothing of it after an error."""

    def __init__(self, path: Path) -> None:
        self.path, self._folder = path, folder_of_regions(path)
        self._digests: list[str] = []
        self._ids: list[str] = []
        self._wholes: list[Whole] = []
        self._circuits: list[pd.DataFrame] = []
        self._laps: dict[str, list[pd.Series]] = {who: [] for who in WHO}
        self._warned = 0

    def __enter__(self) -> Self:
        shutil.rmtree(self._folder, ignore_errors=True)
        self._folder.mkdir(mode=0o700)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self.path.unlink(missing_ok=True)

    @property
    def bytes_a_lap(self) -> float:
        """How many bytes the regions so far take on the disk, of each lap."""
        size = sum(path.stat().st_size for path in self._folder.iterdir())
        return size / max(sum(whole.laps for whole in self._wholes), 1)

    def add(self, fit: Fit, worked_out: Mapping[str, Mapping[str, np.ndarray]]) -> None:
        """Write the fit of the next region."""
        path = self._folder / str(len(self._digests))
        self._digests.append(write_fit(fit, worked_out, path))
        with path.open("rb") as file:
            os.fsync(file.fileno())
        self._ids.append(fit.fit_id)
        self._wholes.append(fit.whole)
        self._circuits.append(fit.circuits)
        laps = np.bincount(fit.runs.index.get_indexer(pd.Index(fit.laps["run_id"])))
        for who in WHO:
            self._laps[who].append(pd.Series(laps).groupby(fit.runs[who].to_numpy()).sum())
        self._warned += bool(fit.warnings)

    def finish(self, learnt: Fit, note: str, left_out: Mapping[str, int]) -> str:
        """Write the file that tells of all regions; give its digest.

        Parameters
        ----------
        learnt : the fit that the draws of what all cars share are of.
        note : how the fit was made, in words.
        left_out : number of laps of the folder that were not used, by reason.
        """
        fit_id = hashlib.sha256(" ".join([learnt.fit_id, *self._ids]).encode()).hexdigest()[:12]
        told = f"{self._warned} of {len(self._ids)} regions have cautions, which answers there show"
        meta = {
            **learnt.meta(),
            "fit_id": fit_id,
            "mode_note": note,
            "left_out": dict(left_out),
            "warnings": [told] if self._warned else [],
        }
        circuits = pd.concat(
            [table.assign(region=k) for k, table in enumerate(self._circuits)]
        ).sort_index()
        head = {
            "meta": meta,
            "whole": merged(self._wholes).to_plain(),
            "circuits": circuits.reset_index().to_dict("list"),
            "digests": self._digests,
        }
        with ArrayWriter(self.path) as out:
            out.add(REGIONS_HEAD, np.frombuffer(json.dumps(head).encode(), np.uint8))
            for who in WHO:
                _write_homes(out, who, self._laps[who])
        with self.path.open("rb") as file:
            os.fsync(file.fileno())
        return out.digest


def _write_homes(out: ArrayWriter, who: str, laps: list[pd.Series]) -> None:
    """Write the regions of each name, that with most laps of it first."""
    table = pd.concat(
        [pd.DataFrame({"name": own.index, "laps": own, "region": k}) for k, own in enumerate(laps)],
        ignore_index=True,
    )
    table["name"] = np.char.encode(table["name"].to_numpy(dtype=str), "utf-8")
    table = table.sort_values(["name", "laps", "region"], ascending=[True, False, True])
    names, first = np.unique(table["name"].to_numpy(dtype=np.bytes_), return_index=True)
    out.add(f"names/{who}", names)
    out.add(f"{who}/start", np.append(first, len(table)).astype(np.int64))
    out.add(f"{who}/regions", table["region"].to_numpy(dtype=np.int32))


class RegionFits:
    """A kept fit by regions, open to be read; safe for several threads."""

    def __init__(self, path: Path, digest: str) -> None:
        """Open it; errors are those of `ArrayFile`, or an OSError where there are no regions."""
        os.stat(folder_of_regions(path))
        self._path, self._file = path, ArrayFile(path, digest)
        self._open: dict[int, FitFile] = {}

    @cached_property
    def _head(self) -> dict[str, Any]:
        head: dict[str, Any] = json.loads(self._file.whole(REGIONS_HEAD).tobytes())
        return head

    @cached_property
    def _meta(self) -> dict[str, Any]:
        meta: dict[str, Any] = self._head["meta"]
        return {**meta, "warnings": tuple(meta["warnings"])}

    @property
    def fit_id(self) -> str:
        """The fit's name."""
        return str(self._meta["fit_id"])

    @property
    def created(self) -> str:
        """When it was made, UTC."""
        return str(self._meta["created"])

    @property
    def mode(self) -> str:
        """How it was made."""
        return str(self._meta["mode"])

    @property
    def mode_note(self) -> str:
        """The same in words."""
        return str(self._meta["mode_note"])

    @property
    def data_version(self) -> int:
        """Version of the laps that the fit rests on."""
        return int(self._meta["data_version"])

    @property
    def laps_used(self) -> int:
        """Number of laps that the fit rests on."""
        return self.whole.laps

    @property
    def left_out(self) -> Mapping[str, int]:
        """Laps that it could not use, by reason."""
        left_out: dict[str, int] = self._meta["left_out"]
        return left_out

    @property
    def warnings(self) -> tuple[str, ...]:
        """What its laps cannot tell."""
        warnings: tuple[str, ...] = self._meta["warnings"]
        return warnings

    @cached_property
    def whole(self) -> Whole:
        """Figures of all regions."""
        return Whole.from_plain(self._head["whole"])

    @cached_property
    def _places(self) -> pd.DataFrame:
        return pd.DataFrame(self._head["circuits"]).set_index(PLACE)

    @cached_property
    def circuits(self) -> pd.DataFrame:
        """Every circuit and layout, as `Fit.circuits`."""
        return self._places.drop(columns="region")

    @cached_property
    def _region_of(self) -> dict[str, int]:
        """Region of each circuit."""
        return dict(
            zip(self._places.index.get_level_values(0), self._places["region"], strict=True)
        )

    def _region(self, k: int) -> FitFile:
        """Open the fit of a region.

        Raises
        ------
        BenchmarkError
            It is missing or damaged.
        """
        if k not in self._open:
            path = folder_of_regions(self._path) / str(k)
            try:
                self._open[k] = FitFile(path, self._head["digests"][k])
            except OSError:
                raise BenchmarkError(
                    f"the fit of a region is gone, {path}: if the laps were fitted anew just now, "
                    "ask again, else run `benchmark fit` again"
                ) from None
        return self._open[k]

    def _regions_with(self, who: str, name: str) -> list[int]:
        """Regions where a build or driver has laps, that with the most first."""
        names = self._file.whole(f"names/{who}")
        wanted = name.encode()
        place = int(np.searchsorted(names, wanted))
        if place == len(names) or names[place] != wanted:
            return []
        first, last = self._file.rows(f"{who}/start", place, place + 2)
        regions: list[int] = self._file.rows(f"{who}/regions", int(first), int(last)).tolist()
        return regions

    def places_of(self, build: str) -> list[tuple[str, str]]:
        """Give the circuits and layouts where a build has laps, sorted; errors as `part`."""
        regions = self._regions_with("build", build)
        return sorted(place for k in regions for place in self._region(k).places_of(build))

    def part(
        self, circuit: str | None, builds: Iterable[str] = (), drivers: Iterable[str] = ()
    ) -> PartOfFit:
        """Read the runs at a circuit, and of these builds and drivers anywhere.

        Without a circuit, the region is that with most laps of the first name. Who has laps in
        several regions is as the circuit's region has it. Whatever the fit does not know is passed
        over: the answer will say so.

        Raises
        ------
        BenchmarkError
            A file is missing or damaged.
        """
        asked: dict[int, dict[str, list[str]]] = {}
        for who, names in zip(WHO, (builds, drivers), strict=True):
            for name in names:
                for k in self._regions_with(who, name):
                    asked.setdefault(k, {who: [] for who in WHO})[who].append(name)
        here = self._region_of.get(circuit or "", next(iter(asked), 0))
        own = asked.pop(here, {who: [] for who in WHO})
        part = self._region(here).part(circuit, *own.values())
        for k, names_there in asked.items():
            part = joined(part, self._region(k).part(None, *names_there.values()))
        whole = replace(part, known_whole=self.whole, circuits=self.circuits, is_regional=True)
        return replace(whole, fit_id=self.fit_id, mode_note=self._note_of(here),
                       created=self.created, left_out=self.left_out)  # fmt: skip

    def _note_of(self, region: int) -> str:
        """Say how the fit was made, and which circuits an answer's region has."""
        places = self._places.index.get_level_values(0)[self._places["region"] == region]
        circuits = list(dict.fromkeys(places))
        more = len(circuits) - CIRCUITS_NAMED
        named = ", ".join(circuits[:CIRCUITS_NAMED]) + (f" and {more} more" if more > 0 else "")
        return f"{self.mode_note} The region here: {named}."

    def all(self) -> Fit:
        """Refuse: a fit by regions is asked in parts.

        Raises
        ------
        BadQuestion
            Always.
        """
        raise BadQuestion(
            f"fit {self.fit_id} is by regions, which are not held in memory as one: ask it about a "
            "circuit; new laps count once you fit again with --laps"
        )
