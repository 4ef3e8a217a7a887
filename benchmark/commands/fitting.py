"""`benchmark fit`: the model is fitted to all counted laps and kept in the store."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.commands.progress import progress

if TYPE_CHECKING:
    from benchmark.show.fit_job import Job


class Mode(StrEnum):
    """How thorough a fit is."""

    AUTO = "auto"
    FULL = "full"
    FAST = "fast"
    QUICK = "quick"


def fit(
    mode: Annotated[
        Mode,
        typer.Option(
            help="full integrates everything, fast approximates, auto goes by size, quick counts "
            "laps that are new since the last fit at once, all else as that fit has it."
        ),
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
    wait: Annotated[
        bool,
        typer.Option("--wait/--no-wait", help="Wait for a fit of this store that runs already."),
    ] = True,
    laps: Annotated[
        str | None,
        typer.Option(
            "--laps",
            metavar="FILES",
            help="Fit laps in Parquet files instead, such as 'laps/**/*.parquet'.",
        ),
    ] = None,
    by_region: Annotated[
        bool | None,
        typer.Option(
            "--by-region/--whole",
            help="Fit files region by region (circuits that share most of their cars), which keeps "
            "the memory small; by default if they have more than 5,000,000 rows.",
        ),
    ] = None,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Fit the model to all counted laps and keep it in the store."""
    from benchmark.intake.lap_folder import RULINGS
    from benchmark.show.fitting import fit_lines, fit_store

    who = acting(db, as_)
    wait_told = _tell_waiting if wait else None
    with progress("fitting") as report:
        found = fit_store(
            db,
            report,
            mode=mode,
            seed=seed,
            widen=widen,
            draws=draws,
            wait=wait_told,
            files=laps,
            who=who,
            by_region=by_region,
        )
    if laps is not None:
        typer.echo(f"{laps}: {RULINGS}", err=True)
    typer.echo("\n".join(fit_lines(found)))


def _tell_waiting(job: Job | None) -> None:
    far = f" (process {job.pid}: {100 * job.done:.0f} %{job.left})" if job else ""
    typer.echo(f"another fit of this store is running{far}; waiting for its end", err=True)
