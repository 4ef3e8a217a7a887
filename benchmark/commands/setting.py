"""`benchmark settings`: what an owner may set for the whole club."""

from __future__ import annotations

from typing import Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.commands.submissions import DryRun, Why
from benchmark.errors import BadQuestion
from benchmark.show.output import Column, Format


def list_(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Show the settings of a club: what each decides, and its value now."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.store.settings import KNOWN, settings
    from benchmark.store.store import Store

    with Store.open(db) as store:
        now = settings(store)
    rows = [(name, now[name], " or ".join(one.values), one.meaning) for name, one in KNOWN.items()]
    frame = pd.DataFrame(rows, columns=["name", "value", "values", "meaning"])
    headings = ("Setting", "Now", "May be", "Decides")
    columns = [
        Column(heading, frame[field].tolist())
        for heading, field in zip(headings, frame.columns, strict=True)
    ]
    print_frame(frame, format, {}, columns)


def change(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Which setting.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="Its new value.")],
    reason: Why = "",
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Change a setting of a club; only owners may."""
    from benchmark.store.settings import change_setting, settings
    from benchmark.store.store import Store

    if dry_run:
        with Store.open(db) as store:
            now = settings(store)
        if name not in now:
            raise BadQuestion.unknown("setting", name, now)
        typer.echo(f"{name} is {now[name]} and would be {value}")
        return
    with Store.open(db, write=True, who=acting(db, as_)) as store:
        change_setting(store, name, value, reason=reason)
    typer.echo(f"{name} is {value}")
