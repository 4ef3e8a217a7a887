"""The steward's page: what waits, and a decision on it, as each role sees it."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmark.store.evidence import SUBMISSION, add_evidence
from benchmark.store.store import Store
from tests.app_pages import OpenedAs, first_on, markdown_on, open_page, press, words_on
from tests.clubs import (
    ENTRANT,
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

HOSTILE = '<img src=x onerror=alert(1)> ![x](http://nowhere.invalid) =cmd|"/C calc"'


def test_the_queue_says_first_how_many_wait_and_since_when(
    club_page: OpenedAs, club_db: Path
) -> None:
    handed_in(club_db)
    assert first_on(club_page(STEWARD)).startswith("1 file waits for a decision, the oldest since ")


def test_an_empty_queue_says_so(club_page: OpenedAs) -> None:
    assert first_on(club_page(STEWARD)) == "No file waits for a decision."


def test_a_file_is_accepted_once_and_says_what_it_brought(
    club_page: OpenedAs, club_db: Path
) -> None:
    handed_in(club_db, contact="ed@marsh.example")
    at = club_page(STEWARD)
    assert "3 laps would be added" in words_on(at)
    assert "ed@marsh.example" in words_on(at)
    second = club_page(OWNER)
    press(at, "Accept this file")
    assert "Submission 1 is accepted: 3 laps added." in words_on(at)
    press(second, "Accept this file")
    assert "Submission 1 was decided meanwhile: accepted" in second.warning[0].value
    with Store.open(club_db) as store:
        assert store.counted() == 3


def test_a_refusal_needs_a_reason_and_the_entrant_reads_it(
    club_page: OpenedAs, club_db: Path
) -> None:
    handed_in(club_db)
    at = club_page(STEWARD)
    at.radio[0].set_value("Refuse it").run()
    press(at, "Refuse this file")
    assert at.error[0].value == "Write the reason, then press again: nothing was changed."
    assert states(club_db) == ["pending"]
    at.text_input(key="reason_refuse_1").set_value("the session is missing")
    press(at, "Refuse this file")
    assert states(club_db) == ["refused"]
    mine = club_page(ENTRANT, "my_laps.py")
    assert first_on(mine) == "1 file handed in: 1 refused."
    assert "1. Blue Heron, " in words_on(mine)
    assert "Refused, by Stella Rook, " in words_on(mine)
    assert ": the session is missing." in words_on(mine)
    assert "To hand it in again" in words_on(mine)


def test_faults_against_the_store_are_shown_and_accepting_is_not_offered(
    club_page: OpenedAs, club_db: Path
) -> None:
    seed(club_db, lap(2, "1:09.0"))
    handed_in(club_db)
    at = club_page(STEWARD)
    assert "1 fault: it cannot be accepted as it is." in words_on(at)
    assert at.radio[0].options == ["Accept a corrected file in its place", "Refuse it"]


def test_a_corrected_file_takes_its_place(club_page: OpenedAs, club_db: Path) -> None:
    handed_in(club_db)
    at = club_page(STEWARD)
    at.radio[0].set_value("Accept a corrected file in its place").run()
    _, body = sheet(club_db.parent, [lap(1, driver="B. Fenn")])
    at.file_uploader(key="corrected_1").upload("mended.csv", body, "text/csv").run()
    at.text_input(key="reason_correct_1").set_value("B. Fenn drove")
    press(at, "Accept the corrected file")
    assert states(club_db) == ["accepted"]
    with Store.open(club_db) as store:
        assert store.accepted_laps()["driver"].tolist() == ["B. Fenn"]


@pytest.mark.parametrize("who", [VISITOR, ENTRANT])
def test_below_steward_the_desk_says_who_may_and_shows_nothing(
    club_page: OpenedAs, club_db: Path, who: str | None
) -> None:
    handed_in(club_db, contact="ed@marsh.example")
    at = club_page(who)
    assert "may not accept a file" in words_on(at)
    assert ("Sign in first." in words_on(at)) == (who is None)
    assert "ed@marsh" not in words_on(at)
    assert not at.dataframe


def test_hostile_texts_are_shown_as_they_are_and_run_nowhere(
    club_page: OpenedAs, club_db: Path
) -> None:
    rows = [lap(1, build=HOSTILE, driver="=1+1")]
    handed_in(club_db, ENTRANT, *rows, contact=HOSTILE, note=HOSTILE)
    with open_as(club_db, STEWARD) as store:  # as an older program may have kept it
        store._connection.execute("update submission set note = note || chr(8238) || 'x'")
    at = club_page(STEWARD)
    said = markdown_on(at)
    assert "\\<img src\\=x onerror\\=alert\\(1\\)\\>" in said
    assert "![x](" not in said
    assert "<img" not in said.replace("\\<img", "")
    assert "\\[U\\+202E\\]x" in said
    assert "\u202e" not in said
    assert at.dataframe[1].value["build"].tolist() == [HOSTILE]  # a grid of text runs nothing


def test_a_picture_is_shown_and_everything_is_a_download_of_a_safe_name(
    club_page: OpenedAs, club_db: Path
) -> None:
    handed_in(club_db)
    with open_as(club_db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, picture("PNG"), name="../../x.html")
        broken = picture("JPEG", (400, 300))
        add_evidence(store, SUBMISSION, 1, broken[: len(broken) // 2])
    at = club_page(STEWARD)
    assert "Evidence: 2" in words_on(at)
    assert "is a broken JPEG picture" in words_on(at)
    labels = [element.label for element in at.get("download_button")]
    assert any(label.startswith("Download x-") for label in labels)
    assert not any("html" in label for label in labels)


def test_what_all_laps_share_stands_in_one_line(club_page: OpenedAs, club_db: Path) -> None:
    handed_in(club_db)
    at = club_page(STEWARD)
    table = at.dataframe[1].value
    assert list(table)[:4] == ["build", "driver", "lap", "lap_time"]
    assert "circuit" not in table
    assert "The same in all of these: date 20" in words_on(at)


def test_alone_on_a_laptop_the_desk_is_there_and_nobody_signs_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    Store.open(tmp_path / "laps.duckdb", create=True).close()
    assert first_on(open_page("steward.py")) == "No file waits for a decision."


def test_before_there_is_a_store_the_desk_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    assert "no store at" in open_page("steward.py").error[0].value
