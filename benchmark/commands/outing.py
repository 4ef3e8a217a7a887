"""`benchmark outing`: one outing of one build, its laps pasted as text or found in a trace."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As
from benchmark.commands.column_options import with_columns
from benchmark.commands.importing import AcceptSlow, ProposeSlow, Taking, signed, take_read
from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.errors import BadQuestion, FaultyFile

if TYPE_CHECKING:
    from benchmark.intake.outing import Outing

LONGEST_NAME = 255  # a longer text is no name of a file


@with_columns(
    optional=("model", "tyre_category"),
    left_out=("lap", "lap_time", "lap_kind", "timing_u_s"),
)
def outing(
    *,
    laps: Annotated[
        str | None,
        typer.Option(
            help="Lap times as text in any usual form, a file that holds them, or - for input.",
            metavar="FILE|-|TEXT",
        ),
    ] = None,
    trace: Annotated[
        Path | None, typer.Option(help="A trace that proposes laps, GPX 1.1 or NMEA 0183.")
    ] = None,
    line: Annotated[
        str | None, typer.Option(help="Ends of the timing line: lat,lon,lat,lon in degrees.")
    ] = None,
    first_lap: Annotated[
        int | None,
        typer.Option(help="Number of the first lap: 1 where pasted laps have none, 2 of a trace."),
    ] = None,
    metar: Annotated[
        str | None, typer.Option(help="A METAR of the hour, pasted: fills in the weather.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show how it is understood and add nothing.")
    ] = False,
    propose_slow: ProposeSlow = False,
    accept_slow: AcceptSlow = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
    **columns: str | None,
) -> None:
    """Add one outing: each lap is shown as it was understood, then all are added or none.

    Model, specification, tyre, driver level and the circuit's altitude come from the latest record
    where they are not given; give a new build its model and tyre. Lap times that could mean two
    things are refused with what to write.
    """
    from benchmark.show.outing import called, facts_known, filled

    facts, words = filled(columns, facts_known(db, columns), metar)
    for word in words:
        typer.echo(word, err=True)
    made = _made(facts, db, laps, trace, line, first_lap)
    try:
        how = signed(Taking(dry_run, propose_slow, accept_slow), db, as_)
        take_read(called(facts), made.lap_file, db, how)
    except FaultyFile as error:
        typer.echo(str(error), err=True)
        typer.echo(f"{called(facts)}: nothing of this outing was added", err=True)
        raise typer.Exit(2) from error


def _made(
    facts: dict[str, str],
    db: Path,
    laps: str | None,
    trace: Path | None,
    line: str | None,
    first_lap: int | None,
) -> Outing:
    """Make the outing and show its laps."""
    from benchmark.show.claiming import read_trace_file
    from benchmark.show.outing import (
        outing_from_pasted,
        outing_from_trace,
        passed_over_lines,
        pasted_laps,
        proposed_columns,
        traced_laps,
        understood,
    )
    from benchmark.show.output import print_table

    if (laps is None) == (trace is None):
        raise BadQuestion("give the laps by --laps or by --trace, one of the two")
    if trace is not None:
        file = read_trace_file(trace, line, None)
        layout = facts.get("layout", "full")
        traced = traced_laps(db, file, facts.get("circuit", ""), layout, first_lap)
        print_table(proposed_columns(traced))
        for word in traced.words:
            typer.echo(word, err=True)
        return outing_from_trace(facts, traced)
    pasted = pasted_laps(_text(laps or ""), 1 if first_lap is None else first_lap)
    print_table(understood(pasted))
    for word in passed_over_lines(pasted):
        typer.echo(word, err=True)
    return outing_from_pasted(facts, pasted)


def _text(laps: str) -> str:
    """Read what `--laps` means: input, a file, or the text itself."""
    from benchmark.intake.pasted import LONGEST

    if laps == "-":
        return sys.stdin.read(LONGEST + 1)
    if len(laps) <= LONGEST_NAME and laps.isprintable() and Path(laps).is_file():
        try:
            with Path(laps).open(encoding="utf-8-sig") as file:
                return file.read(LONGEST + 1)
        except (OSError, UnicodeDecodeError) as error:
            why = "is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else error.strerror
            raise BadQuestion(f"{laps}: {why}; save it as UTF-8 text, or paste the laps") from error
    return laps
