"""`benchmark backup` and `restore`: a store and the files beside it, kept and put back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As, acting
from benchmark.commands.options import DEFAULT_DB, Db
from benchmark.commands.progress import progress
from benchmark.errors import BadQuestion, BenchmarkError, StoreBusy

if TYPE_CHECKING:
    from benchmark.store.archive import Manifest
    from benchmark.store.restoring import Restored
    from benchmark.store.roles import SignIn


def backup(
    out: Annotated[
        Path | None,
        typer.Option(
            help="A new file, or a folder; by default the folder named like the store, with "
            "`.backups` after it.",
            metavar="FILE",
        ),
    ] = None,
    keep: Annotated[
        int | None,
        typer.Option(min=1, help="Of the backups in that folder, keep the latest N; else all."),
    ] = None,
    verify: Annotated[
        Path | None,
        typer.Option(help="Only verify this backup; the store is not asked.", metavar="FILE"),
    ] = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Back up the store, accounts and evidence as one file, and verify it.

    The file holds the accounts' password hashes: keep it where the store itself might stand.
    """
    if verify is not None:
        if out is not None or keep is not None:
            raise BadQuestion("`--verify` goes alone: it writes nothing")
        _verify(verify)
        return
    from benchmark.store.backup import back_up

    with progress("backing up") as report:
        made = back_up(db, out, keep=keep, report=report)
    typer.echo(f"{made.path}: {_holds(made.manifest)}; verified ({made.size:,} bytes)")
    typer.echo(f"SHA-256 {made.sha256}")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Back up the store that is there, then replace it.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Verify, say what would be done, and change nothing.")
    ] = False,
    reason: Annotated[str, typer.Option(help="Why, for the record.")] = "",
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Verify a backup and put it in the place of the store; the record gets a line that says so."""
    from benchmark.store.restoring import restore as put_back

    who = _owner_of(db, as_) if replace and not dry_run else None
    with progress("restoring") as report:
        done = put_back(
            file, db, replace=replace, dry_run=dry_run, reason=reason, who=who, report=report
        )
    typer.echo("\n".join(_told(file, db, done, dry_run=dry_run)))


def _owner_of(db: Path, name: str | None) -> SignIn | None:
    """Ask who acts; a file that cannot be opened has nobody to ask."""
    from benchmark.store.store import Store

    try:
        Store.open(db).close()
    except StoreBusy:
        raise
    except BenchmarkError:
        return None
    return acting(db, name)


def _verify(path: Path) -> None:
    from benchmark.store.archive import digest_of
    from benchmark.store.backup import verify

    with progress("verifying") as report:
        manifest = verify(path, report)
    typer.echo(f"{path}: {_holds(manifest)}; every digest is right and the store opens")
    typer.echo(f"SHA-256 {digest_of(path)}")


def _told(file: Path, db: Path, done: Restored, *, dry_run: bool) -> list[str]:
    lines = []
    if done.before is not None:
        lines.append(f"the store that was there is kept in {done.before.path}")
    if done.aside is not None:
        lines.append(f"the file that was there could not be opened; it is kept as {done.aside}")
    verb = "would be restored" if dry_run else "restored"
    lines.append(f"{db}: {verb} from {file}: {_holds(done.manifest)}")
    if done.line is not None:
        lines.append(f"line {done.line.number} of the record says so; its hash is {done.line.hash}")
    if done.people:
        lines.append(
            "accounts and passwords are those of the backup; everybody has to sign in anew"
        )
    if dry_run and db.exists():
        lines.append(f"{db} is there: `--replace` backs it up first, then replaces it")
    return lines


def _holds(manifest: Manifest) -> str:
    """Say what a backup holds, and of when."""
    from benchmark.show.words import count_text
    from benchmark.store.archive import EVIDENCE, PEOPLE

    names = [member.name for member in manifest.members]
    parts = [count_text(manifest.facts.laps, "lap")]
    evidence = sum(name.startswith(EVIDENCE) for name in names)
    if PEOPLE in names:
        parts.append("the accounts")
    if evidence:
        parts.append(count_text(evidence, "piece") + " of evidence")
    return f"{', '.join(parts)} of {manifest.store}, {manifest.made_at}"
