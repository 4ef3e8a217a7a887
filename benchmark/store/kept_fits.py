"""Large fits in files beside the store, named by the digest that stands with the fit in the store.

A file is written as a draft, then moved to its name, then told in the store: a kill in between
leaves a file that nothing names, which the next fit clears away.
"""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from benchmark.errors import NoFit
from benchmark.store.region_files import REGIONS, folder_of_regions

if TYPE_CHECKING:
    from benchmark.model.fit import Fit
    from benchmark.store.fit_reader import FitFile
    from benchmark.store.region_fits import RegionFits

DRAFT = ".draft-"
WorkedOut = Mapping[str, Mapping[str, np.ndarray]]  # arrays by name, by the answer they are of


@dataclass(frozen=True, slots=True)
class Draft:
    """A fit that was written beside its store and is not named there yet."""

    path: Path
    digest: str
    by_region: bool = False

    def drop(self) -> None:
        """Remove it: it could not be kept."""
        self.path.unlink(missing_ok=True)
        shutil.rmtree(folder_of_regions(self.path), ignore_errors=True)


def folder_of(db: Path) -> Path:
    """Give the folder of a store's large fits."""
    return db.with_name(f"{db.name}.fits")


def write_draft(db: Path, fit: Fit, worked_out: WorkedOut) -> Draft:
    """Write a large fit beside a store; nobody sees it before `Store.keep_fit` has named it.

    Raises
    ------
    OSError
        The folder cannot be written to, or the disk is full.
    """
    from benchmark.store.fit_file import write_fit  # scipy is heavy: loaded where needed

    path = draft_path(db)
    shutil.rmtree(folder_of_regions(path), ignore_errors=True)  # what a kill left
    try:
        digest = write_fit(fit, worked_out, path)
        with path.open("rb") as file:
            os.fsync(file.fileno())
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return Draft(path, digest)


def draft_path(db: Path) -> Path:
    """Give the path of this process's draft, in a folder that is made where there is none."""
    folder = folder_of(db)
    folder.mkdir(mode=0o700, exist_ok=True)  # until a fit is kept, whose rights are the store's
    return folder / f"{DRAFT}{os.getpid()}"


def settle(db: Path, draft: Draft) -> None:
    """Give a draft its name, before the store tells of it; whoever may read that may read this."""
    mode = stat.S_IMODE(db.stat().st_mode) & 0o666
    listed = 0o700 | mode | (mode & 0o044) >> 2  # whoever may read a file may list its folder
    named, regions = folder_of(db) / draft.digest, folder_of_regions(draft.path)
    folder_of(db).chmod(listed)
    if draft.by_region:
        for path in regions.iterdir():
            path.chmod(mode)
        regions.chmod(listed)
        shutil.rmtree(folder_of_regions(named), ignore_errors=True)  # the same fit, kept before
        regions.replace(folder_of_regions(named))
    draft.path.chmod(mode)
    draft.path.replace(named)


def by_region(db: Path) -> set[str]:
    """Give the digests of the fits by regions beside a store."""
    return {path.name.removesuffix(REGIONS) for path in folder_of(db).glob(f"*{REGIONS}")}


def hide_from_others(db: Path) -> None:
    """Let only owner and group of the files read the fits, as it is done with the store."""
    folder = folder_of(db)
    for path in (folder, *folder.rglob("*")) if folder.is_dir() else ():
        path.chmod(stat.S_IMODE(path.stat().st_mode) & 0o770)


def clear(db: Path, named: Collection[str]) -> None:
    """Remove the files that the store names no longer; what is in use goes the next time."""
    folder = folder_of(db)
    for path in folder.iterdir() if folder.is_dir() else ():
        if path.name.removesuffix(REGIONS) in named:
            continue
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with suppress(OSError):
                path.unlink()


def open_file(db: Path, digest: str) -> FitFile | RegionFits:
    """Open the file of a large fit, or of one by regions.

    Raises
    ------
    NoFit
        It is not beside the store: only the store was copied, or it comes from a backup.
    BenchmarkError
        It is damaged.
    """
    from benchmark.store.fit_reader import FitFile
    from benchmark.store.region_fits import RegionFits

    path = folder_of(db) / digest
    try:
        file = FitFile(path, digest)
        return RegionFits(path, digest) if file.is_by_region else file
    except OSError:
        raise NoFit(
            f"the fit of {db} is not in {folder_of(db)}, where a large one lies: "
            f"run `benchmark fit --db {db}`"
        ) from None
