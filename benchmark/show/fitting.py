"""Fitting a store, the same from the command line and from a page, and what came of it in words."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import BadQuestion, BenchmarkError, NoFit
from benchmark.show.fit_job import Job, Report, turn
from benchmark.show.words import count_text
from benchmark.store import opening

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.model.fit import Fit
    from benchmark.model.frame import ModelFrame
    from benchmark.store.roles import SignIn
    from benchmark.store.store import Store

PATIENCE_S = 60.0  # a fit that took minutes waits longer than a page for its turn to be kept
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
) -> Fit:
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
    from benchmark.model.chain import SMALL, dismiss, prepare
    from benchmark.model.pace import fit
    from benchmark.model.priors import STANDARD_PRIORS
    from benchmark.store.framing import frame_of_folder
    from benchmark.store.store import Store

    priors = STANDARD_PRIORS.widened(widen)
    folder = None if files is None else look_into(files)
    if folder is None:
        opening.refuse_missing(db)
    else:
        Store.open(db, create=True, who=who).close()
    with turn(db, report, wait=wait) as (in_turn, finish):
        try:
            with Store.open(db, who=who) as store:
                store.require("fit")
                if store.counted() >= SMALL and mode in ("auto", "full"):
                    prepare()
                version = store.data_version()
                laps: pd.DataFrame | ModelFrame
                laps = store.counted_laps() if folder is None else frame_of_folder(folder)
                last = _last_fit(store, mode) if quick_first or mode == "quick" else None
            asked = partial(fit, laps, priors=priors, seed=seed, data_version=version)
            if mode == "quick":
                asked = partial(asked, last=last)
            if quick_first and last is not None and last.data_version != version:
                in_turn(0.0, "counting the new laps")
                with suppress(BadQuestion):  # too much is new, say: the next fit counts it
                    _keep(db, asked(mode="quick", last=last), in_turn, who)
            last = None  # a large one would take memory that the next needs
            found = asked(mode=mode, draws=draws, progress=in_turn)
        finally:
            dismiss()
        is_stale = _keep(db, found, in_turn, who) != version
        finish(*fit_lines(found), *([STALE] if is_stale else []))
    return found


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


def _keep(db: Path, found: Fit, report: Report, who: SignIn | None) -> int:
    """Keep a fit; return the version of the laps that the store has by now."""
    from benchmark.answers.worked_out import worked_out
    from benchmark.store.kept_fits import write_draft
    from benchmark.store.store import Store

    draft = None
    if found.is_large:
        draft = write_draft(db, found, worked_out(found, lambda _, what: report(1.0, what)))
    with Store.open(db, write=True, who=who, patience_s=PATIENCE_S) as store:
        store.keep_fit(found, draft)
        return store.data_version()


def fit_lines(fit: Fit) -> list[str]:
    """Say what a fit rests on: its laps, its mode, laps left out by reason, cautions."""
    laps, builds = count_text(fit.laps_used, "counted lap"), count_text(len(fit.entries), "build")
    first = f"Fit {fit.fit_id} on {laps} of {builds}, {fit.mode} mode. {fit.mode_note}".rstrip()
    left_out = [f"Left out, {why}: {count_text(n, 'lap')}." for why, n in fit.left_out.items()]
    return [first, *left_out, *(f"Caution: {warning}" for warning in fit.warnings)]
