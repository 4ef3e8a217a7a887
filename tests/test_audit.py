"""The audit: a store that was tampered with anywhere is found out, and told where."""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TypeAlias

import duckdb
import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import BenchmarkError
from benchmark.store import (
    deciding,
    fingerprint,
    handing_in,
    migrate,
    opening,
    people,
    record,
    rulings,
    settings,
    sheets,
)
from benchmark.store.audit import audit, compare
from benchmark.store.fingerprint import PARTS
from benchmark.store.record import Line
from benchmark.store.replaying import redo
from benchmark.store.roles import Role
from benchmark.store.rulings import Correction
from benchmark.store.store import Store
from tests.lap_files import KEY, lap, read_once, write
from tests.rulings import AT, add, new_store, two_builds

Opened: TypeAlias = tuple[duckdb.DuckDBPyConnection, duckdb.DuckDBPyConnection, list[Line]]
DAY = date(2025, 4, 12)
STORES = Path(__file__).parent / "stores"


class Anna:
    """Is signed in."""

    def person(self) -> str:
        return "Anna Pell"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which everything has happened once."""
    folder = tmp_path_factory.mktemp("whole")
    with new_store(folder) as store:
        two_builds(store)
        add(store, [lap(1, session="S7", start_time="09:00", build="Teal")], "late.csv")
        add(store, [lap(1, session="S7", humidity_pct="40", build="Teal")], "facts.csv")
        store.strike(KEY, reason="cut", at=AT)
        store.strike({**KEY, "lap": 1}, reason="cut", at=AT)
        store.unstrike(KEY, reason="seen", at=AT)
        what = Correction("Auk", {"mod_aero": "2", "driver": "B. Fen"}, DAY)
        rulings.correct(store, what, reason="wing", at=AT)
        store.strike({**KEY, "build": "Blue Heron 7", "lap": 1}, reason="cut", at=AT)
        rulings.merge(store, "build", ("Blue Heron 7", "Blue Heron"), reason="one", at=AT)
        number = rulings.protest(store, "open", ("Quillmoor", DAY), reason="now", at=AT).number
        rulings.undo(store, number, reason="not yet", at=AT)
        rulings.protest(store, "open", ("Quillmoor", DAY), reason="now", at=AT)
        path = write(folder, [lap(1, session="S8")], name="handed.csv")
        table, body = read_once(path), path.read_bytes()
        handed = handing_in.hand_in(store, table, body, at=AT).submission.number
        deciding.accept(store, handed, table, at=AT)
        path = write(folder, [lap(1, session="S9")], name="wrong.csv")
        table, body = read_once(path), path.read_bytes()
        handed = handing_in.hand_in(store, table, body, at=AT).submission.number
        path = write(folder, [lap(1, "1:09.0", session="S9")], name="mended.csv")
        mended = read_once(path)
        deciding.accept(store, handed, mended, corrected=path.read_bytes(), reason="misread", at=AT)
        settings.change_setting(store, settings.VISITORS_HAND_IN, settings.YES, at=AT)
        people.name_role(store, "Anna Pell", Role.OWNER, at=AT)
    with Store.open(folder / "laps.duckdb", write=True, who=Anna()) as store:
        people.name_role(store, "Ben Ruddock", Role.STEWARD, at=AT)
    return folder / "laps.duckdb"


@pytest.fixture
def db(whole: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "laps.duckdb"
    copy.write_bytes(whole.read_bytes())
    return copy


def found_out(db: Path) -> str:
    with Store.open(db) as store, pytest.raises(BenchmarkError) as altered:
        audit(store)
    return str(altered.value)


def test_a_whole_store_passes(whole: Path) -> None:
    with Store.open(whole) as store:
        found, lines = audit(store), store.record()
    assert (found.lines, found.last_hash) == (len(lines), lines[-1].hash)
    assert (found.laps, found.struck) == (10, 2)
    assert {line.action for line in lines} >= {"import", "merge", "correct", "undo", "person"}


def columns() -> Iterator[tuple[str, str]]:
    """Every column of every table whose tampering has to be found."""
    with Store.empty() as store:
        names = ("lap", "run", "struck", "person", "alias", "protest", "correction", "touch",
                 "filled", "moved", "made", "session_told", "lap_aside", "run_aside", "undone",
                 "import", "sheet", "build", "model", "driver", "session", "layout", "circuit",
                 "event", "setting")  # fmt: skip
        query = "select column_name from duckdb_columns() where table_name = ? and not internal"
        for table in names:
            for (column,) in store._rows(query, [table]):
                yield table, column
    yield from (("submission", name) for name in ("submission_no", "sha256", "body", "state",
                                                  "decided_no"))  # fmt: skip
    yield from (("corrected_file", name) for name in ("number", "sha256", "body"))


# The inner number of a person is told nowhere.
ALTERED = [pair for pair in columns() if pair != ("person", "person_id")]


@pytest.fixture(scope="module")
def opened(whole: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    """A copy of the store beside its replay; each test takes back what it alters."""
    copy = tmp_path_factory.mktemp("altered") / "laps.duckdb"
    copy.write_bytes(whole.read_bytes())
    with Store.open(copy, write=True) as store, opening.memory() as fresh:
        migrate.new_store(fresh)
        lines = store.record()
        for line in lines:
            redo(line, store._connection, fresh)
        read, made = fingerprint.rows_of, {part: fingerprint.rows_of(fresh, part) for part in PARTS}
        with pytest.MonkeyPatch.context() as patch:  # what is never altered is asked once
            patch.setattr(
                fingerprint, "rows_of", lambda c, part: made[part] if c is fresh else read(c, part)
            )
            yield store._connection, fresh, lines


def is_found(opened: Opened, table: str, alteration: str) -> None:
    stored = opened[0]
    stored.execute("begin")
    try:
        stored.execute(alteration)
        with pytest.raises(BenchmarkError):
            look(opened, of_sheets=table == "sheet")
    finally:
        stored.execute("rollback")


def look(opened: Opened, *, of_sheets: bool = True) -> None:
    """Read each sheet as the replay does, unless none was altered, and compare."""
    stored, fresh, lines = opened
    for line in lines if of_sheets else ():
        digest = json.loads(line.after).get("sheet")
        if digest:
            sheets.read(stored, json.loads(line.subject)["import"], digest)
    compare(lines, stored, fresh)


def test_an_unaltered_store_is_what_its_record_leads_to(opened: Opened) -> None:
    look(opened)


@pytest.mark.parametrize(("table", "column"), ALTERED)
def test_any_altered_field_is_found(opened: Opened, table: str, column: str) -> None:
    kind = opened[0].execute(f"select typeof({column}) from {table} limit 1").fetchall()[0][0]
    changed = {
        "VARCHAR": f"coalesce({column}, '') || 'x'",
        "BOOLEAN": f"not {column}",
        "BLOB": f"{column} || 'x'::blob",
        "DATE": f"{column} + 1",
        "TIMESTAMP": f"{column} + interval 1 second",
    }.get(kind, f"coalesce({column}, 0) + 1")
    first = f"(select min(rowid) from {table})"
    is_found(opened, table, f"update {table} set {column} = {changed} where rowid = {first}")


@pytest.mark.parametrize("table", sorted({table for table, _ in ALTERED}))
def test_a_row_that_was_taken_out_is_missed(opened: Opened, table: str) -> None:
    is_found(opened, table, f"delete from {table} where rowid = (select min(rowid) from {table})")


def test_a_lap_that_was_slipped_in_is_found_and_named(db: Path) -> None:
    with duckdb.connect(str(db)) as connection:
        connection.execute("insert into lap select * replace (99 as lap_id, 7 as lap) from lap "
                           "where lap_id = 3")  # fmt: skip
    message = found_out(db)
    assert message.startswith("laps: the store has, and the record does not lead to, this: ")
    assert "Quillmoor, full, 2025-04-12, S1, Blue Heron" in message


def forge(db: Path, number: int, field: str, value: str) -> None:
    """Alter a line and write all hashes from there on anew, as somebody who knows how would."""
    with Store.open(db, write=True) as store:
        connection = store._connection
        connection.execute(f"update record set {field} = ? where number = ?", [value, number])
        previous = record.BEGINNING
        for line in record.read(connection):
            forged = replace(line, previous_hash=previous)
            previous = forged.digest()
            connection.execute(
                "update record set previous_hash = ?, hash = ? where number = ?",
                [forged.previous_hash, previous, line.number],
            )


@pytest.mark.parametrize(
    ("action", "field", "value"),
    [
        ("import", "after", '{"laps_added": 9, "laps_already_there": 0, "facts_added": 0, '
         '"rounded": 0, "columns_not_used": [], "sheet": null}'),
        ("strike", "subject", json.dumps({**KEY, "lap": 8})),
        ("unstrike", "subject", json.dumps({**KEY, "lap": 8})),
        ("correct", "before", "{}"),
        ("merge", "after", "{}"),
        ("undo", "before", "{}"),
        ("person", "after", '{"role": "steward"}'),
    ],
)  # fmt: skip
def test_a_record_that_was_written_anew_is_replayed_and_found_out(
    db: Path, action: str, field: str, value: str
) -> None:
    with Store.open(db) as store:
        number = next(line.number for line in store.record() if line.action == action)
    forge(db, number, field, value)
    with Store.open(db) as store:
        store.record()  # the chain alone is in order
    # A lap that was struck in place of another shows where that one is put back.
    told = re.match(r"the record breaks at line (\d+) ", found_out(db))
    assert told
    assert int(told[1]) == (7 if action == "strike" else number)


def test_a_sheet_that_was_altered_is_told_at_its_line(db: Path) -> None:
    with duckdb.connect(str(db)) as connection:
        connection.execute("update sheet set body = body || 'x'::blob where import_id = 2")
    assert found_out(db) == (
        "the record breaks at line 2 (import): the sheet of import 2 was altered since it was "
        "taken in"
    )


@pytest.mark.parametrize("version", [1, 2])
def test_an_older_store_is_replayed_from_its_first_line(tmp_path: Path, version: int) -> None:
    db = tmp_path / "laps.duckdb"
    db.write_bytes(gzip.decompress((STORES / f"version_{version}.duckdb.gz").read_bytes()))
    with Store.open(db) as store:
        found = audit(store)
        assert [line.action for line in store.record()] == ["base", "strike"]
    assert (found.laps, found.struck) == (3, 1)
    with Store.open(db, write=True) as store:
        add(store, [lap(4), lap(1, session="S2")], "more.csv")
        rulings.undo(store, 2, reason="no", at=AT)
        audit(store)
    with duckdb.connect(str(db)) as connection:
        connection.execute("update lap set lap_time_s = 60 where lap_id = 2")
    assert found_out(db).startswith("laps: the store has")


def test_laps_of_several_pieces_are_replayed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "PIECE_LAPS", 3)
    with new_store(tmp_path) as store:
        add(store, [lap(n) for n in range(1, 9)])
        assert store._rows("select count(*) from sheet") == [(4,)]
        assert audit(store).laps == 8


def test_the_command_says_what_it_found_and_exits_with_2_where_it_breaks(db: Path) -> None:
    run = CliRunner().invoke(app, ["audit", "--db", str(db)])
    assert run.exit_code == 0, run.output
    assert run.stdout.startswith("The record is whole: ")
    told = json.loads(
        CliRunner().invoke(app, ["audit", "--db", str(db), "--format", "json"]).stdout
    )
    assert told["laps"] == 10
    with duckdb.connect(str(db)) as connection:
        connection.execute("update record set who = 'nobody' where number = 2")
    run = CliRunner().invoke(app, ["audit", "--db", str(db)])
    assert run.exit_code == 2
    assert run.stderr == "the record was altered at line 2; compare it with a copy\n"
