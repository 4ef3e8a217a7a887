"""What stewards decided about names and facts, applied to a file that is handed in.

A name that was merged into another is read as that one, and a fact that was corrected stays as it
is where the file still says what was corrected. So an old file adds nothing when it comes again.
"""

from __future__ import annotations

from collections.abc import Iterator

import duckdb

from benchmark.errors import Fault
from benchmark.intake.checks import BUILD, LAP, RUN, SESSION, Scope, contradiction, told
from benchmark.intake.columns import RUN_KEY, stored_name

SPECIFICATION = (
    "driver_level",
    "induction",
    *(fact for fact in RUN.facts if fact.startswith("mod_")),
    "tyre_category",
    "treadwear",
    "tyre_heat_cycles",
)
CORRECTABLE = ("driver", *SPECIFICATION)  # what a steward may correct, all of them facts of a run


def renamed(connection: duckdb.DuckDBPyConnection, file: str) -> tuple[str, str, list[Fault]]:
    """Read merged names in the handed-in tables as the names of now.

    Makes temporary table `rests_on` (kind, id): the merges that the file's names rest on.

    Returns
    -------
    tuple
        The names of the tables of runs and of laps to go on with, and a fault for each row that
        contradicts another one now that they speak of one car.
    """
    connection.execute("create or replace temp table rests_on (kind varchar, id bigint)")
    if not connection.execute("select exists (from alias)").fetchall()[0][0]:
        return "handed_run", "handed_lap", []
    connection.execute(
        """
        create or replace temp table named_run as
        select handed_run.* replace (
            coalesce(car.now_name, handed_run.build) as build,
            coalesce(person.now_name, handed_run.driver) as driver
        )
        from handed_run
        left join known_as as car on car.kind = 'build' and car.name = handed_run.build
        left join known_as as person on person.kind = 'driver' and person.name = handed_run.driver;

        insert into rests_on
        with handed as (
            select distinct 'build' as kind, build as name from handed_run
            union all select distinct 'driver', driver from handed_run
        )
        select distinct 'alias', unnest(numbers) from handed join known_as using (kind, name)
        """
    )
    key = ", ".join(RUN_KEY)
    query = f"select exists (select 1 from named_run group by {key} having count(*) > 1)"
    if connection.execute(query).fetchall()[0][0]:
        return _folded(connection, file)
    return "named_run", "handed_lap", []


def _folded(connection: duckdb.DuckDBPyConnection, file: str) -> tuple[str, str, list[Fault]]:
    """Make one run of those that have the same key, and one lap of theirs of the same number."""
    key = ", ".join(RUN_KEY)
    connection.execute(
        f"""
        create or replace temp table numbered_run as
        select *, min(run_no) over (partition by {key}) as same_no from named_run;

        create or replace temp table numbered_lap as
        select handed_lap.* replace (same_no as run_no)
        from handed_lap join numbered_run using (run_no)
        """
    )
    told_run = ", ".join(f"max({f}) as {f}" for f in (*RUN.facts, *BUILD.facts, *SESSION.facts))
    told_lap = ", ".join(f"max({stored_name(f)}) as {stored_name(f)}" for f in LAP.facts)
    connection.execute(
        f"""
        create or replace temp table folded_run as
        select same_no as run_no, min(row) as row, {key}, {told_run}
        from numbered_run group by same_no, {key};

        create or replace temp table folded_lap as
        select min(row) as row, run_no, lap, {told_lap}
        from numbered_lap group by run_no, lap
        """
    )
    clashes = {BUILD: ("numbered_run", "build"), SESSION: ("numbered_run", ", ".join(SESSION.key)),
               RUN: ("numbered_run", "same_no"), LAP: ("numbered_lap", "run_no, lap")}  # fmt: skip
    faults = [
        fault
        for scope, (table, same) in clashes.items()
        for fact in scope.facts
        for fault in _clashes(connection, file, scope, fact, table, same)
    ]
    return "folded_run", "folded_lap", faults


def _clashes(
    connection: duckdb.DuckDBPyConnection, file: str, scope: Scope, fact: str, table: str, same: str
) -> Iterator[Fault]:
    column = stored_name(fact)
    rows = connection.execute(
        f"""
        with told as (
            select row, {column} as fact, first_value(row) over same as first_row,
                first_value({column}) over same as first_fact
            from {table}
            where {column} is not null
            window same as (partition by {same} order by row)
        )
        from told where fact <> first_fact order by row
        """
    ).fetchall()
    for row, value, first_row, first_value in rows:
        said = (
            f"row {first_row}, of the same {scope.thing} since its names were merged, says "
            f"{told(fact, first_value)}"
        )
        message = f"{said}; {contradiction(scope, fact)}"
        yield Fault(file, row, fact, told(fact, value), message)


def keep_corrections(connection: duckdb.DuckDBPyConnection) -> None:
    """Let corrected facts stand in `new_run` where the file says what was corrected.

    Where it says otherwise and agrees with the correction, it rests on it (`rests_on`).
    """
    facts = connection.execute("select distinct fact from correction order by fact").fetchall()
    for (fact,) in facts:
        was = f"""
            exists (
                from correction
                where correction.run_id = new_run.run_id and fact = '{fact}'
                    and was = cast(new_run.{fact} as varchar)
            )
            """
        connection.execute(
            f"""
            insert into rests_on
            select '{fact}', run_id
            from new_run
            where {fact} is not null and not {was}
                and run_id in (select run_id from correction where fact = '{fact}');

            update new_run set {fact} = run_sheet.{fact}
            from run_sheet
            where run_sheet.run_id = new_run.run_id and {was}
            """
        )
