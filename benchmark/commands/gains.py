"""`benchmark gains`: what each step buys, in seconds."""

from __future__ import annotations

import typer

from benchmark.commands.asking import kept_fit
from benchmark.commands.options import (
    DEFAULT_DB,
    AnswerFormat,
    Circuit,
    CostsFile,
    Db,
    Layout,
    Level,
    Surface,
)
from benchmark.show.output import Format


def gains(
    circuit: Circuit,
    layout: Layout = "full",
    surface: Surface = "dry",
    costs: CostsFile = None,
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Say what each step of parts, tyres and drivers is worth at a circuit, in seconds a lap.

    Negative is quicker. Builds are counted in the whole store, in a fit by regions in the circuit's
    region. A step that the laps cannot tell from something else carries a warning that names it.
    """
    from benchmark.answers.entries import basis, reference
    from benchmark.answers.gains import gains as answer
    from benchmark.answers.gains import with_costs
    from benchmark.answers.ladders import typical_lap_s
    from benchmark.intake.costs import read_costs
    from benchmark.show.gains_words import gains_columns, gains_sentence
    from benchmark.show.output import print_frame

    priced = None if costs is None else read_costs(costs)
    fit = kept_fit(db).part(circuit)
    found = answer(fit, circuit, layout, surface=surface, level=level)
    table = with_costs(found, priced)
    lap_s = typical_lap_s(fit, circuit, layout, surface)
    stated = reference(fit, circuit, layout, surface=surface) | {"typical_lap_s": lap_s}
    if format is Format.TABLE:
        typer.echo(gains_sentence(table, circuit, layout, lap_s, level))
    print_frame(table, format, basis(fit, stated), gains_columns(table, level))
