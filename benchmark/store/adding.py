"""Adding a lap file to the store: what is new, what is there already, what contradicts it.

First `prepare` fills temporary tables, which a reader may do as well, and the questions are asked
of them; then `insert` writes, within the one transaction that its caller holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib import resources

import duckdb

from benchmark.errors import Fault, FaultyFile
from benchmark.intake.checks import BUILD, LAP, RUN, SESSION, Scope, contradiction, told
from benchmark.intake.columns import RUN_KEY, stored_name
from benchmark.intake.laptable import LapFile, place_of
from benchmark.store import known

# What a scope's facts are compared with: the prepared rows, and the stored ones as `stored`.
COMPARED = {
    BUILD: "new_run as new join build using (build) join model as stored using (model_id)",
    SESSION: "new_session as new join session as stored using (session_id)",
    RUN: "new_run as new join run_sheet as stored using (run_id)",
    LAP: "new_lap as new join lap as stored using (lap_id)",
}
# Facts that the store may lack and a later file may bring.
MAY_LACK = {
    SESSION: ("start_time",),
    RUN: tuple(n for n in RUN.facts if n not in ("driver", "tyre_category", "surface")),
    LAP: ("timing", "timing_u_s", "evidence"),
}
INSERT = resources.files("benchmark.store").joinpath("insert.sql").read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Added:
    """What a lap file brought, or would bring.

    `facts_added` counts cells that the store had as not recorded and the file knows: one a run for
    weather, specification, tyre and driver level, one a session for its start, one a lap for its
    timing and evidence. `rounded` counts the file's lap times with more than four decimals.
    """

    laps_added: int
    laps_already_there: int
    facts_added: int
    ignored_columns: list[str]
    rounded: int


def look(connection: duckdb.DuckDBPyConnection, lap_file: LapFile) -> Added:
    """Say what adding the file would bring, and leave it prepared for `insert`.

    Raises
    ------
    FaultyFile
        The file has faults, or contradicts the store; each one is named.
    """
    faults = [*lap_file.faults, *prepare(connection, lap_file)]
    faults += contradictions(connection, lap_file.name)
    if faults:
        raise FaultyFile(sorted(faults, key=place_of))
    return count(connection, lap_file)


def prepare(connection: duckdb.DuckDBPyConnection, lap_file: LapFile) -> list[Fault]:
    """Fill temporary tables `new_run`, `new_session` and `new_lap` from the file.

    Their ids are those of the store, NULL for what it does not have yet. Names that were merged
    have the name of now, and facts that were corrected stand: what cannot be so is given as faults.
    """
    connection.register("handed_run", lap_file.runs)
    connection.register("handed_lap", lap_file.run_laps)
    runs, laps, faults = known.renamed(connection, lap_file.name)
    connection.execute(
        f"""
        create or replace temp table new_run as
        select {runs}.*, run_sheet.run_id
        from {runs}
        left join run_sheet using ({", ".join(RUN_KEY)});

        create or replace temp table new_lap as
        select {laps}.*, lap.lap_id
        from {laps}
        join new_run using (run_no)
        left join lap on lap.run_id = new_run.run_id and lap.lap = {laps}.lap;
        """
    )
    known.keep_corrections(connection)
    connection.execute(
        f"""
        create or replace temp table new_session as
        select session_sheet.session_id, min(new_run.row) as row,
            any_value(new_run.start_time) as start_time
        from new_run
        join session_sheet using ({", ".join(SESSION.key)})
        group by session_sheet.session_id
        """
    )
    connection.unregister("handed_run")
    connection.unregister("handed_lap")
    return faults


def contradictions(connection: duckdb.DuckDBPyConnection, file: str) -> list[Fault]:
    """Name every fact of the prepared file that the store has otherwise."""
    return [
        fault
        for scope in COMPARED
        for fact in _facts_that_differ(connection, scope)
        for fault in _contradicted(connection, scope, fact, file)
    ]


def _facts_that_differ(connection: duckdb.DuckDBPyConnection, scope: Scope) -> list[str]:
    """Ask once for all facts: hardly ever does one differ."""
    columns = [stored_name(fact) for fact in scope.facts]
    differ = ", ".join(f"coalesce(bool_or(new.{c} <> stored.{c}), false)" for c in columns)
    flags = connection.execute(f"select {differ} from {COMPARED[scope]}").fetchall()[0]
    return [fact for fact, flag in zip(scope.facts, flags, strict=True) if flag]


def _contradicted(
    connection: duckdb.DuckDBPyConnection, scope: Scope, fact: str, file: str
) -> Iterator[Fault]:
    column = stored_name(fact)
    rows = connection.execute(
        f"""
        select new.row, new.{column}, stored.{column}
        from {COMPARED[scope]}
        where new.{column} <> stored.{column}
        order by new.row
        """
    ).fetchall()
    for row, value, stored in rows:
        said = f"the store has {told(fact, stored)} for the same {scope.thing}"
        message = f"{said}; {contradiction(scope, fact)}"
        yield Fault(file, row, fact, told(fact, value), message)


def count(connection: duckdb.DuckDBPyConnection, lap_file: LapFile) -> Added:
    """Count what the prepared file brings."""
    added = connection.execute("select count(*) from new_lap where lap_id is null").fetchall()[0][0]
    facts = sum(_facts_lacking(connection, scope) for scope in MAY_LACK)
    return Added(
        laps_added=added,
        laps_already_there=lap_file.run_laps.num_rows - added + lap_file.repeated,
        facts_added=facts,
        ignored_columns=list(lap_file.ignored_columns),
        rounded=lap_file.rounded,
    )


def _facts_lacking(connection: duckdb.DuckDBPyConnection, scope: Scope) -> int:
    lacking = " + ".join(
        f"count(*) filter (stored.{fact} is null and new.{fact} is not null)"
        for fact in MAY_LACK[scope]
    )
    return int(connection.execute(f"select {lacking} from {COMPARED[scope]}").fetchall()[0][0])


def note_import(
    connection: duckdb.DuckDBPyConnection, file: str, sha256: str, added: Added, at: datetime
) -> int:
    """Note what a file brought, at `at` (UTC), and give the number of the import."""
    query = "select coalesce(max(import_id), 0) + 1 from import"
    import_id = int(connection.execute(query).fetchall()[0][0])
    connection.execute(
        "insert into import values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            import_id,
            file,
            sha256,
            at,
            added.laps_added,
            added.laps_already_there,
            added.facts_added,
            added.rounded,
            ", ".join(added.ignored_columns),
        ],
    )
    return import_id


def insert(
    connection: duckdb.DuckDBPyConnection, added: Added, import_id: int, number: int
) -> None:
    """Write the prepared file as that import, and what undoing line `number` needs."""
    if not added.laps_added and not added.facts_added:
        if not is_known(connection, import_id):
            _note_touched(connection, number)
        return
    last_run = _last_run(connection)
    if added.facts_added:
        for scope, facts in MAY_LACK.items():
            _fill_in(connection, scope, facts, number)
    if added.laps_added:
        connection.execute(
            "create or replace temp table this_import as select ? as id", [import_id]
        )
        connection.execute(INSERT)
    connection.execute(
        "insert into made values (?, ?, ?, ?)",
        [number, import_id, last_run + 1, _last_run(connection)],
    )
    _note_touched(connection, number)
    connection.execute("update data_version set data_version = data_version + 1")


def is_known(connection: duckdb.DuckDBPyConnection, import_id: int) -> bool:
    """Tell whether the same file brought something before: what it says rests on that import."""
    query = """
        select exists (
            from import join import as earlier using (sha256)
            where import.import_id = ? and earlier.import_id in (select import_id from made)
        )
        """
    return bool(connection.execute(query, [import_id]).fetchall()[0][0])


def _last_run(connection: duckdb.DuckDBPyConnection) -> int:
    query = "select coalesce(max(run_id), 0) from known_run"
    return int(connection.execute(query).fetchall()[0][0])


def _note_touched(connection: duckdb.DuckDBPyConnection, number: int) -> None:
    """Note the runs of before that the file speaks of, what it rests on, and session starts."""
    told = {"number": number}
    connection.execute(
        """
        insert into touch
        select $number, 'run', run_id,
            bool_or(new_lap.lap_id is null)
            or run_id in (select id from filled where number = $number and thing = 'run')
            or bool_or(new_lap.lap_id in (
                select id from filled where number = $number and thing = 'lap'
            ))
        from new_run join new_lap using (run_no)
        where run_id is not null
        group by run_id
        """,
        told,
    )
    connection.execute("insert into touch select $number, kind, id, false from rests_on", told)
    connection.execute(
        f"""
        insert into session_told
        select $number, session_sheet.session_id, any_value(new_run.start_time)
        from new_run
        join session_sheet using ({", ".join(SESSION.key)})
        where new_run.start_time is not null
        group by session_sheet.session_id
        """,
        told,
    )


def _fill_in(
    connection: duckdb.DuckDBPyConnection, scope: Scope, facts: tuple[str, ...], number: int
) -> None:
    thing = scope.thing
    lacking = {f: f"{thing}.{f} is null and new.{f} is not null" for f in facts}
    same = f"{thing}.{thing}_id = new.{thing}_id"
    if scope is not SESSION:  # what is told of a session's start is kept by itself
        for fact, lacks in lacking.items():
            connection.execute(
                f"""
                insert into filled
                select ?, '{thing}', {thing}.{thing}_id, '{fact}'
                from {thing} join new_{thing} as new on {same}
                where {lacks}
                """,
                [number],
            )
    filled = ", ".join(f"{fact} = coalesce({thing}.{fact}, new.{fact})" for fact in facts)
    connection.execute(
        f"""
        update {thing} set {filled}
        from new_{thing} as new
        where {same} and ({" or ".join(f"({lacks})" for lacks in lacking.values())})
        """
    )
