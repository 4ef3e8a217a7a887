"""Merging two names of one build, or of one driver; what both had alike is set aside, not lost.

Everything is done on sets of rows. What a merge moved, filled in and set aside stays in the store
with the number of its line, so that it can be undone exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import duckdb

from benchmark.errors import BadQuestion
from benchmark.intake.checks import LAP, RUN, Scope, contradiction, told
from benchmark.intake.columns import stored_name
from benchmark.store import record
from benchmark.store.adding import MAY_LACK
from benchmark.store.known import CORRECTABLE
from benchmark.store.naming import id_of, known_name
from benchmark.store.record import Entry, Line
from benchmark.store.roles import Actor

MERGE = "merge"
FAULTS_TOLD = 50


def merge(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    kind: str,
    names: tuple[str, str],
    *,
    reason: str,
    at: datetime | None = None,
) -> Line:
    """Merge a name into another, within the transaction that the caller holds.

    Parameters
    ----------
    kind : "build" or "driver".
    names : the name that is given up, and the one that stays; imports of the first follow.

    Raises
    ------
    BadQuestion
        An unknown name, no reason, or facts of the two that contradict each other: each is named.
    """
    record.given(reason=reason)
    gone, kept = (known_name(connection, kind, name) for name in names)
    if gone == kept:
        raise BadQuestion(f"{gone} is one name already")
    merging = _merge_builds if kind == "build" else _merge_drivers
    counts = _look_builds(connection, gone, kept) if kind == "build" else _look(connection, gone)
    entry = Entry(MERGE, {kind: gone, "into": kept}, reason, {kind: gone}, {kind: kept, **counts})
    line = record.append(connection, actor, entry, at)
    merging(connection, line.number, id_of(connection, kind, gone), id_of(connection, kind, kept))
    connection.execute("insert into alias values (?, ?, ?, ?)", [kind, gone, kept, line.number])
    connection.execute("update data_version set data_version = data_version + 1")
    return line


def _look(connection: duckdb.DuckDBPyConnection, driver: str) -> dict[str, int]:
    query = "select count(*) from run join driver using (driver_id) where driver = ?"
    return {"runs_moved": int(connection.execute(query, [driver]).fetchall()[0][0])}


def _merge_drivers(
    connection: duckdb.DuckDBPyConnection, number: int, gone_id: int, kept_id: int
) -> None:
    told = {"number": number, "gone": gone_id}
    # A run that was corrected away from this driver would be moved too, were that undone.
    connection.execute(
        """
        insert into touch
        select $number, unnest(['run', 'driver']), run_id, true from run where driver_id = $gone
        union all
        select $number, 'driver', run_id, false
        from correction join driver on driver = was
        where fact = 'driver' and driver_id = $gone
        """,
        told,
    )
    _move_runs(connection, number, "driver_id", gone_id, kept_id)


def _move_runs(
    connection: duckdb.DuckDBPyConnection, number: int, part: str, gone_id: int, kept_id: int
) -> None:
    connection.execute(
        f"insert into moved select ?, 'run', run_id, '{part}', {part} from run where {part} = ?",
        [number, gone_id],
    )
    connection.execute(f"update run set {part} = ? where {part} = ?", [kept_id, gone_id])


def _look_builds(connection: duckdb.DuckDBPyConnection, gone: str, kept: str) -> dict[str, int]:
    """Pair the runs and laps that both have, refuse those that contradict, and count.

    Makes temporary tables `pair` and `lap_pair` (gone_id, kept_id).
    """
    ids = {"gone": id_of(connection, "build", gone), "kept": id_of(connection, "build", kept)}
    connection.execute(
        """
        create or replace temp table pair as
        select gone.run_id as gone_id, kept.run_id as kept_id
        from run as gone
        join run as kept on kept.session_id = gone.session_id and kept.run = gone.run
        where gone.build_id = $gone and kept.build_id = $kept
        """,
        ids,
    )
    connection.execute(
        """
        create or replace temp table lap_pair as
        select gone.lap_id as gone_id, kept.lap_id as kept_id
        from pair
        join lap as gone on gone.run_id = pair.gone_id
        join lap as kept on kept.run_id = pair.kept_id and kept.lap = gone.lap
        """
    )
    faults = [*_models(connection, gone, kept), *_differences(connection, gone, kept)]
    if faults:
        more = len(faults) - FAULTS_TOLD
        lines = [f"{gone} and {kept} cannot be one build:", *faults[:FAULTS_TOLD]]
        raise BadQuestion("\n".join(lines + ([f"and {more} more"] if more > 0 else [])))
    counted = connection.execute(
        """
        select
            (select count(*) from run where build_id = $gone) - (select count(*) from pair),
            (select count(*) from pair),
            (select count(*) from lap_pair)
        """,
        {"gone": ids["gone"]},
    ).fetchall()[0]
    return dict(zip(("runs_moved", "runs_joined", "laps_set_aside"), counted, strict=True))


def _models(connection: duckdb.DuckDBPyConnection, gone: str, kept: str) -> Iterator[str]:
    query = "select model from build join model using (model_id) where build = ?"
    models = [connection.execute(query, [name]).fetchall()[0][0] for name in (gone, kept)]
    if models[0] != models[1]:
        yield (
            f"model is {models[0]} for {gone} and {models[1]} for {kept}; a build has one model: "
            "these are two cars, or one of them was handed in under a wrong model"
        )


def _differences(connection: duckdb.DuckDBPyConnection, gone: str, kept: str) -> Iterator[str]:
    """Name each fact of a run or lap, and each strike, that the two names have otherwise."""
    sheets = {RUN: ("pair", "run_sheet", "run_id"), LAP: ("lap_pair", "lap_table", "lap_id")}
    for scope, (pairs, view, own_id) in sheets.items():
        for fact in scope.facts:
            column = stored_name(fact)
            rows = connection.execute(
                f"""
                select {", ".join(f"gone.{name}" for name in _key(scope))},
                    gone.{column}, kept.{column}
                from {pairs}
                join {view} as gone on gone.{own_id} = gone_id
                join {view} as kept on kept.{own_id} = kept_id
                where gone.{column} <> kept.{column}
                order by all
                """
            ).fetchall()
            for *key, one, other in rows:
                where = _where(scope, key)
                values = f"{told(fact, one)} for {gone} and {told(fact, other)} for {kept}"
                yield f"{where}: {fact} is {values}; {contradiction(scope, fact)}"
    yield from _struck_once(connection)


def _struck_once(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    rows = connection.execute(
        f"""
        select {", ".join(_key(LAP))}
        from lap_pair join lap_table on lap_id = gone_id
        where (gone_id in (select lap_id from struck)) <> (kept_id in (select lap_id from struck))
        order by all
        """
    ).fetchall()
    for key in rows:
        yield f"{_where(LAP, key)}: is struck under one name only; strike or unstrike one"


def _key(scope: Scope) -> list[str]:
    return [name for name in scope.key if name != "build"]


def _where(scope: Scope, key: tuple[object, ...] | list[object]) -> str:
    return ", ".join(f"{name} {value}" for name, value in zip(_key(scope), key, strict=True))


def _merge_builds(
    connection: duckdb.DuckDBPyConnection, number: int, gone_id: int, kept_id: int
) -> None:
    _note_touched(connection, number, gone_id)
    for scope, pairs in ((RUN, "pair"), (LAP, "lap_pair")):
        _fill_in(connection, number, scope, pairs)
    steps = (
        """
        insert into lap_aside
        select $number, lap.* from lap where lap_id in (select gone_id from lap_pair)
        """,
        """
        insert into run_aside
        select $number, run.* from run where run_id in (select gone_id from pair)
        """,
        """
        insert into moved
        select $number, 'lap', lap_id, 'run_id', run_id from lap
        where run_id in (select gone_id from pair) and lap_id not in (select gone_id from lap_pair)
        """,
    )
    for step in steps:
        connection.execute(step, {"number": number})
    connection.execute(
        """
        delete from lap where lap_id in (select gone_id from lap_pair);
        update lap set run_id = pair.kept_id from pair where lap.run_id = pair.gone_id;
        delete from run where run_id in (select gone_id from pair)
        """
    )
    _move_runs(connection, number, "build_id", gone_id, kept_id)


def _note_touched(connection: duckdb.DuckDBPyConnection, number: int, gone_id: int) -> None:
    """Note every run that changes, and for what both had all that had to agree."""
    connection.execute(
        f"""
        insert into touch
        with paired as (select unnest([gone_id, kept_id]) as run_id from pair)
        select $number, 'run', run_id, true from run where build_id = $gone
        union all select $number, 'run', kept_id, true from pair
        union all select $number, unnest({list(CORRECTABLE)}), run_id, false from paired
        union all select $number, 'struck', unnest([gone_id, kept_id]), false from lap_pair
        """,
        {"number": number, "gone": gone_id},
    )


def _fill_in(connection: duckdb.DuckDBPyConnection, number: int, scope: Scope, pairs: str) -> None:
    """Let what stays know what only the other name had recorded."""
    thing = scope.thing
    for fact in MAY_LACK[scope]:
        connection.execute(
            f"""
            insert into filled
            select ?, '{thing}', kept_id, '{fact}'
            from {pairs}
            join {thing} as gone on gone.{thing}_id = gone_id
            join {thing} as kept on kept.{thing}_id = kept_id
            where kept.{fact} is null and gone.{fact} is not null
            """,
            [number],
        )
        connection.execute(
            f"""
            update {thing} set {fact} = gone.{fact}
            from {pairs} join {thing} as gone on gone.{thing}_id = gone_id
            where {thing}.{thing}_id = kept_id and {thing}.{fact} is null
                and gone.{fact} is not null
            """
        )


def undo(connection: duckdb.DuckDBPyConnection, number: int) -> None:
    """Give everything back to the name that was given up."""
    for thing in ("run", "lap"):
        connection.execute(
            f"insert into {thing} select * exclude (number) from {thing}_aside where number = ?",
            [number],
        )
        connection.execute(f"delete from {thing}_aside where number = ?", [number])
    for thing, part in (("lap", "run_id"), ("run", "build_id"), ("run", "driver_id")):
        connection.execute(
            f"""
            update {thing} set {part} = was_id from moved
            where number = ? and thing = '{thing}' and part = '{part}' and id = {thing}_id
            """,
            [number],
        )
    connection.execute("delete from alias where number = ?", [number])
