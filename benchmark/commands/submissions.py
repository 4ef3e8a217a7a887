"""`benchmark submit` and `benchmark submissions`: what is handed in to a club, and decisions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.commands.progress import progress
from benchmark.errors import BadQuestion, FaultyFile
from benchmark.show.output import Column, Format

if TYPE_CHECKING:
    from benchmark.show.submitting import Looked
    from benchmark.store.evidence import Evidence
    from benchmark.store.submissions import Submission

# Fields of a submission as they are published, with their headings in the table.
FIELDS = {
    "number": "No.",
    "at": "Handed in (UTC)",
    "who": "By",
    "contact": "",
    "file": "File",
    "sha256": "",
    "size": "",
    "laps": "Laps",
    "state": "State",
    "note": "",
    "decided_no": "",
    "decided_by": "Decided by",
    "decided_at": "",
    "reason": "Reason",
    "corrected_sha256": "",
}
Number = Annotated[int, typer.Argument(metavar="NUMBER", help="Which submission.")]
Why = Annotated[str, typer.Option("--reason", help="Why, in words that can be published.")]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Say what it would do, and do nothing.")]


def submit(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A lap table, CSV or Parquet.")],
    evidence: Annotated[
        list[Path] | None,
        typer.Option("--evidence", metavar="FILE", help="What supports it; may be repeated."),
    ] = None,
    contact: Annotated[str, typer.Option(help="How stewards reach you; shown to them alone.")] = "",
    note: Annotated[str, typer.Option(help="What the stewards should know.")] = "",
    mapping: Annotated[
        str | None,
        typer.Option(
            help="Read a foreign sheet: a mapping kept by name, or its .toml file.", metavar="NAME"
        ),
    ] = None,
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Hand in a lap table to a club, for a steward to accept or refuse."""
    from benchmark.show.handing_in import added_lines, check_file
    from benchmark.show.mappings import mapping_named
    from benchmark.show.submitting import as_one_file, handed_in_text, read_bytes, submit

    body = read(file)
    attached = [(path.name, read(path)) for path in evidence or ()]
    through = None if mapping is None else mapping_named(db, mapping)
    with progress(f"reading {file.name}") as report:
        lap_file = read_bytes(body, file.name, report, mapping=through)
    try:
        if through is not None and not lap_file.faults:
            lap_file, body = as_one_file(lap_file, body)
        if dry_run:
            typer.echo(
                "\n".join(added_lines(str(file), check_file(db, lap_file), checked_only=True))
            )
            return
        handed = submit(
            db, lap_file, body, contact=contact, note=note, attached=attached, who=acting(db, as_)
        )
    except FaultyFile as error:
        typer.echo(f"{error}\n{file}: nothing of this file was handed in", err=True)
        raise typer.Exit(2) from error
    typer.echo(handed_in_text(handed))


