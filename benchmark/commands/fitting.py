"""`benchmark fit`: the model is fitted to all counted laps and kept in the store."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.commands.progress import progress


class Mode(StrEnum):
    """How thorough a fit is."""

    AUTO = "auto"
    FULL = "full"
    FAST = "fast"


def fit(
    mode: Annotated[
        Mode, typer.Option(help="full integrates everything, fast approximates, auto goes by size.")
    ] = Mode.AUTO,
    seed: Annotated[int, typer.Option(help="Same seed and same laps give the same answer.")] = 1,
    widen: Annotated[
        float, typer.Option(help="Multiply every prior's width, to see what the priors decide.")
    ] = 1.0,
    draws: Annotated[
        int | None,
        typer.Option(
            min=100,
            max=20_000,
            help="How many draws to keep, for a fit that has not settled; by default 800.",
        ),
    ] = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Fit the model to all counted laps and keep it in the store."""
    from benchmark.show.fitting import fit_lines, fit_store

    with progress("fitting") as report:
        found = fit_store(db, report, mode=mode, seed=seed, widen=widen, draws=draws)
    typer.echo("\n".join(fit_lines(found)))
