"""What a store holds, in parts that can be compared with another store's.

A part is a query whose rows say everything that matters, by names and not by the inner numbers of
names. Laps are summed up run by run, so that a million of them compare in seconds.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from types import MappingProxyType

import duckdb
import pyarrow as pa

from benchmark.intake.columns import RUN_KEY, FactOf, facts_of, stored_name

RUN_SAYS = (*facts_of(FactOf.RUN), *facts_of(FactOf.BUILD), *facts_of(FactOf.SESSION))
LAP_SAYS = ("lap", *(stored_name(fact) for fact in facts_of(FactOf.LAP)), "lap_id", "import_id")
KEY = ", ".join(RUN_KEY)


def _text(names: tuple[str, ...], table: str) -> str:
    """Write one text that differs wherever a value does, missing ones too."""
    values = ", ".join(f"{table}.{name}" for name in names)
    return f"cast(row({values}) as varchar)"


RUNS = f"""
    select {KEY}, run_sheet.run_id, {_text(RUN_SAYS, "run_sheet")} as says, laps.laps, laps.digest
    from run_sheet
    left join (
        select run_id, count(*) as laps,
            sha256(string_agg({_text(LAP_SAYS, "lap")}, '|' order by lap, lap_id)) as digest
        from lap
        group by run_id
    ) as laps using (run_id)
    """
RUNS_ASIDE = """
    select run_aside.* exclude (session_id, build_id, driver_id), circuit, layout, date, session,
        build, driver
    from run_aside
    join session_sheet using (session_id)
    join build using (build_id)
    join driver using (driver_id)
    """
# Where a merge moved something from: by name, since numbers of names may differ after a replay.
MOVED = """
    select number, thing, id, part, coalesce(build, driver, cast(was_id as varchar)) as was
    from moved
    left join build on part = 'build_id' and build_id = was_id
    left join driver on part = 'driver_id' and driver_id = was_id
    """
TOLD = """
    select number, circuit, layout, date, session, session_told.start_time
    from session_told
    join session_sheet using (session_id)
    """
PARTS: Mapping[str, str] = MappingProxyType(
    {
        "laps": RUNS,
        "runs set aside": RUNS_ASIDE,
        "laps set aside": "from lap_aside",
        "struck laps": "from struck",
        "events": "select circuit, date from event join circuit using (circuit_id)",
        "sessions": "select * exclude (session_id) from session_sheet",
        "builds": "select build, model from build join model using (model_id)",
        "drivers": "select driver from driver",
        "merged names": "from alias",
        "corrections": "from correction",
        "people": "select name, role from person",
        "protest periods": "from protest",
        "settings": "from setting",
        "imports": "from import",
        "undone lines": "from undone",
        "what undoing needs (runs made)": "from made",
        "what undoing needs (rows touched)": "from touch",
        "what undoing needs (facts filled)": "from filled",
        "what undoing needs (rows moved)": MOVED,
        "what undoing needs (starts told)": TOLD,
    }
)


def rows_of(connection: duckdb.DuckDBPyConnection, part: str) -> pa.Table:
    """Give the rows of one part; the same store gives the same rows in any order."""
    return connection.sql(PARTS[part]).to_arrow_table()


def fingerprint(connection: duckdb.DuckDBPyConnection) -> str:
    """Give one SHA-256 over every part: two stores that have it alike hold the same."""
    digest = hashlib.sha256()
    for part, query in PARTS.items():
        rows = connection.execute(
            f"select sha256(cast(row(part) as varchar)) from ({query}) as part order by 1"
        ).fetchall()
        digest.update(f"{part}:{len(rows)}\n".encode())
        for (row,) in rows:
            digest.update(row.encode())
    return digest.hexdigest()
