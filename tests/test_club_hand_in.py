"""Handing in to a club on the page, as each role, and what becomes of it."""

from __future__ import annotations

from pathlib import Path

from benchmark.store.evidence import evidence
from benchmark.store.settings import VISITORS_HAND_IN, YES, change_setting
from benchmark.store.store import Store
from tests.app_pages import OpenedAs, first_on, press, words_on
from tests.clubs import (
    ENTRANT,
    OTHER,
    OWNER,
    STEWARD,
    VISITOR,
    handed_in,
    open_as,
    seed,
    sheet,
    states,
)
from tests.lap_files import lap
from tests.test_evidence import picture


def test_what_an_entrant_hands_in_waits_and_the_page_says_so_first(
    club_page: OpenedAs, club_db: Path
) -> None:
    at = club_page(ENTRANT, "hand_in.py")
    _, body = sheet(club_db.parent)
    at.file_uploader[0].upload("day.csv", body, "text/csv").run()
    assert "A steward looks at it before it counts" in at.info[0].value
    at.text_input(key="contact_files").set_value("ed@marsh.example")
    press(at, "Hand in 1 file")
    assert "Submission 1" in at.success[0].value
    press(at, "Hand in 1 file")
    assert "was handed in before, as submission 1" in words_on(at)
    assert states(club_db) == ["pending"]


def test_a_file_with_faults_cannot_be_handed_in(club_page: OpenedAs, club_db: Path) -> None:
    at = club_page(ENTRANT, "hand_in.py")
    body = sheet(club_db.parent)[1].replace(b"1:02.345", b"fast", 1)
    at.file_uploader[0].upload("day.csv", body, "text/csv").run()
    assert "1 fault: nothing of this file can be stored." in words_on(at)
    assert [button.disabled for button in at.button if button.label == "Nothing to hand in"] == [
        True
    ]


def test_what_contradicts_the_store_may_be_handed_in_for_a_steward(
    club_page: OpenedAs, club_db: Path
) -> None:
    seed(club_db, lap(2, "1:09.0"))
    at = club_page(ENTRANT, "hand_in.py")
    at.file_uploader[0].upload("day.csv", sheet(club_db.parent)[1], "text/csv").run()
    assert "1 fault: it contradicts the store, so a steward has to decide." in words_on(at)
    press(at, "Hand in 1 file")
    assert states(club_db) == ["pending"]


def test_a_steward_chooses_to_store_or_to_let_it_wait(club_page: OpenedAs, club_db: Path) -> None:
    at = club_page(STEWARD, "hand_in.py")
    at.file_uploader[0].upload("day.csv", sheet(club_db.parent)[1], "text/csv").run()
    at.radio(key="hand_over_files").set_value("Let a steward look at it first").run()
    press(at, "Hand in 1 file")
    assert states(club_db) == ["pending"]
    at.radio(key="hand_over_files").set_value("Store now").run()
    press(at, "Store 1 file")
    with Store.open(club_db) as store:
        assert store.counted() == 3


def test_a_visitor_who_may_not_hand_in_is_told_before_uploading(club_page: OpenedAs) -> None:
    at = club_page(VISITOR, "hand_in.py")
    assert "takes files from people who have signed in: sign in first" in words_on(at)
    assert not at.file_uploader
    assert "store a lap table first" not in words_on(at)
    assert "you can read everything. Signed in" in words_on(club_page(VISITOR, "account.py"))


def test_a_visitor_who_may_hand_in_is_told_so(club_page: OpenedAs, club_db: Path) -> None:
    with open_as(club_db, OWNER) as store:
        change_setting(store, VISITORS_HAND_IN, YES)
    assert club_page(VISITOR, "hand_in.py").file_uploader
    assert "read everything and hand in laps" in words_on(club_page(VISITOR, "account.py"))


def test_who_may_not_fit_is_not_asked_to(club_page: OpenedAs, club_db: Path) -> None:
    assert "There are no laps yet. Hand in a lap table." in words_on(
        club_page(ENTRANT, "leaderboard.py")
    )
    seed(club_db)
    said = words_on(club_page(ENTRANT, "leaderboard.py"))
    assert "no model has been fitted to them yet" in said
    assert "stewards and owners may" in said
    assert "Fit it now" not in said


def test_an_entrant_takes_a_file_back_and_adds_evidence(club_page: OpenedAs, club_db: Path) -> None:
    handed_in(club_db)
    at = club_page(ENTRANT, "my_laps.py")
    at.file_uploader[0].upload("sheet.png", picture("PNG"), "image/png")
    press(at, "Add the evidence")
    assert "was added" in words_on(at)
    press(at, "Take it back")
    assert states(club_db) == ["withdrawn"]


def test_an_entrant_sees_nothing_of_others(club_page: OpenedAs, club_db: Path) -> None:
    handed_in(club_db, OTHER)
    at = club_page(ENTRANT, "my_laps.py")
    assert first_on(at) == "You have handed in nothing yet."


def test_evidence_of_another_kind_is_said_in_words_and_left_out(
    club_page: OpenedAs, club_db: Path
) -> None:
    at = club_page(ENTRANT, "hand_in.py")
    at.file_uploader[0].upload("day.csv", sheet(club_db.parent)[1], "text/csv").run()
    evidence_box = next(box for box in at.file_uploader if box.label.startswith("Evidence"))
    evidence_box.upload("notes.docx", b"PK\x03\x04\x00\x00", "application/zip").run()
    assert "Left out: notes.docx is no kind of evidence that is taken; use PDF" in words_on(at)
    press(at, "Hand in 1 file")
    with open_as(club_db, STEWARD) as store:
        assert evidence(store) == []
