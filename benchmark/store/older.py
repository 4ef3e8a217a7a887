"""What a store of before schema 3 knew, moved into the record.

Its laps become a sheet of their own with the record's first line, so that a replay has where to
begin. Its stewards' rulings had a chain; each becomes a line that keeps who, when and why, with its
old number and hash, from which the old chain can still be checked.
"""

from __future__ import annotations

import hashlib
import json
import logging
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from benchmark.intake.columns import RUN_KEY, FactOf, facts_of, stored_name
from benchmark.intake.laptable import LapFile
from benchmark.store import adding, record, sheets, striking
from benchmark.store.record import Entry, Json, Line
from benchmark.store.roles import Actor, Role

LOG = logging.getLogger(__name__)
BASE = "base"
BASE_SHEET = 0  # imports are numbered from 1
RULING = "ruling_no, ruled_at, steward, action, subject, reason, previous_hash, hash, lap_id"
IMPORT = (
    "import_id",
    "file",
    "sha256",
    "imported_at",
    "laps_added",
    "laps_already_there",
    "facts_added",
    "rounded",
    "ignored_columns",
)
OF_A_RULING = ("older_ruling", "older_hash")
PROGRAM = Actor("benchmark", Role.OWNER)


def to_record(connection: duckdb.DuckDBPyConnection) -> None:
    """Begin the record with what is in the store, and put away the table of rulings."""
    rows = connection.execute(f"select {RULING} from ruling order by ruling_no").fetchall()
    _warn_of_alteration(rows)
    _begin(connection)
    for number, at, steward, action, subject, reason, _, own_hash, lap_id in rows:
        older = dict(zip(OF_A_RULING, (number, own_hash), strict=True))
        key, when = json.loads(subject), datetime.fromisoformat(at)
        actor = Actor(steward, Role.STEWARD)
        decided = striking.Decided(action, lap_id, key, reason, older)
        striking.put(connection, actor, decided, when)
    connection.execute("drop table ruling")


def _begin(connection: duckdb.DuckDBPyConnection) -> None:
    """Keep the laps of before as the sheet of the first line, with the imports they came by."""
    imports = connection.execute(
        f"select {', '.join(IMPORT)} from import order by import_id"
    ).fetchall()
    if not imports:
        return
    run_facts = (*RUN_KEY, *facts_of(FactOf.RUN), *facts_of(FactOf.BUILD))
    lap_facts = ", ".join(stored_name(fact) for fact in facts_of(FactOf.LAP))
    runs = connection.sql(
        f"""
        select run_id as run_no, run_id as row, {", ".join(run_facts)}, start_time
        from run_sheet order by run_id
        """
    ).to_arrow_table()
    laps = connection.sql(
        f"""
        select cast(lap_id as integer) as row, run_id as run_no, lap, {lap_facts}, import_id
        from lap order by lap_id
        """
    ).to_arrow_table()
    told = [dict(zip(IMPORT, map(_plain, row), strict=True)) for row in imports]
    digest = sheets.keep(connection, BASE_SHEET, runs, laps)
    number = _append(connection, PROGRAM, {"laps": laps.num_rows}, told, digest, None).number
    connection.execute("insert into made values (?, ?, 1, ?)", [number, BASE_SHEET, runs.num_rows])
    connection.execute(
        """
        insert into session_told
        select ?, session_id, start_time from session where start_time is not null
        """,
        [number],
    )


def replay(
    connection: duckdb.DuckDBPyConnection, actor: Actor, line: Line, runs: pa.Table, laps: pa.Table
) -> None:
    """Make the laps of before anew in an empty store, from the sheet that the line names."""
    subject, after = json.loads(line.subject), json.loads(line.after)
    lap_file = LapFile(Path(BASE), BASE, "", runs, laps.drop_columns("import_id"))
    added = adding.look(connection, lap_file)
    at = datetime.fromisoformat(line.at)
    made = _append(connection, actor, subject, after["imports"], after["sheet"], at)
    marks = ", ".join("?" * len(IMPORT))
    for row in after["imports"]:
        values = [row[name] for name in IMPORT]
        connection.execute(f"insert into import values ({marks})", values)
    adding.insert(connection, added, BASE_SHEET, made.number)
    connection.register("base_lap", laps.select(["row", "import_id"]))
    connection.execute(
        "update lap set import_id = base_lap.import_id from base_lap where lap_id = base_lap.row"
    )
    connection.unregister("base_lap")


def _append(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    subject: Json,
    imports: list[dict[str, Any]],
    digest: str,
    at: datetime | None,
) -> Line:
    entry = Entry(
        BASE,
        subject,
        "the store was brought to schema 3; its record begins with the laps that it had",
        {},
        {"imports": imports, "sheet": digest},
    )
    return record.append(connection, actor, entry, at)


def _plain(value: object) -> object:
    return str(value) if isinstance(value, datetime) else value


def _warn_of_alteration(rows: list[tuple[Any, ...]]) -> None:
    previous = record.BEGINNING
    for number, row in enumerate(rows, start=1):
        said = json.dumps(row[:7], ensure_ascii=False, separators=(",", ":"))
        is_whole = row[0] == number and row[6] == previous
        if not is_whole or hashlib.sha256(said.encode()).hexdigest() != row[7]:
            LOG.warning("the stewards' record had been altered at ruling %d", number)
            return
        previous = row[7]
