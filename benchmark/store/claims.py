"""Claims that are kept with every check of them, and the timing lines that traces are held to.

A claim and its answers are kept as JSON text: the store records them and sees no answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from benchmark.errors import BadQuestion

if TYPE_CHECKING:
    from benchmark.store.roles import Actor
    from benchmark.store.store import Store


@dataclass(frozen=True, slots=True)
class Check:
    """What one check of a kept claim came to; `answer` is the whole answer as JSON."""

    verdict: str
    fit_id: str
    data_version: int
    answer: str
    check_no: int = 0
    checked_at: str = ""


@dataclass(frozen=True, slots=True)
class KeptClaim:
    """A claim as it was handed in (`subject`, JSON), with its checks, oldest first."""

    claim_no: int
    kept_at: str
    subject: str
    evidence_sha256: str | None
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class StoredLine:
    """The timing line of a layout as text, and the layout's length where it is known. [m]"""

    line: str
    length_m: float | None


def keep_claim(store: Store, subject: str, check: Check, evidence_sha256: str | None = None) -> int:
    """Keep a claim with its first check and give its number.

    A claim that is kept already keeps its number; the check is added to it.

    Raises
    ------
    NotAllowed
        Whoever is signed in may not.
    """
    return store._change("keep_claim", lambda _: _keep(store, subject, check, evidence_sha256))


def add_check(store: Store, claim_no: int, check: Check) -> None:
    """Add a later check to a kept claim.

    Raises
    ------
    BadQuestion
        There is no claim of that number.
    NotAllowed
        Whoever is signed in may not.
    """
    if claim_no not in {claim.claim_no for claim in kept_claims(store)}:
        raise BadQuestion(f"no kept claim {claim_no}: `benchmark claims` lists those there are")
    store._change("keep_claim", lambda _: _insert_check(store, claim_no, check))


def kept_claims(store: Store) -> list[KeptClaim]:
    """Give the kept claims with their checks, oldest first."""
    claims = store._rows(
        "select claim_no, kept_at, subject, evidence_sha256 from claim order by claim_no"
    )
    checks = store._rows(
        """
        select claim_no, verdict, fit_id, data_version, answer, check_no, checked_at
        from claim_check
        order by claim_no, check_no
        """
    )
    return [
        KeptClaim(no, at, subject, digest, tuple(Check(*rest) for n, *rest in checks if n == no))
        for no, at, subject, digest in claims
    ]


def keep_line(store: Store, circuit: str, layout: str, line: StoredLine) -> None:
    """Keep the timing line of a layout, in place of an earlier one.

    Raises
    ------
    NotAllowed
        Whoever is signed in may not.
    """

    def work(_: Actor) -> None:
        where = [circuit, layout]
        store._connection.execute("delete from timing_line where circuit = ? and layout = ?", where)
        values = [*where, line.line, line.length_m]
        store._connection.execute("insert into timing_line values (?, ?, ?, ?)", values)

    store._change("keep_line", work)


def stored_line(store: Store, circuit: str, layout: str) -> StoredLine | None:
    """Give the timing line of a layout, or None where nobody has given one."""
    query = "select line, length_m from timing_line where circuit = ? and layout = ?"
    rows = store._rows(query, [circuit, layout])
    return StoredLine(*rows[0]) if rows else None


def _keep(store: Store, subject: str, check: Check, evidence_sha256: str | None) -> int:
    found = store._connection.execute(
        "select claim_no from claim where subject = ?", [subject]
    ).fetchall()
    if found:
        number = int(found[0][0])
    else:
        count = store._connection.execute("select count(*) from claim").fetchall()
        number = int(count[0][0]) + 1
        values = [number, _now(), subject, evidence_sha256]
        store._connection.execute("insert into claim values (?, ?, ?, ?)", values)
    _insert_check(store, number, check)
    return number


def _insert_check(store: Store, claim_no: int, check: Check) -> None:
    """Append a check; one of the same fit says nothing new and is not kept twice."""
    store._connection.execute(
        """
        insert into claim_check
        select ?, (select count(*) + 1 from claim_check where claim_no = ?), ?, ?, ?, ?, ?
        where not exists (
            from claim_check where claim_no = ? and fit_id = ? and verdict = ?
        )
        """,
        [
            *(claim_no, claim_no, _now()),
            *(check.verdict, check.fit_id, check.data_version, check.answer),
            *(claim_no, check.fit_id, check.verdict),
        ],
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
