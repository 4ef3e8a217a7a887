"""`benchmark claim`, `claims` and `timing-line`: is this lap the fastest of its class."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.asking import kept_fit
from benchmark.commands.column_options import with_columns
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Circuit, Db, Layout, Level
from benchmark.show.output import Format
from benchmark.show.report import report_ending

if TYPE_CHECKING:
    from benchmark.answers.claim import ClaimAnswer

SCOPE_HELP = "What a rival shares: model | model,class | model,class,tyre | class | class,tyre."


@with_columns(optional=("session", "lap"))
def claim(
    *,
    scope: Annotated[str, typer.Option(help=SCOPE_HELP)] = "model,class",
    claimed_class: Annotated[
        str | None,
        typer.Option("--claimed-class", "--class", help="The class that the claim was made in."),
    ] = None,
    claimed_tyre: Annotated[
        str | None, typer.Option(help="The tyre category that the claim was made in.")
    ] = None,
    laps: Annotated[
        int | None, typer.Option(help="Of how many flying laps of that day it is the best.")
    ] = None,
    metar: Annotated[
        str | None, typer.Option(help="A METAR of the hour, pasted: fills in the weather.")
    ] = None,
    trace: Annotated[
        Path | None, typer.Option(help="A trace of the lap, GPX 1.1 or NMEA 0183.")
    ] = None,
    line: Annotated[
        str | None, typer.Option(help="Ends of the timing line: lat,lon,lat,lon in degrees.")
    ] = None,
    layout_length_m: Annotated[
        float | None, typer.Option(help="Length of the layout in metres, to check the trace.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the claim and its verdict in the store.")
    ] = False,
    report: Annotated[
        Path | None, typer.Option(help="Also write the answer to this .html or .pdf file.")
    ] = None,
    level: Level = 0.9,
    as_: As = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
    **columns: str | None,
) -> None:
    """Check whether a lap is the fastest of its class: verdict, margins, what overturns it.

    Verdicts: stands; stands-as-timed (not shown at equal conditions); too-close (within timing
    error); does-not-stand; cannot-compare. The rules stand in each answer and in the README.
    """
    from benchmark.answers.claim import check_claim
    from benchmark.show.claiming import (
        add_evidence,
        digest_of,
        make_claim,
        part_for,
        read_trace_file,
    )
    from benchmark.show.claiming import keep as keep_answer

    if report is not None:
        report_ending(report)
    made = make_claim(columns, scope=scope, claimed_class=claimed_class, claimed_tyre=claimed_tyre,
                      flying_laps=laps, metar=metar)  # fmt: skip
    if trace is not None:
        made = add_evidence(db, made, read_trace_file(trace, line, layout_length_m))
    answer = check_claim(part_for(kept_fit(db), made), made, level=level)
    _print_answer(answer, format)
    if report is not None:
        _write(answer, report)
    if keep:
        digest = digest_of(columns.get("evidence"))
        number = keep_answer(db, answer, digest, who=acting(db, as_))
        typer.echo(f"kept as claim {number}; `benchmark claims` checks it again", err=True)


def _print_answer(answer: ClaimAnswer, format: Format) -> None:
    from benchmark.show.claim_sheet import claim_text, figure_columns, finding_columns, rests_on
    from benchmark.show.output import plain, print_table, to_csv, to_json

    if format is Format.TABLE:
        typer.echo("\n".join([*claim_text(answer), ""]))
        print_table(figure_columns(answer))
        print_table(finding_columns(answer))
        typer.echo("\n".join(["What this rests on:", *(f"  {one}" for one in rests_on(answer))]))
        return
    record = plain(answer.record())
    text = to_json(record) if format is Format.JSON else to_csv([record], list(record))
    typer.echo(text.rstrip("\n"))


def _write(answer: ClaimAnswer, to: Path) -> None:
    from benchmark.show.claim_sheet import claim_sheet
    from benchmark.show.report import write_report

    write_report(claim_sheet(answer), to)
    typer.echo(f"report written to {to}", err=True)


def claims(
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the checks of now beside the earlier ones.")
    ] = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Check every kept claim again with the latest fit, and show where a verdict changed."""
    from benchmark.show.claim_list import recheck_columns, recheck_frame
    from benchmark.show.claiming import keep_checks, recheck
    from benchmark.show.output import print_frame

    checks = recheck(db, kept_fit(db))
    frame = recheck_frame(checks)
    print_frame(frame, format, {}, recheck_columns(frame))
    if keep:
        keep_checks(db, checks, who=acting(db, as_))


def timing_line(
    circuit: Circuit,
    line: Annotated[str, typer.Option(help="Ends of the timing line: lat,lon,lat,lon in degrees.")],
    layout: Layout = "full",
    length_m: Annotated[
        float | None, typer.Option(help="Length of the layout in metres.", min=50)
    ] = None,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Keep the timing line of a layout, which traces of claims are then held to."""
    from benchmark.answers.entries import check_known
    from benchmark.intake.crossing import TimingLine
    from benchmark.store.claims import StoredLine, keep_line
    from benchmark.store.store import Store

    read = TimingLine.parse(line)
    with Store.open(db, write=True, who=acting(db, as_)) as store:
        check_known("circuit", circuit, store.names("circuit"))
        check_known(f"layout of {circuit}", layout, store.layouts(circuit))
        keep_line(store, circuit, layout, StoredLine(str(read), length_m))
    typer.echo(f"timing line of {circuit}, layout {layout}, kept: {read.length_m:.1f} m across")
