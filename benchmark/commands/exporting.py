"""`benchmark export`: the accepted laps as a lap table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.errors import BadQuestion


def export(
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FILE", help="The lap table: .csv or .parquet; or a new folder."
        ),
    ],
    partitioned: Annotated[
        bool,
        typer.Option(
            "--partitioned",
            help="Write a folder of Parquet files by circuit and year, for `fit --laps`.",
        ),
    ] = False,
    db: Db = DEFAULT_DB,
) -> None:
    """Write the accepted laps back as a lap table, or as a folder of them."""
    from benchmark.show.words import count_text
    from benchmark.store.store import Store

    with Store.open(db) as store:
        try:
            written = (store.export_folder if partitioned else store.export)(out)
        except OSError as error:
            raise BadQuestion(f"cannot write {out}: {error.strerror or error}") from error
    typer.echo(f"{out}: {count_text(written, 'lap')} written")
