"""`benchmark correct`, `merge`, `protest` and `undo`: what stewards decide beside striking laps."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, Circuit, Db
from benchmark.commands.ruling import Reason, Steward, day_of
from benchmark.errors import BadQuestion
from benchmark.show.words import count_text

if TYPE_CHECKING:
    from benchmark.store.record import Line
    from benchmark.store.store import Store

DryRun = Annotated[
    bool, typer.Option("--dry-run", help="Say what would change and change nothing.")
]
REFIT = "run `benchmark fit` to answer from it"


def correct(
    build: Annotated[str, typer.Option("--build", help="Whose runs.", metavar="NAME")],
    first: Annotated[
        str, typer.Option("--from", help="First day, as in 2025-03-31.", metavar="DATE")
    ],
    facts: Annotated[
        list[str],
        typer.Option(
            "--set",
            help="A fact and its value, as in mod_engine=2 (empty: not recorded); may be repeated. "
            "Any of driver, driver_level, induction, mod_..., tyre_category, treadwear, "
            "tyre_heat_cycles.",
            metavar="FACT=VALUE",
        ),
    ],
    reason: Reason,
    last: Annotated[
        str | None, typer.Option("--to", help="Last day; by default to the end.", metavar="DATE")
    ] = None,
    steward: Steward = None,
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Correct what a car's stored runs of some days say of it, such as a level of its parts."""
    from benchmark.store import rulings

    days = day_of(first, "--from"), day_of(last, "--to") if last else None
    what = rulings.Correction(build, dict(map(_fact, facts)), *days)

    def ruling(store: Store) -> Line:
        return rulings.correct(store, what, reason=reason, steward=steward, try_only=dry_run)

    line = _decided(db, as_, ruling)
    runs = count_text(json.loads(line.after)["runs"], "run")
    _tell(line, f"{runs} of {build} corrected", dry_run=dry_run)


def merge(
    into: Annotated[str, typer.Option("--into", help="The name that stays.", metavar="NAME")],
    reason: Reason,
    build: Annotated[
        str | None, typer.Option("--build", help="A car's name to give up.", metavar="NAME")
    ] = None,
    driver: Annotated[
        str | None, typer.Option("--driver", help="A driver's name to give up.", metavar="NAME")
    ] = None,
    steward: Steward = None,
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Merge two names of one car, or of one driver; later imports follow, and it can be undone."""
    from benchmark.store import rulings

    if (build is None) == (driver is None):
        raise BadQuestion("name the one to give up by --build or by --driver, one of the two")
    kind, gone = ("build", build) if build is not None else ("driver", driver)

    def ruling(store: Store) -> Line:
        names = (str(gone), into)
        return rulings.merge(store, kind, names, reason=reason, steward=steward, try_only=dry_run)

    line = _decided(db, as_, ruling)
    after = json.loads(line.after)
    parts = [f"{count_text(after['runs_moved'], 'run')} moved"]
    if after.get("runs_joined"):
        aside = count_text(after["laps_set_aside"], "lap")
        parts.append(f"{count_text(after['runs_joined'], 'run')} joined, {aside} that both had "
                     "set aside")  # fmt: skip
    _tell(line, f"{gone} is {after[kind]} now: {', '.join(parts)}", dry_run=dry_run)


def undo(
    number: Annotated[int, typer.Argument(help="Its number in `benchmark rulings`.")],
    reason: Reason,
    steward: Steward = None,
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Undo a line of the record, an import too; what later lines rest on has to be undone first."""
    from benchmark.store import rulings

    def ruling(store: Store) -> Line:
        return rulings.undo(store, number, reason=reason, steward=steward, try_only=dry_run)

    line = _decided(db, as_, ruling)
    action = json.loads(line.subject)["action"]
    _tell(line, f"line {number} ({action}) is undone", dry_run=dry_run)


def _protest(state: str, help: str) -> Callable[..., None]:
    def command(
        circuit: Circuit,
        date: Annotated[
            str, typer.Option("--date", help="The day, as in 2025-03-31.", metavar="DATE")
        ],
        reason: Reason,
        steward: Steward = None,
        dry_run: DryRun = False,
        as_: As = None,
        db: Db = DEFAULT_DB,
    ) -> None:
        from benchmark.store import rulings

        where = circuit, day_of(date, "--date")

        def ruling(store: Store) -> Line:
            return rulings.protest(
                store, state, where, reason=reason, steward=steward, try_only=dry_run
            )

        line = _decided(db, as_, ruling)
        _tell(line, f"the protest period of {circuit} on {date} is {state}", dry_run=dry_run)

    command.__doc__ = help
    return command


protest_open = _protest("open", "Open the protest period of a day at a circuit.")
protest_close = _protest("closed", "Close the protest period: results of that day are final.")


def _decided(db: Path, name: str | None, ruling: Callable[[Store], Line]) -> Line:
    from benchmark.store.store import Store

    with Store.open(db, write=True, who=acting(db, name)) as store:
        return ruling(store)


def _tell(line: Line, done: str, *, dry_run: bool) -> None:
    if dry_run:
        typer.echo(f"nothing was changed; this would be ruling {line.number}: {done}")
        return
    refit = "" if line.action == "protest" else f"; {REFIT}"
    typer.echo(f"ruling {line.number}: {done}{refit}")


def _fact(text: str) -> tuple[str, str]:
    fact, sign, value = text.partition("=")
    if not sign:
        raise BadQuestion(f'--set "{text}": write a fact and its value, as in mod_engine=2')
    return fact.strip(), value.strip()
