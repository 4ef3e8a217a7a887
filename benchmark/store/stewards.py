"""Stewards' rulings on laps: appended, never altered, each chained to the one before.

The hash of a ruling covers what it says and the hash of the ruling before it, so a ruling that was
changed, taken out or slipped in later breaks the chain; `check_chain` says where. What the chain
cannot show is that its end was cut off or all of it written anew: publish the last hash for that.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import astuple, dataclass, replace
from datetime import UTC, datetime

import duckdb

from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.intake.cells import Value
from benchmark.intake.checks import told
from benchmark.intake.columns import LAP_KEY

STRIKE, UNSTRIKE = "strike", "unstrike"
BEGINNING = "0" * 64
FIELDS = "ruling_no, ruled_at, steward, action, subject, reason, previous_hash, hash"


@dataclass(frozen=True, slots=True)
class Ruling:
    """One decision of a steward on one lap.

    `subject` is the lap's key as JSON: it says which lap is meant outside this store, too.
    """

    ruling_no: int
    ruled_at: str
    steward: str
    action: str
    subject: str
    reason: str
    previous_hash: str
    hash: str

    def digest(self) -> str:
        """Give the SHA-256 over what the ruling says and the hash of the one before."""
        said = [self.ruling_no, self.ruled_at, self.steward, self.action, self.subject, self.reason]
        text = json.dumps([*said, self.previous_hash], ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def rule(
    connection: duckdb.DuckDBPyConnection,
    action: str,
    lap: Mapping[str, Value],
    *,
    steward: str,
    reason: str,
    at: datetime | None = None,
) -> Ruling:
    """Append a ruling, within the transaction that the caller holds.

    Parameters
    ----------
    action : `STRIKE` or `UNSTRIKE`.
    lap : the lap's key: circuit, layout, date, session, build, run and lap.
    steward, reason : who decided, and why; both are needed.
    at : when it was decided; now by default.

    Raises
    ------
    BadQuestion
        No such lap, one that is struck already (or is not), or no steward or reason.
    """
    for name, text in (("steward", steward), ("reason", reason)):
        if not text.strip():
            raise BadQuestion(f"a ruling needs a {name}; write one")
    lap_id = _lap_id(connection, lap)
    struck = bool(connection.execute("from struck_lap where lap_id = ?", [lap_id]).fetchall())
    if struck == (action == STRIKE):
        state = "is struck already" if struck else "is not struck"
        raise BadQuestion(f"{_named(lap)} {state}")
    ruling = _next(connection, action, _subject(lap), steward.strip(), reason.strip(), at)
    connection.execute(
        f"insert into ruling ({FIELDS}, lap_id) values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [*astuple(ruling), lap_id],
    )
    connection.execute("update data_version set data_version = data_version + 1")
    return ruling


def rulings(connection: duckdb.DuckDBPyConnection) -> list[Ruling]:
    """Give the whole record, oldest first."""
    rows = connection.execute(f"select {FIELDS} from ruling order by ruling_no").fetchall()
    return [Ruling(*row) for row in rows]


def check_chain(record: list[Ruling]) -> None:
    """Check that nothing in the record was altered since it was written.

    Raises
    ------
    BenchmarkError
        The first ruling that does not fit the one before it.
    """
    previous = BEGINNING
    for number, ruling in enumerate(record, start=1):
        whole = ruling.ruling_no == number and ruling.previous_hash == previous
        if not whole or ruling.hash != ruling.digest():
            raise BenchmarkError(
                f"the stewards' record was altered at ruling {number}; compare it with a copy"
            )
        previous = ruling.hash


def _next(
    connection: duckdb.DuckDBPyConnection,
    action: str,
    subject: str,
    steward: str,
    reason: str,
    at: datetime | None,
) -> Ruling:
    query = "select ruling_no, hash from ruling order by ruling_no desc limit 1"
    last = connection.execute(query).fetchall()
    number, previous = last[0] if last else (0, BEGINNING)
    when = (at or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
    ruling = Ruling(number + 1, when, steward, action, subject, reason, previous, "")
    return replace(ruling, hash=ruling.digest())


def _lap_id(connection: duckdb.DuckDBPyConnection, lap: Mapping[str, Value]) -> int:
    same = " and ".join(f"{name} = ?" for name in LAP_KEY)
    query = f"select lap_id from lap_table where {same}"
    rows = connection.execute(query, [lap[name] for name in LAP_KEY]).fetchall()
    if not rows:
        raise BadQuestion(f"no lap {_named(lap)} in the store")
    return int(rows[0][0])


def _named(lap: Mapping[str, Value]) -> str:
    return ", ".join(f"{name} {told(name, lap[name])}" for name in LAP_KEY)


def _subject(lap: Mapping[str, Value]) -> str:
    plain = {name: v if isinstance(v := lap[name], int) else str(v) for name in LAP_KEY}
    return json.dumps(plain, ensure_ascii=False)
