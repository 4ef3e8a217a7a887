"""`benchmark demo`: an invented season, from its lap tables to the app."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.fitting import fit
from benchmark.commands.importing import take
from benchmark.commands.leaderboard import show_board
from benchmark.commands.options import Port
from benchmark.commands.serving import serve
from benchmark.errors import BadQuestion, NoFit
from benchmark.show.shipped import shipped

if TYPE_CHECKING:
    from benchmark.model.fit import Fit

DEMO_DB = Path("demo.duckdb")
SEASON = "laps-*.csv"


def demo(
    no_app: Annotated[
        bool, typer.Option("--no-app", help="Stop after the leaderboards, before the app.")
    ] = False,
    port: Port = None,
    db: Annotated[
        Path, typer.Option("--db", metavar="PATH", help="The store of the demo.")
    ] = DEMO_DB,
) -> None:
    """Import an invented season, fit it, print its leaderboards and serve the app."""
    season = sorted(shipped("datasets").glob(SEASON))
    refuse_other_laps(db, season)
    for path in season:
        take(path, db)
    found = current_fit(db)
    places = found.runs[["circuit", "layout"]].drop_duplicates().sort_values(["circuit", "layout"])
    question = {"adjust": "conditions", "surface": "dry", "level": 0.9}
    for circuit, layout in places.itertuples(index=False):
        typer.echo("")
        show_board(found, (circuit, layout), question)
    if not no_app:
        serve(db, port)


def refuse_other_laps(db: Path, season: list[Path]) -> None:
    """Refuse a store that holds any lap that is not of the demo season.

    Raises
    ------
    BadQuestion
        There are such laps; nothing was changed.
    """
    from benchmark.intake.laptable import read_lap_table
    from benchmark.store.store import Store

    if not db.exists():
        return
    files = [read_lap_table(path) for path in season]
    with Store.open(db) as store:
        known = sum(store.check(lap_file).laps_already_there for lap_file in files)
        others = len(store.accepted_laps()) - known
    if others:
        laps = "1 lap that is" if others == 1 else f"{others:,} laps that are"
        raise BadQuestion(f"{db} holds {laps} not of the demo: name another store with `--db`")


def current_fit(db: Path) -> Fit:
    """Give the store's fit, made now where there is none or laps have come since."""
    from benchmark.store.store import Store

    with Store.open(db) as store:
        try:
            found = store.latest_fit()
        except NoFit:
            found = None
        if found is not None and found.data_version == store.data_version():
            return found
    fit(db=db)
    with Store.open(db) as store:
        return store.latest_fit()
