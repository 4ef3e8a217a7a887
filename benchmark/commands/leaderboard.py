"""`benchmark leaderboard`: who is quickest, as timed and at equal conditions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchmark.commands.asking import kept_fit
from benchmark.commands.options import (
    DEFAULT_DB,
    AnswerFormat,
    Circuit,
    Db,
    Layout,
    Level,
    Surface,
)
from benchmark.show.output import Format
from benchmark.show.report import report_ending

if TYPE_CHECKING:
    from benchmark.model.fit import Fit


def leaderboard(
    circuit: Circuit,
    layout: Layout = "full",
    model: Annotated[str | None, typer.Option(help="Only entries of this model.")] = None,
    in_class: Annotated[
        str | None, typer.Option("--class", help="Only entries of this class.")
    ] = None,
    tyre: Annotated[
        str | None, typer.Option(help="Only entries whose latest tyre is of this category.")
    ] = None,
    adjust: Annotated[
        str,
        typer.Option(
            help="What is made equal: conditions | conditions,tyre | conditions,tyre,driver."
        ),
    ] = "conditions",
    surface: Surface = "dry",
    level: Level = 0.9,
    report: Annotated[
        Path | None, typer.Option(help="Also write the board to this .html or .pdf file.")
    ] = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Rank the entries at a circuit, as timed and at equal conditions."""
    if report is not None:
        report_ending(report)
    filters = {"model": model, "in_class": in_class, "tyre": tyre}
    show_board(
        kept_fit(db).part(circuit),
        (circuit, layout),
        filters | {"adjust": adjust, "surface": surface, "level": level},
        format=format,
        report=report,
    )


def show_board(
    fit: Fit,
    where: tuple[str, str],
    question: dict[str, Any],
    *,
    format: Format = Format.TABLE,
    report: Path | None = None,
) -> None:
    """Answer one question for a leaderboard and print it."""
    from benchmark.answers.entries import basis, reference
    from benchmark.answers.leaderboard import leaderboard as answer
    from benchmark.show.board import board_columns, board_lines
    from benchmark.show.output import print_frame

    board = answer(fit, *where, **question)
    stated = reference(fit, *where, surface=question["surface"], adjust=question["adjust"])
    level = question["level"]
    first, moved, rests_on = board_lines(board, stated, fit, where, level)
    if report is not None:
        _write_report(board, stated, fit, where, level, report)
    if format is Format.TABLE:
        typer.echo(first)
    print_frame(board, format, basis(fit, stated), board_columns(board, level))
    if format is Format.TABLE:
        _print_lines("What equal conditions change:", [" ".join(told) for told in moved])
        _print_lines("What this rests on:", rests_on)


def _print_lines(heading: str, lines: list[str]) -> None:
    if lines:
        typer.echo("\n".join([heading, *(f"  {line}" for line in lines), ""]))


def _write_report(
    board: Any, stated: dict[str, object], fit: Fit, where: tuple[str, str], level: float, to: Path
) -> None:
    from benchmark.show.report import write_report
    from benchmark.show.sheets import board_sheet

    write_report(board_sheet(board, stated, fit, where, level=level), to)
    typer.echo(f"report written to {to}", err=True)
