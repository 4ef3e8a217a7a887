"""`benchmark advise` and `coach`: the next step of a build, and what to record or run next."""

from __future__ import annotations

from typing import Annotated

import typer

from benchmark.commands.asking import kept_fit
from benchmark.commands.options import (
    DEFAULT_DB,
    AnswerFormat,
    Build,
    Circuit,
    CostsFile,
    Db,
    Layout,
    Level,
    Surface,
)
from benchmark.show.output import Format


def advise(
    build: Build,
    circuit: Circuit,
    layout: Layout = "full",
    surface: Surface = "dry",
    costs: CostsFile = None,
    budget: Annotated[
        float | None, typer.Option(help="Only steps that cost no more, in the costs' currency.")
    ] = None,
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Rank the steps still open to a build, with the class and place that each leads to.

    Parts must be fitted by competent people and the car kept within the local vehicle code.
    """
    from benchmark.answers.advise import advise as answer
    from benchmark.answers.entries import basis, reference
    from benchmark.intake.costs import read_costs
    from benchmark.show.next_words import advise_columns
    from benchmark.show.output import print_frame

    priced = None if costs is None else read_costs(costs)
    fit = kept_fit(db).part(circuit, [build])
    table = answer(fit, build, circuit, layout, surface=surface, costs=priced, budget=budget,
                   level=level)  # fmt: skip
    stated = reference(fit, circuit, layout, surface=surface)
    print_frame(table, format, basis(fit, stated), advise_columns(table, level))


def coach(
    build: Build,
    circuit: Circuit,
    layout: Layout = "full",
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Say which missing facts and which outing would narrow a build's interval most."""
    from benchmark.answers.coach import coach as answer
    from benchmark.answers.entries import basis, reference
    from benchmark.show.next_words import coach_columns
    from benchmark.show.output import print_frame

    fit = kept_fit(db).part(circuit, [build])
    table = answer(fit, build, circuit, layout, level=level)
    print_frame(table, format, basis(fit, reference(fit, circuit, layout)), coach_columns(table))
