"""Checking and keeping a claim, the same from the command line and from a page."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.show.output import plain, to_json

if TYPE_CHECKING:
    from benchmark.answers.claim import ClaimAnswer
    from benchmark.answers.claim_case import Claim
    from benchmark.model.fit import Fit, KeptFit
    from benchmark.store.claims import Check, KeptClaim
    from benchmark.store.roles import SignIn


@dataclass(frozen=True)
class TraceFile:
    """A trace as it was handed in, with the timing line and length that were given for it."""

    name: str
    data: bytes
    line: str | None = None
    length_m: float | None = None


@dataclass(frozen=True)
class Recheck:
    """A kept claim, the verdict that it had first and last, and the answer of now."""

    kept: KeptClaim
    claim: Claim
    answer: ClaimAnswer

    @property
    def first(self) -> Check:
        """The check that it was kept with."""
        return self.kept.checks[0]

    @property
    def last(self) -> Check:
        """The latest check that was kept."""
        return self.kept.checks[-1]

    @property
    def changed(self) -> bool:
        """Whether the verdict of now differs from the latest kept one."""
        return self.answer.verdict != self.last.verdict


def read_trace_file(path: Path, line: str | None, length_m: float | None) -> TraceFile:
    """Read a trace from a file, at most as much as a trace may have.

    Raises
    ------
    FaultyFile
        The file cannot be opened.
    """
    from benchmark.errors import Fault, FaultyFile
    from benchmark.intake.fixes import MAX_BYTES

    try:
        with path.open("rb") as file:
            return TraceFile(path.name, file.read(MAX_BYTES + 1), line, length_m)
    except OSError as error:
        why = f"cannot be read: {error.strerror or error}"
        raise FaultyFile([Fault(path.name, None, "-", "", why)]) from error


def add_evidence(db: Path, claim: Claim, file: TraceFile) -> Claim:
    """Hold the claimed time against a trace, on the line given, else the one that is stored.

    Raises
    ------
    FaultyFile, BadQuestion
        The trace cannot be used, or the line is none.
    """
    from benchmark.answers.claim_evidence import with_trace
    from benchmark.intake.trace import TimingLine, parse_trace
    from benchmark.store.claims import stored_line
    from benchmark.store.store import Store

    trace = parse_trace(file.name, file.data)
    where = claim.texts["circuit"].strip(), (claim.texts.get("layout") or "full").strip()
    with Store.open(db) as store:
        known = stored_line(store, *where)
    length_m = file.length_m or (known.length_m if known else None)
    line = TimingLine.parse(file.line) if file.line else None
    if line is None and known is not None:
        line = TimingLine.parse(known.line, "stored")
    return with_trace(claim, trace, line, length_m)


def digest_of(evidence: str | None) -> str | None:
    """Give the SHA-256 of a file that a claim names as its evidence; None where it is no file."""
    path = Path(evidence) if evidence else None
    if path is None or not path.is_file():
        return None
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def keep(
    db: Path, answer: ClaimAnswer, digest: str | None = None, *, who: SignIn | None = None
) -> int:
    """Keep a checked claim in the store and give its number.

    `digest` is that of the evidence, where it is not the trace that the claim came with; `who`
    tells who is signed in, where the store belongs to a club.

    Raises
    ------
    NoStore, StoreBusy
        There is no store, or another process holds it.
    NotAllowed
        Whoever is signed in may not.
    """
    from benchmark.answers.claim_text import claim_to_text
    from benchmark.store.claims import keep_claim
    from benchmark.store.store import Store

    claim = answer.case.claim
    digest = claim.trace.sha256 if claim.trace else digest
    with Store.open(db, write=True, who=who) as store:
        return keep_claim(store, claim_to_text(claim), check_of(answer), digest)


def check_of(answer: ClaimAnswer) -> Check:
    """Give an answer as the record of one check."""
    from benchmark.store.claims import Check

    record = plain(answer.record())
    return Check(answer.verdict, record["fit"], answer.data_version, to_json(record))


def part_for(kept: KeptFit, claim: Claim) -> Fit:
    """Give what a claim needs of a fit."""
    return kept.part(*asked_about(claim))


def asked_about(claim: Claim) -> tuple[str, tuple[str], tuple[str]]:
    """Give the circuit, the car and the driver of a claim, as the lap table would read them."""
    from benchmark.errors import BadValue
    from benchmark.intake.cells import read_value

    def name(column: str) -> str:
        text = claim.texts.get(column, "")
        try:
            return str(read_value(column, text)) if text.strip() else ""
        except BadValue:
            return text  # the check of the claim will say what is wrong with it

    return name("circuit"), (name("build"),), (name("driver"),)


def recheck(db: Path, fit: KeptFit) -> list[Recheck]:
    """Check every kept claim again with the latest fit; nothing is stored."""
    from benchmark.answers.claim import check_claim
    from benchmark.answers.claim_text import claim_from_text
    from benchmark.store.claims import kept_claims
    from benchmark.store.store import Store

    with Store.open(db) as store:
        kept = kept_claims(store)
    claims = [claim_from_text(one.subject) for one in kept]
    return [
        Recheck(one, claim, check_claim(part_for(fit, claim), claim))
        for one, claim in zip(kept, claims, strict=True)
    ]


def keep_checks(db: Path, checks: list[Recheck], *, who: SignIn | None = None) -> None:
    """Keep the checks of now beside the earlier ones.

    Raises
    ------
    NotAllowed
        Whoever is signed in may not.
    """
    from benchmark.store.claims import add_check
    from benchmark.store.store import Store

    with Store.open(db, write=True, who=who) as store:
        for one in checks:
            add_check(store, one.kept.claim_no, check_of(one.answer))


def make_claim(
    texts: Mapping[str, str | None],
    *,
    scope: str,
    claimed_class: str | None = None,
    claimed_tyre: str | None = None,
    flying_laps: int | None = None,
    metar: str | None = None,
) -> Claim:
    """Make a claim of what was typed; empty fields are not given."""
    from benchmark.answers.claim_case import Claim

    given = {column: text for column, text in texts.items() if text is not None and text.strip()}
    pasted = metar if metar and metar.strip() else None
    return Claim(given, scope, claimed_class, claimed_tyre, flying_laps, pasted)
