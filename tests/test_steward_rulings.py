"""The steward's page: laps, names, specifications, protests, the record and the settings."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest

from benchmark.store.deciding import refuse
from benchmark.store.store import Store
from tests.app_pages import OpenedAs, first_on, press, words_on
from tests.clubs import OWNER, STEWARD, handed_in, open_as, seed, states
from tests.lap_files import lap


def tick(at: AppTest, label: str) -> None:
    next(box for box in at.checkbox if box.label.replace("\\", "") == label).check().run()


def test_laps_are_struck_and_put_back(club_page: OpenedAs, club_db: Path) -> None:
    seed(club_db)
    at = club_page(STEWARD, desk="Laps")
    assert first_on(at) == "3 laps of this entry, none of them struck."
    tick(at, "S1, run 1, lap 2: 1:02.345, timed")
    assert "1:02.345: counts no more." in words_on(at)
    at.text_input(key="reason_laps_Strike laps").set_value("cut")
    press(at, "Strike 1 lap")
    assert "struck: S1, run 1, lap 2." in at.success[0].value.replace("\\", "")
    with Store.open(club_db) as store:
        assert store.counted_laps()["lap"].tolist() == [1, 3]
    at.radio[0].set_value("Put laps back").run()
    tick(at, "S1, run 1, lap 2: 1:02.345, timed")
    at.text_input(key="reason_laps_Put laps back").set_value("video seen")
    press(at, "Put back 1 lap")
    with Store.open(club_db) as store:
        assert store.counted() == 3


def test_names_that_look_alike_are_proposed_and_merged(club_page: OpenedAs, club_db: Path) -> None:
    others = [lap(1, build="Red Pipit", session="S3"), lap(1, build="Grey Finch", session="S3")]
    seed(club_db, lap(1), lap(1, build="Blue-Heron", session="S2"), *others)
    at = club_page(STEWARD, desk="Names")
    assert first_on(at) == "1 group of names that look alike, among 4."
    assert "1 run of Blue Heron become" in words_on(at)
    at.text_input(key="reason_merge_build").set_value("one car")
    press(at, "Merge the two names")
    assert "is Blue-Heron now" in at.success[0].value.replace("\\", "")
    assert not at.error
    assert [box.value for box in at.selectbox] == [None, None]
    with Store.open(club_db) as store:
        assert store.names("build") == ["Blue-Heron", "Grey Finch", "Red Pipit"]


def test_names_whose_laps_contradict_are_not_merged_and_each_fact_is_named(
    club_page: OpenedAs, club_db: Path
) -> None:
    seed(club_db, lap(1), lap(1, "1:05.0", build="Blue-Heron"))
    at = club_page(STEWARD, desk="Names")
    assert "cannot be one build" in at.error[0].value
    assert not [button for button in at.button if button.label == "Merge the two names"]


def test_a_specification_is_corrected_for_its_days(club_page: OpenedAs, club_db: Path) -> None:
    seed(club_db)
    at = club_page(STEWARD, desk="Specification")
    at.multiselect[0].select("tyre_category").run()
    at.selectbox(key="right_tyre_category").set_value("slick").run()
    assert at.dataframe[0].value["Tyre category then"].tolist() == ["slick"]
    at.text_input(key="reason_correct").set_value("photo of the tyre")
    press(at, "Correct these runs")
    with Store.open(club_db) as store:
        assert set(store.accepted_laps()["tyre_category"]) == {"slick"}


def test_a_level_starts_unchosen_so_that_no_press_wipes_what_is_known(
    club_page: OpenedAs, club_db: Path
) -> None:
    seed(club_db, lap(1, mod_engine="2"))
    at = club_page(STEWARD, desk="Specification")
    assert "- level of engine: 2 replaced or rebuilt" in words_on(at)
    at.multiselect[0].select("mod_engine").run()
    assert at.selectbox(key="right_mod_engine").value is None
    assert not [button for button in at.button if button.label == "Correct these runs"]
    at.selectbox(key="right_mod_engine").set_value("1").run()
    assert at.dataframe[0].value.iloc[0, :3].tolist()[1:] == [
        "2 replaced or rebuilt",
        "1 bolt-on or adjusted",
    ]


def test_a_number_left_empty_changes_nothing_before_it_is_said_so(
    club_page: OpenedAs, club_db: Path
) -> None:
    seed(club_db, lap(1, treadwear="200"))
    at = club_page(STEWARD, desk="Specification")
    at.multiselect[0].select("treadwear").run()
    assert not at.dataframe
    at.checkbox(key="wipe_treadwear").check().run()
    assert at.dataframe[0].value["Treadwear then"].tolist() == ["not recorded"]


def test_a_protest_period_is_opened_and_closed(club_page: OpenedAs, club_db: Path) -> None:
    seed(club_db)
    at = club_page(STEWARD, desk="Protests")
    assert first_on(at) == "0 protest periods open."
    at.text_input(key="reason_protest_open").set_value("results are out")
    press(at, "Open the protest period")
    assert first_on(at) == "1 protest period open."
    at.text_input(key="reason_protest_closed").set_value("no protest came")
    press(at, "Close the protest period")
    assert "is closed" in at.success[0].value


def test_a_refusal_is_undone_from_the_record_and_the_file_waits_again(
    club_page: OpenedAs, club_db: Path
) -> None:
    handed_in(club_db)
    with open_as(club_db, STEWARD) as store:
        number = refuse(store, 1, reason="no").number
    at = club_page(STEWARD, desk="Record")
    assert at.selectbox(key="undo_line").value.number == number
    at.text_input(key=f"reason_undo_{number}").set_value("it is fine after all")
    press(at, "Undo this line")
    assert states(club_db) == ["pending"]


def test_an_acceptance_is_undone_and_a_line_that_cannot_be_says_why(
    club_page: OpenedAs, club_db: Path
) -> None:
    handed_in(club_db)
    at = club_page(STEWARD)
    press(at, "Accept this file")
    at = club_page(STEWARD, desk="Record")
    key = f"reason_undo_{at.selectbox(key='undo_line').value.number}"
    at.text_input(key=key).set_value("wrong day")
    press(at, "Undo this line")
    assert states(club_db) == ["pending"]
    with Store.open(club_db) as store:
        assert store.counted() == 0


def test_only_an_owner_lets_visitors_hand_in(club_page: OpenedAs, club_db: Path) -> None:
    at = club_page(STEWARD, desk="Settings")
    assert "owners may" in at.info[0].value
    at = club_page(OWNER, desk="Settings")
    at.text_input(key="reason_visitors_yes").set_value("open day")
    press(at, "Visitors may hand in")
    assert first_on(at) == "Visitors may hand in files."
