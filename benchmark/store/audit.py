"""The audit: is the record whole, and does it lead to what the store holds?

The chain of hashes is checked, then the store is made anew in memory from the record and the sheets
and compared part by part. What cannot be found is a record that was written anew from some line on,
with all that follows from it: compare `last_hash` with one that was published or kept elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from typing import TYPE_CHECKING

import duckdb

from benchmark.intake.query import interruptible
from benchmark.store import fingerprint, migrate, older, opening, record
from benchmark.store.deciding import WITHDRAW
from benchmark.store.record import ACCEPT, REFUSE, Line
from benchmark.store.replaying import Broken, redo
from benchmark.store.submissions import ACCEPTED, REFUSED, WITHDRAWN

if TYPE_CHECKING:
    from benchmark.store.store import Store

Report = Callable[[float, str], None]
DECIDED = {ACCEPT: ACCEPTED, REFUSE: REFUSED, WITHDRAW: WITHDRAWN}
REPLAYED = 0.8  # share of the time that the replay takes


@dataclass(frozen=True, slots=True)
class Audited:
    """What was found whole; `fingerprint` is over all that the store holds."""

    lines: int
    last_hash: str
    laps: int
    struck: int
    fingerprint: str


def audit(store: Store, report: Report = lambda *_: None) -> Audited:
    """Verify the chain, replay the store from it and compare; `report` takes the share done.

    Raises
    ------
    BenchmarkError
        The record was altered, or the store holds something else; the message says where.
    """
    lines = store.record()
    stored = store._connection
    with opening.memory() as fresh:
        migrate.new_store(fresh)
        for line in lines:
            interruptible(fresh, partial(redo, line, stored, fresh))
            report(REPLAYED * line.number / len(lines), f"line {line.number} of {len(lines)}")
        report(REPLAYED, "comparing what the record leads to with what the store holds")
        interruptible(fresh, lambda: compare(lines, stored, fresh))
    laps, struck = store._rows("select (select count(*) from lap), (select count(*) from struck)")[
        0
    ]
    found = store._ask(lambda: fingerprint.fingerprint(stored))
    report(1.0, "done")
    return Audited(
        len(lines), lines[-1].hash if lines else record.BEGINNING, int(laps), int(struck), found
    )


def compare(
    lines: list[Line], stored: duckdb.DuckDBPyConnection, fresh: duckdb.DuckDBPyConnection
) -> None:
    """Compare a store with one that was replayed from its record.

    Raises
    ------
    Broken
        They differ, or a sheet or a submission is not what the record says.
    """
    for part in fingerprint.PARTS:
        _compare(part, stored, fresh)
    _check_sheets(stored, lines)
    _check_submissions(stored, lines)


def _compare(
    part: str, stored: duckdb.DuckDBPyConnection, fresh: duckdb.DuckDBPyConnection
) -> None:
    stored_part, made_part = fingerprint.rows_of(stored, part), fingerprint.rows_of(fresh, part)
    if stored_part.equals(made_part):  # in another order they may hold the same all the same
        return
    fresh.register("stored_part", stored_part)
    fresh.register("made_part", made_part)
    for have, have_not, words in (
        ("stored_part", "made_part", "the store has, and the record does not lead to,"),
        ("made_part", "stored_part", "the record leads to, and the store has not,"),
    ):
        rows = fresh.execute(
            f"(from {have}) except all (from {have_not}) order by all limit 1"
        ).fetchall()
        if rows:
            row = ", ".join(str(cell) for cell in rows[0])
            raise Broken(f"{part}: {words} this: {row}")
    fresh.unregister("stored_part")
    fresh.unregister("made_part")


def _check_sheets(stored: duckdb.DuckDBPyConnection, lines: list[Line]) -> None:
    """Find a sheet that no line names: those that are named were checked when they were read."""
    named = {
        json.loads(line.subject).get("import", older.BASE_SHEET)
        for line in lines
        if json.loads(line.after).get("sheet")
    }
    for (import_id,) in stored.execute("select distinct import_id from sheet").fetchall():
        if import_id not in named:
            raise Broken(f"the sheet of import {import_id} belongs to no line of the record")


def _check_submissions(stored: duckdb.DuckDBPyConnection, lines: list[Line]) -> None:
    """Hold each submission against the line that decided it, and each file against its digest."""
    undone = {number for (number,) in stored.execute("select number from undone").fetchall()}
    decided = {
        line.number: json.loads(line.subject)
        for line in lines
        if line.action in DECIDED and line.number not in undone
    }
    actions = {line.number: line.action for line in lines}
    rows = stored.execute(
        "select submission_no, state, decided_no, sha256, body from submission order by 1"
    ).fetchall()
    for number, state, decided_no, digest, body in rows:
        if sha256(body).hexdigest() != digest:
            raise Broken(f"submission {number}: its file was altered since it was handed in")
        said = decided.pop(decided_no, {})
        about = (said.get("submission"), said.get("handed_in"), actions.get(decided_no))
        expected = next((action for action, told in DECIDED.items() if told == state), None)
        if about != ((number, digest, expected) if expected else (None, None, None)):
            raise Broken(f"submission {number} is {state}, and the record does not say so")
    if decided:
        raise Broken(f"line {min(decided)} decided on a submission that is not so in the store")
    _check_corrected(stored, lines)


def _check_corrected(stored: duckdb.DuckDBPyConnection, lines: list[Line]) -> None:
    """Hold each corrected file against the line that accepted it in the place of another."""
    said = {line.number: json.loads(line.subject) for line in lines if line.action == ACCEPT}
    missing = {
        number: about["sha256"]
        for number, about in said.items()
        if about["sha256"] != about["handed_in"]
    }
    query = "select number, sha256, body from corrected_file"
    for number, digest, body in stored.execute(query).fetchall():
        if missing.pop(number, None) != digest or sha256(body).hexdigest() != digest:
            raise Broken(f"line {number}: its corrected file was altered since it was accepted")
    if missing:
        raise Broken(f"line {min(missing)}: its corrected file is gone")
