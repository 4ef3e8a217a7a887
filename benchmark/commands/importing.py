"""`benchmark import`: lap tables are checked and added, each file whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.commands.progress import progress
from benchmark.errors import FaultyFile


def import_(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Lap tables, CSV or Parquet.")
    ],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check the files and add nothing.")
    ] = False,
    db: Db = DEFAULT_DB,
) -> None:
    """Check lap tables and add them to the store, each file whole or not at all."""
    taken = [take(path, db, dry_run=dry_run) for path in files]
    if not all(taken):
        raise typer.Exit(2)


def take(path: Path, db: Path, *, dry_run: bool = False) -> bool:
    """Take one file and say what came of it; each fault is a line of standard error."""
    from benchmark.show.handing_in import add_file, added_lines, check_file, read_file

    try:
        with progress(f"reading {path.name}") as report:
            lap_file = read_file(path, report)
        added = check_file(db, lap_file) if dry_run else add_file(db, lap_file)
    except FaultyFile as error:
        typer.echo(str(error), err=True)
        typer.echo(f"{path}: nothing of this file was added", err=True)
        return False
    typer.echo("\n".join(added_lines(str(path), added, checked_only=dry_run)))
    return True
