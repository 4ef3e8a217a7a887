"""The record: lines are appended and chained, and an alteration is found at its line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest

from benchmark.errors import BenchmarkError
from benchmark.store import record
from benchmark.store.store import Store
from tests.lap_files import KEY, stored

AT = datetime(2025, 4, 13, 9, 0, tzinfo=UTC)
FIELDS = record.FIELDS.split(", ")


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = stored(tmp_path)
    with Store.open(path, write=True) as store:
        for number in (1, 2, 3):
            store.strike({**KEY, "lap": number}, steward="C. Rook", reason="cut", at=AT)
    return path


def alter(db: Path, statement: str) -> str:
    with duckdb.connect(str(db)) as connection:
        connection.execute(statement)
    with Store.open(db) as store, pytest.raises(BenchmarkError) as altered:
        store.record()
    return str(altered.value)


@pytest.mark.parametrize("field", FIELDS)
@pytest.mark.parametrize("place", [1, 2, -1])
def test_a_changed_field_of_any_line_is_found_at_its_line(db: Path, field: str, place: int) -> None:
    with Store.open(db) as store:
        number = store.record()[place].number
    value = "number + 100" if field == "number" else f"{field} || '0'"
    message = alter(db, f"update record set {field} = {value} where number = {number}")
    assert message == f"the record was altered at line {number}; compare it with a copy"


@pytest.mark.parametrize("gone", [1, 2])
def test_a_line_that_was_taken_out_is_missed(db: Path, gone: int) -> None:
    message = alter(db, f"delete from record where number = {gone}")
    assert message == f"the record was altered at line {gone}; compare it with a copy"


def test_a_line_that_was_slipped_in_is_found(db: Path) -> None:
    message = alter(db, "insert into record from record where number = 2")
    assert message == "the record was altered at line 3; compare it with a copy"


def test_a_line_holds_who_when_why_and_what_was_before_and_after(db: Path) -> None:
    with Store.open(db) as store:
        line = store.rulings()[0]
    assert (line.who, line.role, line.at) == ("C. Rook", "owner", "2025-04-13T09:00:00+00:00")
    assert (line.before, line.after) == ('{"struck": false}', '{"struck": true}')
