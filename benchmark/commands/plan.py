"""`benchmark plan`: how many laps it takes to see a gain."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from benchmark.commands.asking import kept_fit
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Circuit, Db, Layout
from benchmark.show.output import Format


def plan(
    gain: Annotated[float, typer.Option(help="Size of the gain to be seen, seconds a lap.")],
    circuit: Circuit,
    layout: Layout = "full",
    power: Annotated[float, typer.Option(help="Chance of seeing it where it is there.")] = 0.8,
    alpha: Annotated[float, typer.Option(help="Chance of seeing one that is not there.")] = 0.05,
    laps_a_run: Annotated[
        int | None, typer.Option(help="Clean flying laps of a run; else this store's median.")
    ] = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Say how many back-to-back swaps (A-B-A), runs and laps see a gain of this size."""
    from benchmark.answers.entries import basis
    from benchmark.answers.plan import plan as answer
    from benchmark.show.next_words import plan_columns, plan_lines, waste_columns
    from benchmark.show.output import print_record, print_table

    fit = kept_fit(db).part(circuit)
    found = answer(fit, gain, circuit, layout, power=power, alpha=alpha, laps_a_run=laps_a_run)
    if format is Format.TABLE:
        typer.echo("\n".join(plan_lines(found)))
        print_table(plan_columns(found))
        print_table(waste_columns(found))
        return
    reached = {"power": found.needed["power"], "alpha": found.alpha, "asked_power": found.power}
    record = {
        "gain_s": found.gain_s,
        "typical_lap_s": found.typical_lap_s,
        **{name: int(value) for name, value in found.needed.items() if name != "power"},
        **reached,
        "spreads": asdict(found.spreads),
        "options": found.options.to_dict("records"),
        "wasteful": found.wasteful.to_dict("records"),
    }
    print_record(record | basis(fit, dict(fit.reference(circuit, layout))), format)
