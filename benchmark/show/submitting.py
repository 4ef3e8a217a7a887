"""Handing in to a club and deciding on it, the same from the command line and from a page."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import Fault, FaultyFile
from benchmark.show.handing_in import Report, read_file
from benchmark.show.words import count_text

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.intake.mapping import ColumnMapping
    from benchmark.store.adding import Added
    from benchmark.store.evidence import Evidence
    from benchmark.store.handing_in import HandedIn
    from benchmark.store.roles import SignIn
    from benchmark.store.submissions import Submission
    from benchmark.store.taking import Taken

STATE_WORDS = {
    "pending": "waits for a steward",
    "accepted": "accepted",
    "refused": "refused",
    "withdrawn": "taken back",
}
ABOUT = ("build", "circuit", "date")
ATTACHED = Sequence[tuple[str, bytes]]


@dataclass(frozen=True)
class Looked:
    """A submission as a steward looks at it: what it would bring, or every fault, as of now."""

    submission: Submission
    lap_file: LapFile
    would_be: Added | None
    faults: tuple[Fault, ...]
    evidence: tuple[Evidence, ...]


def silent(_share: float, _words: str) -> None:
    """Tell nobody."""


def read_bytes(
    body: bytes, name: str, report: Report = silent, *, mapping: ColumnMapping | None = None
) -> LapFile:
    """Read a lap table, or a foreign sheet through a mapping, from its bytes.

    They go through a file that is gone afterwards.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "handed-in"
        path.write_bytes(body)
        return read_file(path, report, name=name, mapping=mapping)


def about_file(body: bytes) -> str:
    """Name what a lap table is about: `Blue Pipit 17, Highmarl, 2026-05-02`, and how many more."""
    runs = read_bytes(body, "the file").runs
    about = sorted(set(zip(*(runs[name].to_pylist() for name in ABOUT), strict=True)))
    if not about:
        return ""
    more = f" and {len(about) - 1} more" if len(about) > 1 else ""
    return f"{', '.join(str(part) for part in about[0])}{more}"


def as_one_file(lap_file: LapFile, body: bytes) -> tuple[LapFile, bytes]:
    """Give the laps with the bytes that hold them: `body`, or where it does not, a lap table.

    Laps that came through a column mapping, or whose kinds were confirmed, are not what the file
    says by itself. The steward has to see just what was shown to whoever hands in.
    """
    from benchmark.intake.rewriting import as_lap_table, same_laps

    plain = read_bytes(body, lap_file.name)
    if same_laps(plain, lap_file):
        return plain, body
    written = as_lap_table(lap_file)
    return read_bytes(written, f"{Path(lap_file.name).stem}-as-read.csv"), written


def submit(
    db: Path,
    lap_file: LapFile,
    body: bytes,
    *,
    contact: str = "",
    note: str = "",
    attached: ATTACHED = (),
    who: SignIn | None = None,
) -> HandedIn:
    """Hand in a lap table with its evidence; it waits for a steward.

    Raises
    ------
    BenchmarkError
        As `benchmark.store.evidence.hand_in_with`.
    """
    from benchmark.store.evidence import hand_in_with
    from benchmark.store.store import Store

    with Store.open(db, write=True, who=who) as store:
        return hand_in_with(store, lap_file, body, attached, contact=contact, note=note)


def look(
    db: Path,
    number: int,
    *,
    corrected: tuple[str, bytes] | None = None,
    who: SignIn | None = None,
    report: Report = silent,
) -> Looked:
    """Look at a submission, or at a corrected file in its place, against the store as it is now.

    Raises
    ------
    BadQuestion
        There is none of that number that the person may see.
    """
    from benchmark.store.evidence import SUBMISSION, evidence
    from benchmark.store.store import Store
    from benchmark.store.submissions import body_of, submission

    with Store.open(db, who=who) as store:
        found = submission(store, number)
        files = tuple(evidence(store, SUBMISSION, number))
        name, body = corrected or (found.file, body_of(store, number))
    lap_file = read_bytes(body, name, report)  # the store is not held meanwhile
    try:
        with Store.open(db, who=who) as store:
            return Looked(found, lap_file, store.check(lap_file), (), files)
    except FaultyFile as error:
        return Looked(found, lap_file, None, error.faults, files)


def accept(
    db: Path,
    looked: Looked,
    *,
    reason: str = "",
    corrected: bytes | None = None,
    who: SignIn | None = None,
) -> Taken:
    """Accept what was looked at.

    Raises
    ------
    BenchmarkError
        As `benchmark.store.deciding.accept`.
    """
    from benchmark.store import deciding
    from benchmark.store.store import Store

    number = looked.submission.number
    with Store.open(db, write=True, who=who) as store:
        return deciding.accept(store, number, looked.lap_file, reason=reason, corrected=corrected)


def refuse(db: Path, number: int, *, reason: str, who: SignIn | None = None) -> None:
    """Refuse a submission; whoever handed it in sees the reason.

    Raises
    ------
    BenchmarkError
        As `benchmark.store.deciding.refuse`.
    """
    from benchmark.store import deciding
    from benchmark.store.store import Store

    with Store.open(db, write=True, who=who) as store:
        deciding.refuse(store, number, reason=reason)


def withdraw(db: Path, number: int, *, reason: str = "", who: SignIn | None = None) -> None:
    """Take back a submission that waits.

    Raises
    ------
    BenchmarkError
        As `benchmark.store.deciding.withdraw`.
    """
    from benchmark.store import deciding
    from benchmark.store.store import Store

    with Store.open(db, write=True, who=who) as store:
        deciding.withdraw(store, number, reason=reason)


def handed_in_text(handed: HandedIn) -> str:
    """Say what came of handing in."""
    one = handed.submission
    if handed.is_new:
        laps = count_text(one.laps, "lap")
        return f"Submission {one.number}: {laps} of {one.file} wait for a steward."
    state = STATE_WORDS[one.state]
    return (
        f"{one.file} was handed in before, as submission {one.number}; nothing was added to it. "
        f"State: {state}."
    )


def waiting_text(waiting: Sequence[Submission], now: datetime | None = None) -> str:
    """Say how many wait for a decision, and since when."""
    if not waiting:
        return "No file waits for a decision."
    oldest = datetime.fromisoformat(min(one.at for one in waiting))
    today = now or datetime.now(UTC)
    days = (today.date() - oldest.astimezone(UTC).date()).days
    since = moment(oldest.isoformat())
    since = f"{since}, {count_text(days, 'day')} ago" if days else f"today, {since[11:]}"
    verb = "waits" if len(waiting) == 1 else "wait"
    return f"{count_text(len(waiting), 'file')} {verb} for a decision, the oldest since {since}."


def moment(at: str) -> str:
    """Write a moment of the record for people: 2026-11-26 14:30 UTC."""
    return f"{at[:16].replace('T', ' ')} UTC"


def decision_text(one: Submission) -> str:
    """Say what became of a submission, by whom, when and why."""
    if one.decided_at is None:
        return STATE_WORDS[one.state]
    corrected = ", as corrected by the steward" if one.corrected_sha256 else ""
    why = f": {one.reason}" if one.reason else ""
    return (
        f"{STATE_WORDS[one.state]}{corrected}, by {one.decided_by}, {moment(one.decided_at)}{why}"
    )


def would_be_text(looked: Looked) -> list[str]:
    """Say what accepting would do to the store."""
    from benchmark.show.handing_in import added_lines

    if looked.would_be is None:
        faults = count_text(len(looked.faults), "fault")
        return [f"{faults}: it cannot be accepted as it is"]
    return added_lines(looked.lap_file.name, looked.would_be, checked_only=True)
