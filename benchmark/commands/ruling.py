"""`benchmark strike`, `unstrike` and `rulings`: a steward's decisions on laps, and their record."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from datetime import date as Date  # noqa: N812 - `date` is the option's name
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Circuit, Db, Layout
from benchmark.errors import BadQuestion
from benchmark.show.output import Column, Format

if TYPE_CHECKING:
    from benchmark.store.record import Line

Day = Annotated[str, typer.Option("--date", help="Day of the lap, as in 2025-03-31.")]
Session = Annotated[str, typer.Option("--session", help="Session of the lap, such as S1.")]
Build = Annotated[str, typer.Option("--build", help="The car that drove it.")]
Lap = Annotated[int, typer.Option("--lap", help="Number of the lap within its run.")]
Run = Annotated[int, typer.Option("--run", help="Which outing within the session.")]
Steward = Annotated[
    str | None, typer.Option("--steward", help="Who decides; by default who is signed in.")
]
Reason = Annotated[str, typer.Option("--reason", help="Why, in words that can be published.")]


# Fields of the record as they are published, with their headings in the table.
FIELDS = {
    "number": "No.",
    "at": "At (UTC)",
    "who": "Who",
    "role": "Role",
    "action": "Decision",
    "subject": "About",
    "reason": "Reason",
    "undone_by": "Undone by",
    "before": "",
    "after": "",
    "hash": "",
}


def _ruling(action: str, help: str) -> Callable[..., None]:
    """Make the command of one kind of ruling; both ask for the same."""

    def command(
        circuit: Circuit,
        date: Day,
        session: Session,
        build: Build,
        lap: Lap,
        reason: Reason,
        steward: Steward = None,
        layout: Layout = "full",
        run: Run = 1,
        as_: As = None,
        db: Db = DEFAULT_DB,
    ) -> None:
        from benchmark.store.store import Store

        key = _key(circuit, layout, date, session, build, run, lap)
        with Store.open(db, write=True, who=acting(db, as_)) as store:
            decide = store.strike if action == "strike" else store.unstrike
            ruling = decide(key, steward=steward, reason=reason)
        typer.echo(_told(ruling))

    command.__doc__ = help
    return command


strike = _ruling("strike", "Take one lap out of the count, with the steward's reason.")
unstrike = _ruling("unstrike", "Put a struck lap back into the count, with the steward's reason.")


def rulings(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Show the record: who changed what, when and why, oldest first."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.store.rulings import undone as undone_lines
    from benchmark.store.store import Store

    with Store.open(db) as store:
        lines, undone = store.record(), undone_lines(store)
    told = [{**asdict(line), "undone_by": undone.get(line.number)} for line in lines]
    frame = pd.DataFrame(told, columns=list(FIELDS), dtype=object)
    columns = [
        Column(heading, [_cell(field, cell) for cell in frame[field]])
        for field, heading in FIELDS.items()
        if heading
    ]
    print_frame(frame, format, {}, columns)


def _cell(field: str, value: object) -> str:
    if field == "subject":
        return _about(json.loads(str(value)))
    return "" if value is None else str(value)


def _about(subject: dict[str, Any]) -> str:
    """Say in words what a line is about; what only programs need is left to the other formats."""
    if "file" in subject:
        return f"{subject['file']}"
    told = {name: value for name, value in subject.items() if value is not None}
    return ", ".join(
        f"{name} ({_about(value)})" if isinstance(value, dict) else f"{name} {value}"
        for name, value in told.items()
    )


def day_of(text: str, option: str) -> Date:
    """Read a day as an option gives it.

    Raises
    ------
    BadQuestion
        It is none.
    """
    try:
        return Date.fromisoformat(text)
    except ValueError:
        raise BadQuestion(f'{option} "{text}": write it as in 2025-03-31') from None


def _key(
    circuit: str, layout: str, date: str, session: str, build: str, run: int, lap: int
) -> dict[str, str | int | Date]:
    day = day_of(date, "date")
    return {
        "circuit": circuit,
        "layout": layout,
        "date": day,
        "session": session,
        "build": build,
        "run": run,
        "lap": lap,
    }


def _told(ruling: Line) -> str:
    done = "struck: it counts no more" if ruling.action == "strike" else "counts again"
    return f"ruling {ruling.number}: the lap {done}; run `benchmark fit` to answer from it"
