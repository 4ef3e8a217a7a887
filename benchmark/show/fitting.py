"""Fitting a store, the same from the command line and from a page, and what came of it in words."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import BadQuestion, BenchmarkError, NoFit
from benchmark.show.fit_job import Job, Report, turn
from benchmark.show.words import count_text
from benchmark.store import opening

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.intake.lap_folder import LapFolder
    from benchmark.model.fit import Fit, Told
    from benchmark.model.frame import ModelFrame
    from benchmark.model.priors import Priors
    from benchmark.store.kept_fits import Draft
    from benchmark.store.roles import SignIn
    from benchmark.store.store import Store

PATIENCE_S = 60.0  # a fit that took minutes waits longer than a page for its turn to be kept
REGION_MODES = ("auto", "fast")
BY_REGION_LAPS = 5_000_000  # more are fitted by regions: as one they would take over 8 GB
LONG_PATIENCE_S = 600.0  # one that may have taken an hour
STALE = "Laps have come or gone since this fit began: fit again to count them."


def fit_store(
    db: Path,
    report: Report,
    *,
    mode: str = "auto",
    seed: int = 1,
    widen: float = 1.0,
    draws: int | None = None,
    who: SignIn | None = None,
    wait: Callable[[Job | None], None] | None = None,
    files: str | None = None,
    quick_first: bool = False,
    by_region: bool | None = None,
) -> Told:
    """Fit the store's counted laps and keep the fit; the store is not held meanwhile.

    Parameters
    ----------
    db : the store.
    report : takes the share done (0 to 1) and what is being done.
    mode, seed, draws : as for `benchmark.model.pace.fit`.
    widen : what every prior's width is multiplied by.
    who : who is signed in.
    wait : is told of the fit that runs already, whose end is then waited for; else that is an
        error.
    files : a pattern of Parquet files whose laps are fitted instead; the store keeps the fit alone,
        and is made where there is none.
    quick_first : laps that have come since the last fit are counted at once by a quick one, which
        is kept until this fit ends.
    by_region : whether the laps of files are fitted region by region; by default if there are more
        than `BY_REGION_LAPS` and the mode leaves it open.

    Raises
    ------
    FaultyFile
        Files of the pattern have faults.
    NoStore, StoreBusy, FitFailed, BadQuestion
        There is no store, another process holds or fits it, its laps cannot be fitted, or `widen`
        is out of bounds.
    NotAllowed
        Whoever is signed in may not.
    FitStopped
        Somebody asked for that.
    """
    from benchmark.intake.lap_folder import look_into
    from benchmark.model.priors import STANDARD_PRIORS
    from benchmark.store.store import Store

    asked = _Asked(db, mode, seed, STANDARD_PRIORS.widened(widen), draws, who)
    if by_region:
        _refuse_regions(files, mode)
    folder = None if files is None else look_into(files)
    if folder is None:
        opening.refuse_missing(db)
    else:
        Store.open(db, create=True, who=who).close()
    with turn(db, report, wait=wait) as (in_turn, finish):
        if folder is not None and _is_by_region(folder, mode, by_region=by_region):
            found, is_stale = _fit_by_region(asked, folder, in_turn)
        else:
            found, is_stale = _fit_whole(asked, folder, in_turn, quick_first=quick_first)
        finish(*fit_lines(found), *([STALE] if is_stale else []))
    return found


@dataclass(frozen=True)
class _Asked:
    """What is asked of a fit, see `fit_store`."""

    db: Path
    mode: str
    seed: int
    priors: Priors
    draws: int | None
    who: SignIn | None


def _refuse_regions(files: str | None, mode: str) -> None:
    """Refuse what cannot be fitted by regions."""
    if files is None:
        raise BadQuestion("a store is fitted whole: --by-region goes with --laps")
    if mode not in REGION_MODES:
        raise BadQuestion(f"regions are fitted in the fast mode: leave out --mode {mode}")


def _is_by_region(folder: LapFolder, mode: str, *, by_region: bool | None) -> bool:
    """Say whether these laps are fitted region by region."""
    large = folder.laps > BY_REGION_LAPS and mode in REGION_MODES
    return large if by_region is None else by_region


def _fit_by_region(asked: _Asked, folder: LapFolder, report: Report) -> tuple[Told, bool]:
    """Fit and keep; say also whether laps came or went meanwhile."""
    from benchmark.show.fitting_regions import fit_regions
    from benchmark.store.kept_fits import folder_of
    from benchmark.store.region_fits import RegionFits
    from benchmark.store.store import Store

    with Store.open(asked.db, who=asked.who) as store:
        store.require("fit")
        version = store.data_version()
    draft = fit_regions(asked.db, folder, report, priors=asked.priors, seed=asked.seed,
                        draws=asked.draws, data_version=version)  # fmt: skip
    version_now = _keep_written(asked, RegionFits(draft.path, draft.digest), draft)
    kept = RegionFits(folder_of(asked.db) / draft.digest, draft.digest)
    return kept, version_now != version


def _fit_whole(
    asked: _Asked, folder: LapFolder | None, report: Report, *, quick_first: bool
) -> tuple[Told, bool]:
    """Fit and keep; say also whether laps came or went meanwhile."""
    from benchmark.model.chain import SMALL, dismiss, prepare
    from benchmark.model.pace import fit
    from benchmark.store.framing import frame_of_folder
    from benchmark.store.store import Store

    mode = asked.mode
    try:
        with Store.open(asked.db, who=asked.who) as store:
            store.require("fit")
            if store.counted() >= SMALL and mode in ("auto", "full"):
                prepare()
            version = store.data_version()
            laps: pd.DataFrame | ModelFrame
            laps = store.counted_laps() if folder is None else frame_of_folder(folder)
            last = _last_fit(store, mode) if quick_first or mode == "quick" else None
        work = partial(fit, laps, priors=asked.priors, seed=asked.seed, data_version=version)
        if mode == "quick":
            work = partial(work, last=last)
        if quick_first and last is not None and last.data_version != version:
            report(0.0, "counting the new laps")
            with suppress(BadQuestion):  # too much is new, say: the next fit counts it
                _keep(asked, work(mode="quick", last=last), report)
        last = None  # a large one would take memory that the next needs
        found = work(mode=mode, draws=asked.draws, progress=report)
    finally:
        dismiss()
    return found, _keep(asked, found, report) != version


def _last_fit(store: Store, mode: str) -> Fit | None:
    """Give the latest fit; one that cannot be read is as none, unless it is to be gone on from."""
    try:
        return store.latest_fit()
    except NoFit:
        return None
    except (BenchmarkError, ValueError):
        if mode == "quick":
            raise
        return None


def _keep(asked: _Asked, found: Fit, report: Report) -> int:
    """Keep a fit; return the version of the laps that the store has by now."""
    from benchmark.answers.worked_out import worked_out
    from benchmark.store.kept_fits import write_draft

    if found.is_large:
        kept = worked_out(found, lambda _, what: report(1.0, what))
        return _keep_written(asked, found, write_draft(asked.db, found, kept))
    with _to_keep(asked) as store:
        store.keep_fit(found)
        return store.data_version()


def _keep_written(asked: _Asked, found: Told, draft: Draft) -> int:
    try:
        with _to_keep(asked, LONG_PATIENCE_S) as store:
            store.keep_written_fit(found, draft)
            return store.data_version()
    except BaseException:
        draft.drop()
        raise


def _to_keep(asked: _Asked, patience_s: float = PATIENCE_S) -> Store:
    from benchmark.store.store import Store

    return Store.open(asked.db, write=True, who=asked.who, patience_s=patience_s)


def fit_lines(fit: Told) -> list[str]:
    """Say what a fit rests on: its laps, its mode, laps left out by reason, cautions."""
    laps = count_text(fit.laps_used, "counted lap")
    builds = count_text(len(fit.whole.names["build"]), "build")
    first = f"Fit {fit.fit_id} on {laps} of {builds}, {fit.mode} mode. {fit.mode_note}".rstrip()
    left_out = [f"Left out, {why}: {count_text(n, 'lap')}." for why, n in fit.left_out.items()]
    return [first, *left_out, *(f"Caution: {warning}" for warning in fit.warnings)]
