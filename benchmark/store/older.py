"""What a store of before schema 3 knew of decisions, moved into the record.

Its stewards' rulings had a chain of their own. Each becomes a line that keeps who, when and why,
with its old number and hash, from which the old chain can still be checked.
"""

from __future__ import annotations

import hashlib
import json
import logging
from datetime import datetime
from typing import Any

import duckdb

from benchmark.store import record
from benchmark.store.record import Entry
from benchmark.store.roles import Actor, Role

LOG = logging.getLogger(__name__)
FIELDS = "ruling_no, ruled_at, steward, action, subject, reason, previous_hash, hash, lap_id"


def to_record(connection: duckdb.DuckDBPyConnection) -> None:
    """Move the rulings into the record, and put away their table."""
    rows = connection.execute(f"select {FIELDS} from ruling order by ruling_no").fetchall()
    _warn_of_alteration(rows)
    for number, at, steward, action, subject, reason, _, own_hash, lap_id in rows:
        is_struck = action == "strike"
        after = {"struck": is_struck, "older_ruling": number, "older_hash": own_hash}
        entry = Entry(action, json.loads(subject), reason, {"struck": not is_struck}, after)
        actor = Actor(steward, Role.STEWARD)
        line = record.append(connection, actor, entry, datetime.fromisoformat(at))
        connection.execute("delete from struck where lap_id = ?", [lap_id])
        if is_struck:
            connection.execute("insert into struck values (?, ?)", [lap_id, line.number])
    connection.execute("drop table ruling")


def _warn_of_alteration(rows: list[tuple[Any, ...]]) -> None:
    previous = record.BEGINNING
    for number, row in enumerate(rows, start=1):
        said = json.dumps(row[:7], ensure_ascii=False, separators=(",", ":"))
        is_whole = row[0] == number and row[6] == previous
        if not is_whole or hashlib.sha256(said.encode()).hexdigest() != row[7]:
            LOG.warning("the stewards' record had been altered at ruling %d", number)
            return
        previous = row[7]
