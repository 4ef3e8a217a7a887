"""The pages of a club's stewards and entrants, through Streamlit's runner, as each role."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import benchmark.show
from benchmark.show import signing_in
from benchmark.store.deciding import refuse
from benchmark.store.evidence import SUBMISSION, add_evidence, evidence
from benchmark.store.served import CLUB, SERVED
from benchmark.store.settings import VISITORS_HAND_IN, YES, change_setting
from benchmark.store.store import Store
from benchmark.store.submissions import submissions
from tests.clubs import (
    ENTRANT,
    OTHER,
    OWNER,
    STEWARD,
    VISITOR,
    As,
    club,
    handed_in,
    open_as,
    sheet,
)
from tests.lap_files import lap
from tests.test_evidence import picture

APP = Path(__file__).parent.parent / "app.py"
FOLDER = Path(benchmark.show.__file__).parent / "pages"
HOSTILE = '<img src=x onerror=alert(1)> ![x](http://nowhere.invalid) =cmd|"/C calc"'
Opened = Callable[..., AppTest]


class SignedIn(As):
    def sign_out(self) -> None:
        self.name = None


@pytest.fixture
def db(tmp_path: Path) -> Path:
    return club(tmp_path / "club.duckdb")


@pytest.fixture
def page(db: Path, monkeypatch: pytest.MonkeyPatch) -> Opened:
    """Open a page of the served club as somebody."""

    def opened(who: str | None, file: str = "steward.py", **query: str) -> AppTest:
        here = None if who is None else SignedIn(who)
        monkeypatch.setenv(SERVED, CLUB)
        monkeypatch.setenv("BENCHMARK_DB", str(db))
        monkeypatch.setattr(signing_in, "sign_in_here", lambda: here)
        at = AppTest.from_file(str(APP), default_timeout=60)
        for name, value in query.items():
            at.query_params[name] = value
        at.run()
        at.switch_page(str(FOLDER / file)).run()
        assert not at.exception
        return at

    return opened


def raw(at: AppTest) -> str:
    """All that the page says, as Markdown."""
    kinds = (at.markdown, at.caption, at.info, at.error, at.success)
    return "\n".join(str(element.value) for kind in kinds for element in kind)


def words(at: AppTest) -> str:
    """All that the page says, without the marks of Markdown."""
    return raw(at).replace("\\", "")


def first(at: AppTest) -> str:
    """The answer that the page gives first."""
    return str(at.markdown[0].value).replace("\\", "").removeprefix("### ")


def press(at: AppTest, label: str) -> AppTest:
    next(button for button in at.button if button.label == label).click().run()
    assert not at.exception
    return at


def tick(at: AppTest, label: str) -> None:
    next(box for box in at.checkbox if box.label.replace("\\", "") == label).check().run()


def state(db: Path) -> list[str]:
    with open_as(db, STEWARD) as store:
        return [one.state for one in submissions(store)]


def seed(db: Path, *rows: dict[str, str]) -> None:
    with open_as(db, STEWARD) as store:
        store.add(sheet(db.parent, rows or None)[0])


# The queue


def test_the_queue_says_first_how_many_wait_and_since_when(page: Opened, db: Path) -> None:
    handed_in(db)
    assert first(page(STEWARD)).startswith("1 file waits for a decision, the oldest since ")


def test_an_empty_queue_says_so(page: Opened) -> None:
    assert first(page(STEWARD)) == "No file waits for a decision."


def test_a_file_is_accepted_once_and_says_what_it_brought(page: Opened, db: Path) -> None:
    handed_in(db, contact="ed@marsh.example")
    at = page(STEWARD)
    assert "3 laps would be added" in words(at)
    assert "ed@marsh.example" in words(at)
    second = page(OWNER)
    press(at, "Accept this file")
    assert "Submission 1 is accepted: 3 laps added." in words(at)
    press(second, "Accept this file")
    assert "Submission 1 was decided meanwhile: accepted" in second.warning[0].value
    with Store.open(db) as store:
        assert store.counted() == 3


def test_a_refusal_needs_a_reason_and_the_entrant_reads_it(page: Opened, db: Path) -> None:
    handed_in(db)
    at = page(STEWARD)
    at.radio[0].set_value("Refuse it").run()
    press(at, "Refuse this file")
    assert at.error[0].value == "Write the reason, then press again: nothing was changed."
    assert state(db) == ["pending"]
    at.text_input(key="reason_refuse_1").set_value("the session is missing")
    press(at, "Refuse this file")
    assert state(db) == ["refused"]
    mine = page(ENTRANT, "my_laps.py")
    assert first(mine) == "1 file handed in: 1 refused."
    assert "1. Blue Heron, " in words(mine)
    assert "Refused, by Stella Rook, " in words(mine)
    assert ": the session is missing." in words(mine)
    assert "To hand it in again" in words(mine)


def test_faults_against_the_store_are_shown_and_accepting_is_not_offered(
    page: Opened, db: Path
) -> None:
    seed(db, lap(2, "1:09.0"))
    handed_in(db)
    at = page(STEWARD)
    assert "1 fault: it cannot be accepted as it is." in words(at)
    assert at.radio[0].options == ["Accept a corrected file in its place", "Refuse it"]


def test_a_corrected_file_takes_its_place(page: Opened, db: Path) -> None:
    handed_in(db)
    at = page(STEWARD)
    at.radio[0].set_value("Accept a corrected file in its place").run()
    _, body = sheet(db.parent, [lap(1, driver="B. Fenn")])
    at.file_uploader(key="corrected_1").upload("mended.csv", body, "text/csv").run()
    at.text_input(key="reason_correct_1").set_value("B. Fenn drove")
    press(at, "Accept the corrected file")
    assert state(db) == ["accepted"]
    with Store.open(db) as store:
        assert store.accepted_laps()["driver"].tolist() == ["B. Fenn"]


@pytest.mark.parametrize("who", [VISITOR, ENTRANT])
def test_below_steward_the_desk_says_who_may_and_shows_nothing(
    page: Opened, db: Path, who: str | None
) -> None:
    handed_in(db, contact="ed@marsh.example")
    at = page(who)
    assert "may not accept a file" in words(at)
    assert ("Sign in first." in words(at)) == (who is None)
    assert "ed@marsh" not in words(at)
    assert not at.dataframe


def test_everybody_reads_the_record_without_addresses(page: Opened, db: Path) -> None:
    handed_in(db, contact="ed@marsh.example")
    with open_as(db, STEWARD) as store:
        refuse(store, 1, reason="ask anna.moor@club.example, the session is missing")
    table = page(VISITOR, "record.py").dataframe[0].value
    assert list(table)[:5] == ["What", "Reason", "Who", "When", "Line"]
    assert table["What"][0] == "refused a submission: submission 1 of Ed Marsh: spring.csv"
    assert table["Reason"][0] == "ask anna.moor@..., the session is missing"
    assert not table.apply(lambda cells: cells.astype(str).str.contains(r"@\w")).any(axis=None)


def test_hostile_texts_are_shown_as_they_are_and_run_nowhere(page: Opened, db: Path) -> None:
    rows = [lap(1, build=HOSTILE, driver="=1+1")]
    handed_in(db, ENTRANT, *rows, contact=HOSTILE, note=HOSTILE)
    with open_as(db, STEWARD) as store:  # as an older program may have kept it
        store._connection.execute("update submission set note = note || chr(8238) || 'x'")
    at = page(STEWARD)
    said = raw(at)
    assert "\\<img src\\=x onerror\\=alert\\(1\\)\\>" in said
    assert "![x](" not in said
    assert "<img" not in said.replace("\\<img", "")
    assert "\\[U\\+202E\\]x" in said
    assert "\u202e" not in said
    assert at.dataframe[1].value["build"].tolist() == [HOSTILE]  # a grid of text runs nothing


def test_a_picture_is_shown_and_everything_is_a_download_of_a_safe_name(
    page: Opened, db: Path
) -> None:
    handed_in(db)
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, picture("PNG"), name="../../x.html")
        broken = picture("JPEG", (400, 300))
        add_evidence(store, SUBMISSION, 1, broken[: len(broken) // 2])
    at = page(STEWARD)
    assert "Evidence: 2" in words(at)
    assert "is a broken JPEG picture" in words(at)
    labels = [element.label for element in at.get("download_button")]
    assert any(label.startswith("Download x-") for label in labels)
    assert not any("html" in label for label in labels)


# Rulings


def test_laps_are_struck_and_put_back(page: Opened, db: Path) -> None:
    seed(db)
    at = page(STEWARD, desk="Laps")
    assert first(at) == "3 laps of this entry, none of them struck."
    tick(at, "S1, run 1, lap 2: 1:02.345, timed")
    assert "1:02.345: counts no more." in words(at)
    at.text_input(key="reason_laps_Strike laps").set_value("cut")
    press(at, "Strike 1 lap")
    assert "struck: S1, run 1, lap 2." in at.success[0].value.replace("\\", "")
    with Store.open(db) as store:
        assert store.counted_laps()["lap"].tolist() == [1, 3]
    at.radio[0].set_value("Put laps back").run()
    tick(at, "S1, run 1, lap 2: 1:02.345, timed")
    at.text_input(key="reason_laps_Put laps back").set_value("video seen")
    press(at, "Put back 1 lap")
    with Store.open(db) as store:
        assert store.counted() == 3


def test_names_that_look_alike_are_proposed_and_merged(page: Opened, db: Path) -> None:
    others = [lap(1, build="Red Pipit", session="S3"), lap(1, build="Grey Finch", session="S3")]
    seed(db, lap(1), lap(1, build="Blue-Heron", session="S2"), *others)
    at = page(STEWARD, desk="Names")
    assert first(at) == "1 group of names that look alike, among 4."
    assert "1 run of Blue Heron become" in words(at)
    at.text_input(key="reason_merge_build").set_value("one car")
    press(at, "Merge the two names")
    assert "is Blue-Heron now" in at.success[0].value.replace("\\", "")
    assert not at.error
    assert [box.value for box in at.selectbox] == [None, None]
    with Store.open(db) as store:
        assert store.names("build") == ["Blue-Heron", "Grey Finch", "Red Pipit"]


def test_names_whose_laps_contradict_are_not_merged_and_each_fact_is_named(
    page: Opened, db: Path
) -> None:
    seed(db, lap(1), lap(1, "1:05.0", build="Blue-Heron"))
    at = page(STEWARD, desk="Names")
    assert "cannot be one build" in at.error[0].value
    assert not [button for button in at.button if button.label == "Merge the two names"]


def test_a_specification_is_corrected_for_its_days(page: Opened, db: Path) -> None:
    seed(db)
    at = page(STEWARD, desk="Specification")
    at.multiselect[0].select("tyre_category").run()
    at.selectbox(key="right_tyre_category").set_value("slick").run()
    assert at.dataframe[0].value["Tyre category then"].tolist() == ["slick"]
    at.text_input(key="reason_correct").set_value("photo of the tyre")
    press(at, "Correct these runs")
    with Store.open(db) as store:
        assert set(store.accepted_laps()["tyre_category"]) == {"slick"}


def test_a_level_starts_unchosen_so_that_no_press_wipes_what_is_known(
    page: Opened, db: Path
) -> None:
    seed(db, lap(1, mod_engine="2"))
    at = page(STEWARD, desk="Specification")
    assert "- level of engine: 2 replaced or rebuilt" in words(at)
    at.multiselect[0].select("mod_engine").run()
    assert at.selectbox(key="right_mod_engine").value is None
    assert not [button for button in at.button if button.label == "Correct these runs"]
    at.selectbox(key="right_mod_engine").set_value("1").run()
    assert at.dataframe[0].value.iloc[0, :3].tolist()[1:] == [
        "2 replaced or rebuilt",
        "1 bolt-on or adjusted",
    ]


def test_a_number_left_empty_changes_nothing_before_it_is_said_so(page: Opened, db: Path) -> None:
    seed(db, lap(1, treadwear="200"))
    at = page(STEWARD, desk="Specification")
    at.multiselect[0].select("treadwear").run()
    assert not at.dataframe
    at.checkbox(key="wipe_treadwear").check().run()
    assert at.dataframe[0].value["Treadwear then"].tolist() == ["not recorded"]


def test_a_protest_period_is_opened_and_closed(page: Opened, db: Path) -> None:
    seed(db)
    at = page(STEWARD, desk="Protests")
    assert first(at) == "0 protest periods open."
    at.text_input(key="reason_protest_open").set_value("results are out")
    press(at, "Open the protest period")
    assert first(at) == "1 protest period open."
    at.text_input(key="reason_protest_closed").set_value("no protest came")
    press(at, "Close the protest period")
    assert "is closed" in at.success[0].value


def test_a_refusal_is_undone_from_the_record_and_the_file_waits_again(
    page: Opened, db: Path
) -> None:
    handed_in(db)
    with open_as(db, STEWARD) as store:
        number = refuse(store, 1, reason="no").number
    at = page(STEWARD, desk="Record")
    assert at.selectbox(key="undo_line").value.number == number
    at.text_input(key=f"reason_undo_{number}").set_value("it is fine after all")
    press(at, "Undo this line")
    assert state(db) == ["pending"]


def test_an_acceptance_is_undone_and_a_line_that_cannot_be_says_why(page: Opened, db: Path) -> None:
    handed_in(db)
    at = page(STEWARD)
    press(at, "Accept this file")
    at = page(STEWARD, desk="Record")
    key = f"reason_undo_{at.selectbox(key='undo_line').value.number}"
    at.text_input(key=key).set_value("wrong day")
    press(at, "Undo this line")
    assert state(db) == ["pending"]
    with Store.open(db) as store:
        assert store.counted() == 0


def test_only_an_owner_lets_visitors_hand_in(page: Opened, db: Path) -> None:
    at = page(STEWARD, desk="Settings")
    assert "owners may" in at.info[0].value
    at = page(OWNER, desk="Settings")
    at.text_input(key="reason_visitors_yes").set_value("open day")
    press(at, "Visitors may hand in")
    assert first(at) == "Visitors may hand in files."


def test_alone_on_a_laptop_the_desk_is_there_and_nobody_signs_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    Store.open(tmp_path / "laps.duckdb", create=True).close()
    at = AppTest.from_file(str(APP), default_timeout=60).run()
    at.switch_page(str(FOLDER / "steward.py")).run()
    assert not at.exception
    assert first(at) == "No file waits for a decision."


def test_before_there_is_a_store_the_desk_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    at = AppTest.from_file(str(APP), default_timeout=60).run()
    at.switch_page(str(FOLDER / "steward.py")).run()
    assert not at.exception
    assert "no store at" in at.error[0].value


# Handing in


def test_what_an_entrant_hands_in_waits_and_the_page_says_so_first(page: Opened, db: Path) -> None:
    at = page(ENTRANT, "hand_in.py")
    _, body = sheet(db.parent)
    at.file_uploader[0].upload("day.csv", body, "text/csv").run()
    assert "A steward looks at it before it counts" in at.info[0].value
    at.text_input(key="contact_files").set_value("ed@marsh.example")
    press(at, "Hand in 1 file")
    assert "Submission 1" in at.success[0].value
    press(at, "Hand in 1 file")
    assert "was handed in before, as submission 1" in words(at)
    assert state(db) == ["pending"]


def test_a_file_with_faults_cannot_be_handed_in(page: Opened, db: Path) -> None:
    at = page(ENTRANT, "hand_in.py")
    body = sheet(db.parent)[1].replace(b"1:02.345", b"fast", 1)
    at.file_uploader[0].upload("day.csv", body, "text/csv").run()
    assert "1 fault: nothing of this file can be stored." in words(at)
    assert [button.disabled for button in at.button if button.label == "Nothing to hand in"] == [
        True
    ]


def test_what_contradicts_the_store_may_be_handed_in_for_a_steward(page: Opened, db: Path) -> None:
    seed(db, lap(2, "1:09.0"))
    at = page(ENTRANT, "hand_in.py")
    at.file_uploader[0].upload("day.csv", sheet(db.parent)[1], "text/csv").run()
    assert "1 fault: it contradicts the store, so a steward has to decide." in words(at)
    press(at, "Hand in 1 file")
    assert state(db) == ["pending"]


def test_a_steward_chooses_to_store_or_to_let_it_wait(page: Opened, db: Path) -> None:
    at = page(STEWARD, "hand_in.py")
    at.file_uploader[0].upload("day.csv", sheet(db.parent)[1], "text/csv").run()
    at.radio(key="hand_over_files").set_value("Let a steward look at it first").run()
    press(at, "Hand in 1 file")
    assert state(db) == ["pending"]
    at.radio(key="hand_over_files").set_value("Store now").run()
    press(at, "Store 1 file")
    with Store.open(db) as store:
        assert store.counted() == 3


def test_a_visitor_who_may_not_hand_in_is_told_before_uploading(page: Opened) -> None:
    at = page(VISITOR, "hand_in.py")
    assert "takes files from people who have signed in: sign in first" in words(at)
    assert not at.file_uploader
    assert "store a lap table first" not in words(at)
    assert "you can read everything. Signed in" in words(page(VISITOR, "account.py"))


def test_a_visitor_who_may_hand_in_is_told_so(page: Opened, db: Path) -> None:
    with open_as(db, OWNER) as store:
        change_setting(store, VISITORS_HAND_IN, YES)
    assert page(VISITOR, "hand_in.py").file_uploader
    assert "read everything and hand in laps" in words(page(VISITOR, "account.py"))


def test_who_may_not_fit_is_not_asked_to(page: Opened, db: Path) -> None:
    assert "There are no laps yet. Hand in a lap table." in words(page(ENTRANT, "leaderboard.py"))
    seed(db)
    said = words(page(ENTRANT, "leaderboard.py"))
    assert "no model has been fitted to them yet" in said
    assert "stewards and owners may" in said
    assert "Fit it now" not in said


def test_an_entrant_takes_a_file_back_and_adds_evidence(page: Opened, db: Path) -> None:
    handed_in(db)
    at = page(ENTRANT, "my_laps.py")
    at.file_uploader[0].upload("sheet.png", picture("PNG"), "image/png")
    press(at, "Add the evidence")
    assert "was added" in words(at)
    press(at, "Take it back")
    assert state(db) == ["withdrawn"]


def test_an_entrant_sees_nothing_of_others(page: Opened, db: Path) -> None:
    handed_in(db, OTHER)
    at = page(ENTRANT, "my_laps.py")
    assert first(at) == "You have handed in nothing yet."


def test_evidence_of_another_kind_is_said_in_words_and_left_out(page: Opened, db: Path) -> None:
    at = page(ENTRANT, "hand_in.py")
    at.file_uploader[0].upload("day.csv", sheet(db.parent)[1], "text/csv").run()
    evidence_box = next(box for box in at.file_uploader if box.label.startswith("Evidence"))
    evidence_box.upload("notes.docx", b"PK\x03\x04\x00\x00", "application/zip").run()
    assert "Left out: notes.docx is no kind of evidence that is taken; use PDF" in words(at)
    press(at, "Hand in 1 file")
    with open_as(db, STEWARD) as store:
        assert evidence(store) == []


def test_what_all_laps_share_stands_in_one_line(page: Opened, db: Path) -> None:
    handed_in(db)
    at = page(STEWARD)
    table = at.dataframe[1].value
    assert list(table)[:4] == ["build", "driver", "lap", "lap_time"]
    assert "circuit" not in table
    assert "The same in all of these: date 20" in words(at)
