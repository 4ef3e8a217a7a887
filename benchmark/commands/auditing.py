"""`benchmark audit`: the record is verified, and the store replayed from it."""

from __future__ import annotations

from dataclasses import asdict

import typer

from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.commands.progress import progress
from benchmark.show.output import Format
from benchmark.show.words import count_text


def audit(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Verify the record's chain and replay the store from it; says where it breaks, with exit 2."""
    from benchmark.show.output import print_record
    from benchmark.store.audit import audit as audited
    from benchmark.store.store import Store

    with Store.open(db) as store, progress("audit") as report:
        found = audited(store, report)
    if format is not Format.TABLE:
        print_record(asdict(found), format)
        return
    laps, struck = count_text(found.laps, "lap"), count_text(found.struck, "lap")
    lines = count_text(found.lines, "line")
    typer.echo(f"The record is whole: {lines}, replayed to {laps}, {struck} struck.")
    typer.echo(f"Last hash: {found.last_hash}")
    typer.echo(f"Fingerprint: {found.fingerprint}")
    typer.echo("Compare the last hash with one that was published: it vouches for all before it.")
