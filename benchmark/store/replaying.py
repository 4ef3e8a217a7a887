"""Making a store anew from its record and sheets, with the same functions that made it.

Each line is done again in a store that was empty; the line that comes of it must be the same,
hash and all. So a line that does not follow from the ones before it is found at its number.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from types import MappingProxyType

import duckdb
import pyarrow as pa

from benchmark.errors import BenchmarkError
from benchmark.intake.laptable import LapFile
from benchmark.store import (
    adding,
    correcting,
    merging,
    older,
    people,
    protests,
    record,
    settings,
    sheets,
    striking,
    undoing,
)
from benchmark.store.adding import Added
from benchmark.store.correcting import Correction
from benchmark.store.record import Entry, Line
from benchmark.store.roles import Actor, role_of
from benchmark.store.taking import take_in

OF_THE_IMPORT = ("import", "file", "sha256", "repeated")


class Broken(BenchmarkError):
    """The record does not lead to what the store holds; the message says at which line."""


def redo(line: Line, stored: duckdb.DuckDBPyConnection, fresh: duckdb.DuckDBPyConnection) -> None:
    """Do one line again in `fresh`, where the ones before it were, with the sheets of `stored`.

    Raises
    ------
    Broken
        The sheet was altered, or the line does not follow from the ones before.
    """
    actor = Actor(line.who, role_of(line.role))
    fresh.execute("begin")
    try:
        sheet = _sheet(line, stored)
        AGAIN.get(line.action, _note)(fresh, actor, line, sheet)
    except (BenchmarkError, KeyError, ValueError) as error:
        first = str(error).splitlines()[0]
        raise Broken(f"the record breaks at line {line.number} ({line.action}): {first}") from error
    fresh.execute("commit")
    query = "select hash from record where number = ?"
    if fresh.execute(query, [line.number]).fetchall() != [(line.hash,)]:
        raise Broken(
            f"the record breaks at line {line.number} ({line.action}): it does not follow from "
            "the lines before it"
        )


Sheet = tuple[pa.Table, pa.Table] | None


def _sheet(line: Line, stored: duckdb.DuckDBPyConnection) -> Sheet:
    digest = json.loads(line.after).get("sheet")
    if digest is None:
        return None
    import_id = json.loads(line.subject).get("import", older.BASE_SHEET)
    return sheets.read(stored, import_id, digest)


def _take_in(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, sheet: Sheet) -> None:
    subject, after = json.loads(line.subject), json.loads(line.after)
    if sheet is None:
        _note_import(fresh, actor, line)
        return
    lap_file = LapFile(
        Path(subject["file"]),
        subject["file"],
        subject["sha256"],
        *sheet,
        ignored_columns=after["columns_not_used"],
        rounded=after["rounded"],
        repeated=subject["repeated"],
    )
    about = {name: value for name, value in subject.items() if name not in OF_THE_IMPORT}
    taken = take_in(
        fresh,
        actor,
        lap_file,
        action=line.action,
        about=about,
        reason=line.reason,
        at=_at(line),
        kept=after["sheet"],
    )
    if taken.line.hash != line.hash:
        raise Broken("its sheet brings something else")


def _note_import(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line) -> None:
    """Note an import that brought nothing and kept no sheet: its file was there already."""
    subject, after = json.loads(line.subject), json.loads(line.after)
    if after["laps_added"] or after["facts_added"]:
        raise Broken("it brought laps and has no sheet")
    added = Added(0, after["laps_already_there"], 0, after["columns_not_used"], after["rounded"])
    at = _at(line).replace(tzinfo=None)
    adding.note_import(fresh, subject["file"], subject["sha256"], added, at)
    _note(fresh, actor, line, None)


def _strike(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    lap, after = json.loads(line.subject), json.loads(line.after)
    older_ruling = {name: after[name] for name in older.OF_A_RULING if name in after}
    if older_ruling:
        lap_id = striking.lap_id(fresh, lap)
        decided = striking.Decided(line.action, lap_id, lap, line.reason, older_ruling)
        striking.put(fresh, actor, decided, _at(line))
        return
    striking.rule(fresh, actor, line.action, lap, reason=line.reason, at=_at(line))


def _correct(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    said = json.loads(line.subject)
    first = date.fromisoformat(said["from"])
    last = date.fromisoformat(said["to"]) if said["to"] else None
    what = Correction(said["build"], said["set"], first, last)
    correcting.correct(fresh, actor, what, reason=line.reason, at=_at(line))


def _merge(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    (kind, gone), (_, kept) = json.loads(line.subject).items()
    merging.merge(fresh, actor, kind, (gone, kept), reason=line.reason, at=_at(line))


def _protest(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    said, state = json.loads(line.subject), json.loads(line.after)["state"]
    where = (said["circuit"], date.fromisoformat(said["date"]))
    protests.rule(fresh, actor, state, where, reason=line.reason, at=_at(line))


def _person(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    if line.before == line.after:  # a new password, or an owner who was recovered
        _note(fresh, actor, line, None)
        return
    name, role = json.loads(line.subject)["person"], role_of(json.loads(line.after)["role"])
    people.give(fresh, actor, name=name, role=role, reason=line.reason, at=_at(line))


def _setting(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    settings.write(fresh, json.loads(line.subject)["setting"], json.loads(line.after)["value"])
    _note(fresh, actor, line, None)


def _undo(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    number = json.loads(line.subject)["line"]
    undoing.undo(fresh, actor, number, reason=line.reason, at=_at(line))


def _note(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, _: Sheet) -> None:
    """Write a line that changes no lap as it stands."""
    subject, before, after = map(json.loads, (line.subject, line.before, line.after))
    record.append(fresh, actor, Entry(line.action, subject, line.reason, before, after), _at(line))


def _base(fresh: duckdb.DuckDBPyConnection, actor: Actor, line: Line, sheet: Sheet) -> None:
    if sheet is None:
        raise Broken("it has no sheet")
    older.replay(fresh, actor, line, *sheet)


def _at(line: Line) -> datetime:
    return datetime.fromisoformat(line.at)


AGAIN: Mapping[str, Callable[[duckdb.DuckDBPyConnection, Actor, Line, Sheet], None]]
AGAIN = MappingProxyType(
    {
        older.BASE: _base,
        record.IMPORT: _take_in,
        record.ACCEPT: _take_in,
        striking.STRIKE: _strike,
        striking.UNSTRIKE: _strike,
        correcting.CORRECT: _correct,
        merging.MERGE: _merge,
        protests.PROTEST: _protest,
        people.PERSON: _person,
        settings.SETTINGS: _setting,
        undoing.UNDO: _undo,
    }
)
