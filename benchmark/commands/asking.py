"""How a command gets the fit that it answers from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from benchmark.model.fit import KeptFit


def kept_fit(db: Path) -> KeptFit:
    """Open the latest fit, to be asked for what a question needs of it.

    Where laps have come or gone since, that is said on standard error.

    Raises
    ------
    NoStore, StoreBusy, NoFit
        There is no store, another process holds it, or nobody has fitted it.
    """
    from benchmark.store.store import Store

    with Store.open(db) as store:
        fit, version = store.open_fit(), store.data_version()
    if fit.data_version != version:
        typer.echo(
            f"the fit is older than the newest laps: run `benchmark fit --db {db}` to count them",
            err=True,
        )
    return fit
