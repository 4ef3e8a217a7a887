"""`benchmark evidence`: files that support a submission or a claim, kept by their digest."""

from __future__ import annotations

from dataclasses import asdict, fields
from pathlib import Path
from typing import Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.commands.submissions import DryRun, read
from benchmark.errors import BadQuestion
from benchmark.show.output import Column, Format

OfSubmission = Annotated[
    int | None, typer.Option("--submission", metavar="NUMBER", help="Of this submission.")
]
OfClaim = Annotated[int | None, typer.Option("--claim", metavar="NUMBER", help="Of this claim.")]


def add(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="PDF, PNG, JPEG, CSV, GPX or NMEA text."),
    ],
    submission: OfSubmission = None,
    claim: OfClaim = None,
    dry_run: DryRun = False,
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Attach files to a submission or to a kept claim; what they are is told by what they hold."""
    from benchmark.intake.evidence import kind_of
    from benchmark.store.evidence import add_evidence
    from benchmark.store.store import Store

    about, number = _about(submission, claim)
    if about is None or number is None:
        raise BadQuestion("say what the files support: `--submission NUMBER` or `--claim NUMBER`")
    bodies = [(path, read(path)) for path in files]
    kinds = [kind_of(body, name=path.name) for path, body in bodies]
    if dry_run:
        for path, kind in zip(files, kinds, strict=True):
            typer.echo(f"{path}: {kind}, would be attached to {about} {number}")
        return
    with Store.open(db, write=True, who=acting(db, as_)) as store:
        for path, body in bodies:
            one = add_evidence(store, about, number, body, name=path.name)
            typer.echo(f"{path}: {one.kind}, attached to {about} {number} as {one.sha256}")


def list_(
    submission: OfSubmission = None,
    claim: OfClaim = None,
    as_: As = None,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """List the evidence: that of submissions for those who may see them, that of claims for all."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.store.evidence import Evidence, evidence
    from benchmark.store.store import Store

    with Store.open(db, who=acting(db, as_)) as store:
        found = evidence(store, *_about(submission, claim))
    names = [field.name for field in fields(Evidence)]
    frame = pd.DataFrame([asdict(one) for one in found], columns=names)
    columns = [
        Column("Of", [f"{one.about} {one.about_no}" for one in found]),
        Column("File", [one.name for one in found]),
        Column("Kind", [one.kind for one in found]),
        Column("Bytes", [str(one.size) for one in found], right=True),
        Column("By", [one.who for one in found]),
        Column("SHA-256", [one.sha256 for one in found]),
    ]
    print_frame(frame, format, {}, columns)


def verify(as_: As = None, db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Read every file of evidence and compare it with its digest."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.store.evidence import Verified, verify
    from benchmark.store.store import Store

    with Store.open(db, who=acting(db, as_)) as store:
        found = verify(store)
    names = [field.name for field in fields(Verified)]
    frame = pd.DataFrame([asdict(one) for one in found], columns=names)
    columns = [
        Column("SHA-256", [one.sha256 for one in found]),
        Column("Kind", [one.kind for one in found]),
        Column("Found", [one.fault or "as it was handed in" for one in found]),
    ]
    print_frame(frame, format, {}, columns)
    if any(one.fault for one in found):
        raise BadQuestion("some evidence is not as it was handed in: restore it from a backup")


def _about(submission: int | None, claim: int | None) -> tuple[str | None, int | None]:
    from benchmark.store.evidence import CLAIM, SUBMISSION

    if submission is not None and claim is not None:
        raise BadQuestion("name a submission or a claim, not both")
    if submission is not None:
        return SUBMISSION, submission
    return (CLAIM, claim) if claim is not None else (None, None)
