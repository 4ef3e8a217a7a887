"""Evidence beside the store: files named by their SHA-256, attached to a submission or a claim.

The folder `<store file>.evidence` holds the bytes as they came, under no name of the user's and
with no ending, so that nothing runs them by mistake. They are written whole or not at all, and
checked against their digest whenever they are read.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from benchmark.errors import BadQuestion, BenchmarkError, NotAllowed
from benchmark.intake.evidence import download_name, kind_of
from benchmark.store import record, submissions
from benchmark.store.handing_in import HandedIn, hand_in
from benchmark.store.record import Entry, stamp
from benchmark.store.roles import Actor, Role

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.store.store import Store

SUBMISSION, CLAIM = "submission", "claim"
ABOUT = (SUBMISSION, CLAIM)
EVIDENCE, ADD = "evidence", "add_evidence"
DIGEST = re.compile(r"[0-9a-f]{64}")
# Choices of ours, so that nobody can fill the disk.
MOST_FILES_EACH = 10
MOST_BYTES_IN_ALL = 5_000_000_000
MOST_BYTES_EACH = 1_000_000_000  # of one person below steward; who is not signed in counts as one
DRAFT = ".draft-"

COLUMNS = "evidence_no, about, about_no, sha256, kind, size, added_at, who, name"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One file that supports a submission or a kept claim; `kind` is what its bytes are.

    `name` is the last part of the name that it came with, empty where none was given.
    """

    number: int
    about: str
    about_no: int
    sha256: str
    kind: str
    size: int
    at: str
    who: str
    name: str

    @property
    def safe_name(self) -> str:
        """Give the name under which it is downloaded, with the ending of its kind."""
        return download_name(self.name or f"{self.about}-{self.about_no}", self.kind, self.sha256)


@dataclass(frozen=True, slots=True)
class File:
    """A file that comes in: its bytes, what they are, and what it is called."""

    body: bytes
    kind: str
    name: str

    @property
    def plain_name(self) -> str:
        """Give the part of the name that is kept."""
        return submissions.file_name(self.name) if self.name else ""


@dataclass(frozen=True, slots=True)
class Verified:
    """One file of evidence and whether it is as it was handed in; `fault` is empty where so."""

    sha256: str
    kind: str
    size: int
    fault: str


def folder_of(db: Path) -> Path:
    """Give the folder of a store's evidence."""
    return db.with_name(f"{db.name}.evidence")


def add_evidence(
    store: Store,
    about: str,
    about_no: int,
    body: bytes,
    *,
    name: str = "",
    at: datetime | None = None,
) -> Evidence:
    """Keep a file and attach it to a submission or a kept claim; the same bytes are kept once.

    An entrant may attach to an own submission while it waits, and to claims; stewards to all.

    Parameters
    ----------
    about : `SUBMISSION` or `CLAIM`.
    about_no : its number.
    name : what the file is called; its last part is kept, with what does not show replaced.

    Raises
    ------
    BadQuestion
        No such submission or claim, a kind of file that is not taken, or too much.
    NotAllowed
        Whoever is signed in may not.
    OSError
        The folder cannot be written to.
    """
    if about not in ABOUT:
        raise BadQuestion(f'"{about}" has no evidence; use {" or ".join(ABOUT)}')
    file = File(body, kind_of(body, name=name or "the file"), name)

    def work(actor: Actor) -> Evidence:
        return attach(store, actor, (about, about_no), file, at)

    return store._change(ADD, work)


def hand_in_with(
    store: Store,
    lap_file: LapFile,
    body: bytes,
    files: Sequence[tuple[str, bytes]],
    *,
    contact: str = "",
    note: str = "",
    at: datetime | None = None,
) -> HandedIn:
    """Hand in a lap table with its evidence, all of it or nothing.

    Parameters
    ----------
    files : the name and the bytes of each file of evidence; others as in `hand_in`.

    Raises
    ------
    FaultyFile, BadQuestion, NotAllowed, OSError
        As `hand_in` and `add_evidence`.
    """
    told = [File(content, kind_of(content, name=name), name) for name, content in files]

    def then(actor: Actor, handed: submissions.Submission) -> None:
        for file in told:
            attach(store, actor, (SUBMISSION, handed.number), file, at)

    return hand_in(store, lap_file, body, contact=contact, note=note, then=then, at=at)


def evidence(store: Store, about: str | None = None, about_no: int | None = None) -> list[Evidence]:
    """Give the evidence that whoever is signed in may see, the oldest first.

    What belongs to a claim is for everybody; what belongs to a submission for whoever may see it.
    """
    rows = store._rows(f"select {COLUMNS} from evidence order by evidence_no")
    seen = {one.number for one in submissions.submissions(store)}
    found = [Evidence(*row) for row in rows]
    return [
        one
        for one in found
        if about in (None, one.about)
        and about_no in (None, one.about_no)
        and (one.about == CLAIM or one.about_no in seen)
    ]


