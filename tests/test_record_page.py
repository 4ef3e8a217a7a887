"""The record for everybody to read: every line in full, no address and no login name of anybody."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app import FOLDER, listed
from benchmark.show import signing_in
from benchmark.show.record_list import LINES_SHOWN
from benchmark.store.deciding import refuse
from benchmark.store.roles import machine_user
from benchmark.store.rulings import protest, undo
from benchmark.store.served import CLUB, READ_ONLY, SERVED
from benchmark.store.store import Store
from tests.clubs import OWNER, STEWARD, VISITOR, As, club, handed_in, open_as
from tests.lap_files import lap, read_once, write

Opened = Callable[..., AppTest]
WHERE = {"circuit": "Quillmoor", "layout": "full", "date": "2025-04-12", "session": "S1"}
REASON = "ask anna.moor@club.example, the session is missing " + "and more " * 60 + "to the end"


@pytest.fixture
def opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Opened:
    def page(
        db: Path,
        manner: str,
        who: str | None = VISITOR,
        file: str = "record.py",
        **query: str,
    ) -> AppTest:
        monkeypatch.setenv(SERVED, manner)
        monkeypatch.setenv("BENCHMARK_DB", str(db))
        monkeypatch.setattr(signing_in, "sign_in_here", lambda: As(who) if who else None)
        at = AppTest.from_file(str(FOLDER.parents[2] / "app.py"), default_timeout=60)
        for name, value in query.items():
            at.query_params[name] = value
        at.run()
        at.switch_page(str(FOLDER / file)).run()
        assert not at.exception
        assert not at.error
        return at

    return page


def words(at: AppTest) -> str:
    return "\n".join(str(one.value) for one in (*at.markdown, *at.caption)).replace("\\", "")


@pytest.mark.parametrize("manner", [CLUB, READ_ONLY])
def test_a_visitor_reads_every_reason_to_its_end_and_no_address(
    opened: Opened, tmp_path: Path, manner: str
) -> None:
    db = club(tmp_path / "club.duckdb")
    handed_in(db, contact="ed@marsh.example")
    with open_as(db, STEWARD) as store:
        refuse(store, 1, reason=REASON)
    said = words(opened(db, manner))
    assert "5 lines on record, the latest first." in said
    assert "Line 5, refused a submission: submission 1 of Ed Marsh: spring.csv. Reason: ask" in said
    assert "to the end. By Stella Rook, steward, 20" in said
    assert "anna.moor@..., the session is missing" in said
    assert re.search(r"@\w", said) is None


def test_a_line_that_was_undone_says_by_which(opened: Opened, tmp_path: Path) -> None:
    db = club(tmp_path / "club.duckdb")
    handed_in(db)
    with open_as(db, STEWARD) as store:
        refuse(store, 1, reason="no")
        undo(store, 5, reason="it is fine")
    said = words(opened(db, CLUB))
    assert re.search(r"Line 5, refused .* Undone by line 6\.", said)


def test_the_login_name_of_whoever_worked_alone_is_not_published(
    opened: Opened, tmp_path: Path
) -> None:
    db = tmp_path / "laps.duckdb"
    with Store.open(db, create=True) as store:
        store.add(read_once(write(tmp_path, [lap(1), lap(2)])))
        store.strike({**WHERE, "build": "Blue Heron", "run": 1, "lap": 2}, reason="cut",
                     steward="C. Rook")  # fmt: skip
    said = words(opened(db, READ_ONLY))
    assert "By the user of the machine, owner" in said
    assert "By C. Rook, owner" in said
    assert f"By {machine_user().name}," not in said


def test_a_word_finds_its_lines_and_long_records_come_in_parts(
    opened: Opened, tmp_path: Path
) -> None:
    db = club(tmp_path / "club.duckdb")
    day = WHERE["circuit"], date(2025, 4, 12)
    with open_as(db, STEWARD) as store:
        store.add(read_once(write(tmp_path, [lap(1)])))
        for number in range(LINES_SHOWN):
            state = "closed" if number % 2 else "open"
            protest(store, state, day, reason=f"decision {number} of the day")
    at = opened(db, CLUB)
    count = 5 + LINES_SHOWN
    assert f"Line {count}, " in words(at)
    assert "Line 5, " not in words(at)
    at.selectbox(key="part_of_record").set_value(f"26 to {count} of {count}").run()
    assert "Line 5, took in a file: spring.csv: 1 lap added." in words(at)
    at.text_input(key="find_line").set_value("DECISION 7 of").run()
    assert f"1 line of {count}." in words(at)
    assert "Reason: decision 7 of the day." in words(at)
    at.text_input(key="find_line").set_value("nobody wrote this").run()
    assert "No line has that." in words(at)


@pytest.mark.parametrize(("manner", "shown"), [(CLUB, True), (READ_ONLY, True), ("", False)])
def test_the_page_is_in_the_menu_where_the_store_is_served(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, manner: str, shown: bool
) -> None:
    monkeypatch.setenv(SERVED, manner)
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    monkeypatch.setattr(signing_in, "sign_in_here", lambda: None)
    seen = [address for _, _, address in listed()]
    assert ("record" in seen) is shown
    assert ("account" in seen) is (manner == CLUB)


def test_a_steward_reads_addresses_in_full(opened: Opened, tmp_path: Path) -> None:
    db = club(tmp_path / "club.duckdb")
    handed_in(db)
    with open_as(db, STEWARD) as store:
        refuse(store, 1, reason=REASON)
    assert "anna.moor@club.example" in words(opened(db, CLUB, OWNER, "steward.py", desk="Record"))
