"""Every page on no store, on an unfitted, a small and a fuller one, through Streamlit's runner."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import benchmark.show
from app import CLUB_PAGES, PAGES, STEWARD_PAGE
from benchmark.model import pace
from benchmark.show import fit_worker
from benchmark.show.fitting import fit_store
from benchmark.show.screen import md
from benchmark.store.store import Store
from tests.app_pages import open_page, words_on
from tests.lap_files import read_once
from tests.sheets import CIRCUIT, HEADER, ROWS, write_sheet

FOLDER = Path(benchmark.show.__file__).parent / "pages"


@pytest.fixture
def app(monkeypatch):
    """Open the app on a store, on one of its pages, and refuse any exception."""

    def opened(db: Path, page: str = "leaderboard.py", **query: str) -> AppTest:
        monkeypatch.setenv("BENCHMARK_DB", str(db))
        return open_page(page, **query)

    return opened


@pytest.fixture
def unfitted_db(tmp_path):
    path = tmp_path / "unfitted.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_once(write_sheet(tmp_path / "day.csv")))
    return path


@pytest.fixture
def quick_fits(monkeypatch):
    monkeypatch.setattr(pace, "WARM_UP", 20)
    monkeypatch.setattr(pace, "KEEP", 60)


@pytest.mark.parametrize("page", [file for file, *_ in PAGES])
def test_every_page_opens_on_no_store_and_says_something(app, tmp_path, page):
    at = app(tmp_path / "none.duckdb", page)
    assert len(at.title) + len(at.info) >= 1


@pytest.mark.parametrize("page", [file for file, *_ in PAGES])
def test_every_page_opens_on_a_fitted_store_with_one_title(app, fitted_db, page):
    assert len(app(fitted_db, page).title) == 1


@pytest.mark.parametrize("page", [file for file, *_ in PAGES])
def test_every_page_says_in_one_sentence_what_it_shows_even_without_a_store(app, tmp_path, page):
    at = app(tmp_path / "none.duckdb", page)
    assert len(at.title) == 1
    sentence = at.caption[0].value
    assert sentence.endswith(".")
    assert ". " not in sentence


@pytest.mark.parametrize("page", ["leaderboard.py", "gains.py", "build.py", "plan.py"])
def test_a_page_gives_its_answer_before_anything_else(app, fitted_db, page):
    assert app(fitted_db, page).markdown[0].value.startswith("### ")


def test_a_build_is_told_by_its_place_as_the_leaderboard_has_it(app, fitted_db):
    answer = app(fitted_db, "build.py", build="Red Wren").markdown[0].value.replace("\\", "")
    assert answer.startswith(f"### Red Wren at {CIRCUIT}: place 2 of 3 entries at equal conditions")
    assert answer.endswith("As timed: place 1, 1:39.400.")


def test_a_claim_says_what_it_still_needs(app, fitted_db):
    at = app(fitted_db, "claim.py")
    assert "Needed: build, model, driver, lap time and tyre." in words_on(at)
    at.button[0].click().run()
    assert not at.exception
    assert at.error[0].value.replace("\\", "").startswith("a claim needs a ")


def test_the_page_counts_laps_without_reading_them(app, fitted_db, monkeypatch):
    monkeypatch.delattr(Store, "counted_laps")
    assert "7 counted laps in the store, the latest fit rests on them." in words_on(
        app(fitted_db, "hand_in.py")
    )


def test_every_page_of_the_folder_is_on_the_list():
    assert {file for file, *_ in (*PAGES, STEWARD_PAGE, *CLUB_PAGES)} == {
        path.name for path in FOLDER.glob("*.py")
    }


def test_no_store_says_to_hand_in_laps(app, tmp_path):
    at = app(tmp_path / "none.duckdb")
    assert "There are no laps yet. Hand in a lap table, then fit the model" in words_on(at)


def test_an_unfitted_store_says_to_fit(app, unfitted_db):
    assert "no model has been fitted to them yet" in words_on(app(unfitted_db))


def test_the_first_page_answers_in_one_sentence(app, fitted_db):
    at = app(fitted_db)
    answer = at.markdown[0].value.replace("\\", "")
    assert answer.startswith(f"### Quickest at equal conditions at {CIRCUIT}: Blue Wren, 1:")
    assert "As timed: Red Wren, 1:39.400." in answer


def test_the_first_page_tells_who_moves_and_why(app, fitted_db):
    words = words_on(app(fitted_db)).replace("**", "")
    moved = "Red Wren: down 1 place, from 1 as timed to 2."
    assert f"{moved} Its best lap (2025-03-02, S1) owes" in words
    assert "to a cool day (6 °C air, 8 °C track)" in words


def test_the_table_shows_both_places_side_by_side(app, fitted_db):
    table = app(fitted_db).dataframe[0].value
    assert list(table.columns[:4]) == [
        "Place, equal",
        "Place, timed",
        "Moved",
        "Build",
    ]
    assert list(table["Build"]) == ["Blue Wren", "Red Wren", "=Green [b]Wren[/b]"]


def test_the_download_is_offered_and_the_cautions_are_shown(app, fitted_db):
    at = app(fitted_db)
    assert len(at.get("download_button")) == 1
    assert "It is no target to drive to." in words_on(at)


def test_a_link_opens_the_view_that_it_names(app, fitted_db):
    at = app(fitted_db, tyre="sport", equal="conditions and tyre")
    assert at.selectbox(key="tyre").value == "sport"
    assert list(at.dataframe[0].value["Build"]) == ["=Green [b]Wren[/b]"]
    assert "tyre category made equal" in words_on(at)


@pytest.mark.parametrize(
    "query", [{"circuit": "Nowhere"}, {"class": "<script>"}, {"surface": "ice"}, {"layout": "x"}]
)
def test_a_link_that_names_nothing_known_opens_the_usual_view(app, fitted_db, query):
    assert len(app(fitted_db, **query).dataframe[0].value) == 3


def test_a_choice_that_nobody_meets_says_so(app, fitted_db):
    at = app(fitted_db)
    at.selectbox(key="class").set_value("extensive").run()
    assert not at.exception
    assert "No entry of this choice has a counted lap at Larkhill Ring." in words_on(at)


def test_a_fit_that_is_older_than_the_laps_is_said(app, unfitted_db, tmp_path, quick_fits):
    from benchmark.show.fitting import fit_store

    fit_store(unfitted_db, lambda _done, _step: None)
    rows = [ROWS[0].replace(",1,1:45", ",7,1:40")]
    with Store.open(unfitted_db, write=True) as store:
        store.add(read_once(write_sheet(tmp_path / "more.csv", rows)))
    assert "Laps have come or gone since this fit" in words_on(app(unfitted_db))


def upload(at: AppTest, name: str, rows: list[str] | tuple[str, ...]) -> AppTest:
    body = "\n".join([HEADER, *rows]).encode()
    at.file_uploader[0].set_value([(name, body, "text/csv")]).run()
    assert not at.exception
    return at


def test_faults_are_shown_with_their_place_before_anything_is_stored(app, tmp_path):
    db = tmp_path / "s.duckdb"
    bad = [re.sub(",(track-day|sport),", ",semi slick,", row) for row in ROWS[:6]]
    at = upload(app(db, "hand_in.py"), "spring.csv", [*bad, *ROWS[6:]])
    assert "6 faults: nothing of this file can be stored." in words_on(at)
    assert 'spring.csv, row 5, tyre_category, "semi slick": ' in words_on(at)
    assert 'spring.csv, row 6, tyre_category, "semi slick": ' not in words_on(at)
    fault = at.dataframe[0].value.iloc[5]  # the first five are written out, the table has all
    assert (fault["Row"], fault["Column"], fault["Value"]) == ("6", "tyre_category", "semi slick")
    assert at.button[0].disabled
    assert not db.exists()


def test_a_good_file_is_previewed_stored_and_fitted_from_the_page(app, tmp_path, quick_fits):
    db = tmp_path / "s.duckdb"
    at = upload(app(db, "hand_in.py"), "spring.csv", ROWS)
    assert "spring.csv: 7 laps would be added" in words_on(at)
    assert not db.exists()
    at.button[0].click().run()
    assert not at.exception
    assert "spring.csv: 7 laps added" in words_on(at)
    at.button[1].click().run()
    assert not at.exception
    assert at.button[1].label == "Stop the fit"
    at.button[1].click().run()
    while fit_worker.current(db).is_running:
        time.sleep(0.1)
    at.run()
    assert "The latest fit was stopped" in words_on(at)
    fit_store(db, lambda *_: None)
    at.run()
    assert not at.exception
    assert "on 7 counted laps of 3 builds" in words_on(at)
    with Store.open(db) as store:
        assert store.latest_fit().laps_used == 7


def test_a_name_of_a_file_is_text_and_no_markup(app, tmp_path):
    at = upload(app(tmp_path / "s.duckdb", "hand_in.py"), "![x](http://nowhere.invalid).csv", ROWS)
    shown = [part.value for part in at.markdown]
    assert r"**\!\[x\]\(http\:\/\/nowhere\.invalid\)\.csv**" in shown


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ("![x](http://a.b)", r"\!\[x\]\(http\:\/\/a\.b\)"),
        ("$x$ *b* `c` :red[d]", r"\$x\$ \*b\* \`c\` \:red\[d\]"),
        ("two\n\n# lines", r"two \# lines"),
        ("Šára 1", "Šára 1"),
    ],
)
def test_text_of_users_is_escaped(text, escaped):
    assert md(text) == escaped