def list_(
    state: Annotated[
        str | None, typer.Option(help="Only those that are pending, accepted, refused, withdrawn.")
    ] = None,
    as_: As = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """List what was handed in: stewards see all, entrants their own."""
    from benchmark.show.submitting import waiting_text
    from benchmark.store.roles import Role
    from benchmark.store.store import Store
    from benchmark.store.submissions import PENDING, submissions

    with Store.open(db, who=acting(db, as_)) as store:
        found, role = submissions(store, state), store.actor().role
    waiting = [one for one in found if one.state == PENDING]
    if role > Role.VISITOR:
        typer.echo(waiting_text(waiting), err=True)
    elif as_ is None:
        typer.echo("say who you are with `--as NAME` to see what was handed in", err=True)
    else:
        typer.echo(f"{as_} has no role in this club: an owner gives one", err=True)
    _print(found, format)


def show(
    number: Number,
    out: Annotated[
        Path | None, typer.Option(help="Write the file as it was handed in.", metavar="FILE")
    ] = None,
    as_: As = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Show one submission: what it would bring to the store as it is now, or every fault."""
    from benchmark.show.output import print_record
    from benchmark.show.submitting import look

    who = acting(db, as_)
    with progress(f"reading submission {number}") as report:
        looked = look(db, number, who=who, report=report)
    if out is not None:
        from benchmark.store.store import Store
        from benchmark.store.submissions import body_of

        with Store.open(db, who=who) as store:
            write_new(out, body_of(store, number))
    if format is Format.TABLE:
        _print_looked(looked)
    else:
        print_record(_record(looked), format)


def accept(
    number: Number,
    corrected: Annotated[
        Path | None,
        typer.Option("--corrected", metavar="FILE", help="Accept this file in its place."),
    ] = None,
    reason: Why = "",
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Accept a submission: its laps are added, whole or not at all."""
    from benchmark.show.handing_in import added_lines
    from benchmark.show.submitting import accept, look

    who = acting(db, as_)
    given = None if corrected is None else (corrected.name, read(corrected))
    with progress(f"reading submission {number}") as report:
        looked = look(db, number, corrected=given, who=who, report=report)
    if dry_run:
        _print_looked(looked)
    if looked.faults:
        typer.echo("\n".join(map(str, looked.faults)), err=True)
        typer.echo(f"submission {number}: nothing was added", err=True)
        raise typer.Exit(2)
    if not dry_run:
        body = given[1] if given else None
        done = accept(db, looked, reason=reason, corrected=body, who=who)
        typer.echo("\n".join(added_lines(f"submission {number}", done.added)))


def refuse(
    number: Number,
    reason: Why = "",
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Refuse a submission, with the reason; the file is kept."""
    from benchmark.show.submitting import refuse

    _decide(refuse, db, number, as_, reason, "refused", dry_run=dry_run)


def withdraw(
    number: Number,
    reason: Why = "",
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Take back a file that you handed in and that still waits."""
    from benchmark.show.submitting import withdraw

    _decide(withdraw, db, number, as_, reason, "taken back", dry_run=dry_run)


def read(path: Path) -> bytes:
    """Read a file of the user.

    Raises
    ------
    BadQuestion
        It cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadQuestion(f"{path} cannot be read: {error.strerror or error}") from error


def write_new(path: Path, body: bytes) -> None:
    """Write a file that is not there yet.

    Raises
    ------
    BadQuestion
        It is there, or cannot be written.
    """
    try:
        with path.open("xb") as out:
            out.write(body)
    except OSError as error:
        raise BadQuestion(f"{path} cannot be written: {error.strerror or error}") from error


def _decide(
    act: Callable[..., object],
    db: Path,
    number: int,
    as_: str | None,
    reason: str,
    word: str,
    *,
    dry_run: bool,
) -> None:
    """Do it, or say what would be done; `word` says what becomes of the submission."""
    who = acting(db, as_)
    if dry_run:
        found = _waiting(db, number, who)
        typer.echo(f"submission {number} ({found.file}, by {found.who}) would be {word}")
        return
    act(db, number, reason=reason, who=who)
    typer.echo(f"submission {number} is {word}")


def _waiting(db: Path, number: int, who: Any) -> Submission:
    from benchmark.show.submitting import STATE_WORDS
    from benchmark.store.store import Store
    from benchmark.store.submissions import PENDING, submission

    with Store.open(db, who=who) as store:
        found = submission(store, number)
    if found.state != PENDING:
        raise BadQuestion(f"submission {number} does not wait: {STATE_WORDS[found.state]}")
    return found


def _print(found: list[Submission], format: Format) -> None:
    import pandas as pd

    from benchmark.show.output import print_frame

    frame = pd.DataFrame([asdict(one) for one in found], columns=list(FIELDS))
    frame = frame.astype({"decided_no": "Int64"})
    cells = [{name: str(value or "") for name, value in asdict(one).items()} for one in found]
    columns = [
        Column(heading, [row[field] for row in cells])
        for field, heading in FIELDS.items()
        if heading
    ]
    print_frame(frame, format, {}, columns)


def _record(looked: Looked) -> dict[str, object]:
    added = looked.would_be
    return {
        **asdict(looked.submission),
        "laps_added": added.laps_added if added else 0,
        "laps_already_there": added.laps_already_there if added else 0,
        "facts_added": added.facts_added if added else 0,
        "faults": [str(fault) for fault in looked.faults],
        "evidence": [asdict(one) for one in looked.evidence],
    }


def _print_looked(looked: Looked) -> None:
    from benchmark.show.submitting import decision_text, moment, would_be_text
    from benchmark.show.words import shown

    one = looked.submission
    lines = [
        f"submission {one.number}: {one.file}, {moment(one.at)}, by {one.who}",
        f"state: {decision_text(one)}",
        *([f"contact: {one.contact}"] if one.contact else []),
        *([f"note: {one.note}"] if one.note else []),
        *(_evidence_line(file) for file in looked.evidence),
        *would_be_text(looked),
        *map(str, looked.faults),
    ]
    typer.echo("\n".join(shown(line) for line in lines))


def _evidence_line(file: Evidence) -> str:
    named = f"{file.name}, " if file.name else ""
    return f"evidence: {named}{file.kind}, {file.size} bytes, {file.sha256}"