def read_evidence(store: Store, one: Evidence) -> bytes:
    """Give the bytes, checked against their digest.

    Raises
    ------
    BenchmarkError
        The file is gone, or it is not what was handed in.
    """
    if not DIGEST.fullmatch(one.sha256):
        raise BenchmarkError(f"evidence {one.number} has no digest: restore a backup")
    try:
        body = (folder_of(store.path) / one.sha256).read_bytes()
    except FileNotFoundError:
        raise BenchmarkError(f"evidence {one.number} is gone: restore it from a backup") from None
    if hashlib.sha256(body).hexdigest() != one.sha256:
        raise BenchmarkError(f"evidence {one.number} was altered: restore it from a backup")
    return body


def verify(store: Store, found: Iterable[Evidence] | None = None) -> list[Verified]:
    """Read every file and compare it with its digest, each one once."""
    listed = evidence(store) if found is None else found
    return [
        Verified(one.sha256, one.kind, one.size, _fault(store, one))
        for one in {one.sha256: one for one in listed}.values()
    ]


def attach(
    store: Store,
    actor: Actor,
    about: tuple[str, int],
    file: File,
    at: datetime | None,
) -> Evidence:
    """Write the file and the row, within the transaction that the caller holds.

    A file whose row is not committed after all is of no harm: nothing names it.
    """
    connection, (what, number) = store._connection, about
    body = file.body
    is_open = _refuse_others(store, actor, what, number)
    sha256 = hashlib.sha256(body).hexdigest()
    same = _rows(connection, what, number, sha256)
    if same:
        return same[0]
    _refuse_too_much(connection, actor, about, len(body))
    write_whole(folder_of(store.path), sha256, body)
    connection.execute(
        """
        insert into evidence
        select (select coalesce(max(evidence_no), 0) from evidence) + 1, ?, ?, ?, ?, ?, ?, ?, ?
        """,
        [what, number, sha256, file.kind, len(body), stamp(at), actor.name, file.plain_name],
    )
    if not is_open:
        after = {"sha256": sha256, "kind": file.kind, "size": len(body)}
        record.append(connection, actor, Entry(EVIDENCE, {what: number}, after=after), at)
    return _rows(connection, what, number, sha256)[0]


def write_whole(folder: Path, sha256: str, body: bytes) -> None:
    """Write the bytes beside their place and move them there: a kill leaves all or nothing."""
    folder.mkdir(mode=0o700, exist_ok=True)
    place = folder / sha256
    if place.is_file() and hashlib.sha256(place.read_bytes()).hexdigest() == sha256:
        return
    handle, draft = tempfile.mkstemp(prefix=DRAFT, dir=folder)  # mode 0600: never executable
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(body)
            out.flush()
            os.fsync(out.fileno())
        Path(draft).replace(place)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise


def _rows(
    connection: duckdb.DuckDBPyConnection, about: str, number: int, sha256: str
) -> list[Evidence]:
    query = f"""
        select {COLUMNS} from evidence where about = ? and about_no = ? and sha256 = ?
        """
    rows = connection.execute(query, [about, number, sha256]).fetchall()
    return [Evidence(*row) for row in rows]


def _refuse_others(store: Store, actor: Actor, about: str, number: int) -> bool:
    """Refuse what the person may not attach to; tell whether it is a submission that waits."""
    if about == CLAIM:
        known = store._connection.execute("select claim_no from claim").fetchall()
        if (number,) not in known:
            raise BadQuestion(f"no kept claim {number}: `benchmark claims` lists those there are")
        return False
    found = submissions.found_by_number(store._connection, number)
    if actor.role < Role.STEWARD and actor.name != found.who:
        raise NotAllowed(f"{actor.name} may not add evidence to submission {number} of another")
    waits = found.state == submissions.PENDING
    if actor.role < Role.STEWARD and not waits:
        raise BadQuestion(f"submission {number} was {found.state}: it takes no more evidence")
    return waits


def _refuse_too_much(
    connection: duckdb.DuckDBPyConnection, actor: Actor, about: tuple[str, int], size: int
) -> None:
    files, own, in_all = connection.execute(
        """
        select count(*) filter (about = ? and about_no = ?),
            coalesce(sum(size) filter (who = ?), 0), coalesce(sum(size), 0)
        from evidence
        """,
        [*about, actor.name],
    ).fetchall()[0]
    if files >= MOST_FILES_EACH:
        what, number = about
        raise BadQuestion(f"{what} {number} has {files} files of evidence: it takes no more")
    if actor.role < Role.STEWARD and own + size > MOST_BYTES_EACH:
        raise BadQuestion(
            f"{actor.name} has handed in {own / 1e6:.0f} MB of evidence: ask a steward to add this"
        )
    if in_all + size > MOST_BYTES_IN_ALL:
        raise BadQuestion("the evidence of this club takes all the room it may: tell an owner")


def _fault(store: Store, one: Evidence) -> str:
    try:
        read_evidence(store, one)
    except BenchmarkError as error:
        return str(error)
    return ""
