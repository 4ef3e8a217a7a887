"""`benchmark import`: lap tables are checked and added, each file whole or not at all."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.commands.progress import progress
from benchmark.errors import FaultyFile, NotAllowed

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.intake.mapping import ColumnMapping
    from benchmark.store.roles import SignIn


ProposeSlow = Annotated[
    bool,
    typer.Option(
        "--propose-slow", help="Name the laps that look slow from their times, and add nothing."
    ),
]
AcceptSlow = Annotated[
    bool, typer.Option("--accept-slow", help="Mark the laps that look slow, and add the laps.")
]


def import_(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Lap tables, CSV or Parquet.")
    ],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check the files and add nothing.")
    ] = False,
    mapping: Annotated[
        str | None,
        typer.Option(
            help="Read foreign CSV sheets through this mapping: a kept name or a .toml file.",
            metavar="NAME",
        ),
    ] = None,
    propose_slow: ProposeSlow = False,
    accept_slow: AcceptSlow = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Check lap tables and add them to the store, each file whole or not at all.

    A lap looks slow where it took over 1.07 times the second quickest of its run, or of that
    build's and driver's laps at the place on the tyre.
    """
    from benchmark.show.mappings import mapping_named

    through = mapping_named(db, mapping) if mapping is not None else None
    how = signed(Taking(dry_run, propose_slow, accept_slow, mapping=through), db, as_)
    taken = [take(path, db, how) for path in files]
    if not all(taken):
        raise typer.Exit(2)


HAND_IN = 'a steward takes it in from `benchmark submit FILE` or the page "Hand in laps"'


@dataclass(frozen=True, slots=True)
class Taking:
    """How files are taken in: only checked, slow laps named or marked; by whom; how mapped."""

    dry_run: bool = False
    propose_slow: bool = False
    accept_slow: bool = False
    who: SignIn | None = None
    mapping: ColumnMapping | None = None

    @property
    def checks_only(self) -> bool:
        """Whether nothing is added."""
        return self.dry_run or (self.propose_slow and not self.accept_slow)


def signed(how: Taking, db: Path, name: str | None) -> Taking:
    """Add who acts, asked for a password where the store is a club's and is to be changed."""
    return how if how.checks_only else replace(how, who=acting(db, name))


def take(path: Path, db: Path, how: Taking = Taking()) -> bool:
    """Take one file and say what came of it; each fault is a line of standard error."""
    from benchmark.show.handing_in import read_file

    try:
        with progress(f"reading {path.name}") as report:
            lap_file = read_file(path, report, mapping=how.mapping)
        take_read(str(path), lap_file, db, how)
    except FaultyFile as error:
        typer.echo(str(error), err=True)
        typer.echo(f"{path}: nothing of this file was added", err=True)
        return False
    return True


def take_read(name: str, lap_file: LapFile, db: Path, how: Taking) -> None:
    """Take what was read, called `name` in what is said of it.

    Raises
    ------
    FaultyFile
        The file has faults, or contradicts the store; nothing of it was added.
    """
    from benchmark.intake.slow_laps import as_slow, with_kinds
    from benchmark.show.alike import names_to_ask
    from benchmark.show.handing_in import (
        add_file,
        added_lines,
        check_file,
        proposal_lines,
        slow_proposals,
    )

    for asked in names_to_ask(db, lap_file):
        typer.echo(f"{name}: {asked}", err=True)
    lines = []
    if (how.propose_slow or how.accept_slow) and not lap_file.faults:
        proposals = slow_proposals(db, lap_file)
        lines = proposal_lines(name, proposals, accepted=how.accept_slow)
        if how.accept_slow:
            lap_file = with_kinds(lap_file, as_slow(proposals))
    try:
        added = check_file(db, lap_file) if how.checks_only else add_file(db, lap_file, how.who)
    except NotAllowed as refused:
        raise NotAllowed(f"{refused}; {HAND_IN}") from refused
    typer.echo("\n".join([*lines, *added_lines(name, added, checked_only=how.checks_only)]))
