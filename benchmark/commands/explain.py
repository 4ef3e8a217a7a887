"""`benchmark explain`: why a build was quicker or slower on another day."""

from __future__ import annotations

from typing import Annotated

import typer

from benchmark.commands.asking import kept_fit
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Build, Db, Level
from benchmark.show.output import Format


def explain(
    build: Build,
    from_date: Annotated[str, typer.Option("--from", help="First day, YYYY-MM-DD.")],
    to_date: Annotated[str, typer.Option("--to", help="Second day, YYYY-MM-DD.")],
    circuit: Annotated[str | None, typer.Option(help="Where, if at several places.")] = None,
    layout: Annotated[str | None, typer.Option(help="Which layout, if several.")] = None,
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Split the difference between a build's best laps of two days into its causes.

    Parts by area, tyre, driver, conditions, track and what stays unexplained add up to the
    observed difference. Negative is quicker.
    """
    from benchmark.answers.entries import basis
    from benchmark.answers.explain import explain as answer
    from benchmark.show.gains_words import explain_columns, explain_lines
    from benchmark.show.output import print_record, print_table

    fit = kept_fit(db).part(circuit, [build])
    found = answer(fit, build, from_date, to_date, circuit=circuit, layout=layout, level=level)
    if format is Format.TABLE:
        typer.echo("\n".join(explain_lines(found, level)))
        print_table(explain_columns(found, level))
        return
    place = str(found.after["circuit"]), str(found.after["layout"])
    record = {
        "build": build,
        "circuit": place[0],
        "layout": place[1],
        "from": from_date,
        "to": to_date,
        "from_lap_s": found.before["lap_time_s"],
        "to_lap_s": found.after["lap_time_s"],
        "difference_s": found.difference_s,
        "parts_gain_s": found.bought["gain_s"],
        "parts_low_s": found.bought["low_s"],
        "parts_high_s": found.bought["high_s"],
        "parts": found.parts.to_dict("records"),
    }
    print_record(record | basis(fit, dict(fit.reference(*place))), format)
