"""The forms of the hand-in page, through Streamlit's runner: outing, slow laps, mapping."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from benchmark.intake.mapping import parse_mapping
from benchmark.intake.usual_names import proposed_column, proposed_columns
from benchmark.store.mappings import keep_mapping, kept_mapping
from benchmark.store.store import Store
from tests.app_pages import open_page, words_on
from tests.lap_files import lap, read_once, write


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "laps.duckdb"
    monkeypatch.setenv("BENCHMARK_DB", str(path))
    with Store.open(path, create=True) as store:
        rows = [lap(n, mod_engine="2", driver_level="club", altitude_m="430") for n in (1, 2)]
        store.add(read_once(write(tmp_path, rows)))
    return path


@pytest.fixture
def page(db: Path) -> AppTest:
    return open_page("hand_in.py")


def fill(at: AppTest) -> AppTest:
    at.selectbox(key="outing_circuit").set_value("Quillmoor")
    at.selectbox(key="outing_build").set_value("Blue Heron")
    at.selectbox(key="outing_driver").set_value("A. Marsh")
    return at.run()


def button(at: AppTest, label: str):  # type: ignore[no-untyped-def]
    return next((one for one in at.button if one.label == label), None)


def test_a_known_build_brings_its_latest_record(page: AppTest) -> None:
    at = fill(page)
    assert at.selectbox(key="outing_model_Blue Heron").value == "Corvane GT"
    assert at.selectbox(key="outing_tyre_Blue Heron").value == "track-day"
    assert at.selectbox(key="outing_mod_engine_Blue Heron").value == "2"
    assert at.selectbox(key="outing_level_A. Marsh").value == "club"
    assert at.text_input(key="outing_altitude_m_Quillmoor").value == "430"


def test_pasted_laps_are_shown_before_they_are_stored(page: AppTest, db: Path) -> None:
    at = fill(page)
    at.text_area(key="outing_laps").set_value("Session 1\nout 1:20\n1:02.3\n1:02,5\n1:02.9").run()
    assert not at.exception
    assert 'line 1 passed over, "Session 1"' in words_on(at)
    assert "4 laps would be added" in words_on(at)
    with Store.open(db) as store:
        assert len(store.accepted_laps()) == 2
    button(at, "Store this outing").click().run()
    assert "4 laps added" in words_on(at)
    with Store.open(db) as store:
        laps = store.accepted_laps()
    stored = laps[laps["date"] != "2025-04-12"]
    assert stored["lap_kind"].tolist() == ["out", "timed", "timed", "timed"]
    assert stored["mod_engine"].tolist() == [2.0] * 4


def test_a_lap_that_could_be_two_things_is_told_and_nothing_can_be_stored(page: AppTest) -> None:
    at = fill(page)
    at.text_area(key="outing_laps").set_value("1:46.3\n1.46").run()
    assert (
        'Lap times, lap in place 2: "1.46" could be 1.46 s or 1 min 46 s; write 1:46'
        in words_on(at)
    )
    assert button(at, "Store this outing") is None


def test_a_field_that_cannot_be_taken_is_named(page: AppTest) -> None:
    at = fill(page)
    at.text_input(key="outing_cycles").set_value("many")
    at.text_area(key="outing_laps").set_value("1:46.3").run()
    told = words_on(at)
    assert 'Heat cycles before: "many" is not a number of heat cycles' in told
    assert "row" not in told.partition("cannot be stored yet")[2].partition("2. Fit")[0]
    assert "nothing of this file" not in told


def test_slow_laps_of_an_outing_are_marked_only_when_confirmed(page: AppTest, db: Path) -> None:
    at = fill(page)
    at.text_area(key="outing_laps").set_value("1:20.0 1:02.3 1:02.5 1:02.9").run()
    at.checkbox(key="outing_slow").check().run()
    button(at, "Store this outing").click().run()
    with Store.open(db) as store:
        laps = store.accepted_laps()
    stored = laps[laps["date"] != "2025-04-12"]
    assert stored["lap_kind"].tolist() == ["slow", "timed", "timed", "timed"]


def test_slow_laps_of_a_file_stay_timed_until_somebody_has_looked(
    page: AppTest, db: Path, tmp_path: Path
) -> None:
    times = ("1:20.0", "1:02.3", "1:02.5", "1:02.9")
    rows = [lap(n, t, date="2025-05-01") for n, t in enumerate(times, 1)]
    path = write(tmp_path, rows, name="may.csv")
    at = page
    at.file_uploader[0].set_value([("may.csv", path.read_bytes(), "text/csv")]).run()
    assert "1 lap handed in as timed look" in words_on(at)
    assert "Until you say so they stay timed laps." in words_on(at)
    seen = next(one for one in at.checkbox if str(one.key).startswith("slow_seen_"))
    seen.check().run()
    button(at, "Store 1 file").click().run()
    assert not at.exception
    with Store.open(db) as store:
        laps = store.accepted_laps()
    assert laps.loc[laps["date"] == "2025-05-01", "lap_kind"].tolist()[0] == "slow"


SHEET = "Tag;Nr;Zeit;driver\n12.5.2025;1;1:02,3;A. Marsh\n12.5.2025;2;1:02,5;A. Marsh\n"
FIXED = {"circuit": "Quillmoor", "session": "S1", "model": "Corvane GT", "build": "Blue Heron",
         "tyre_category": "sport"}  # fmt: skip


def test_a_mapping_is_clicked_together_previewed_and_kept(page: AppTest, db: Path) -> None:
    at = page
    at.file_uploader(key="foreign").set_value([("office.csv", SHEET.encode(), "text/csv")]).run()
    assert "Still to say:" in words_on(at)
    assert at.selectbox(key="map_driver").value == "4. driver"
    at.text_input(key="map_dates_as").set_value("D.M.YYYY")
    for name, source in (("date", "1. Tag"), ("lap", "2. Nr"), ("lap_time", "3. Zeit")):
        at.selectbox(key=f"map_{name}").set_value(source)
    for name in FIXED:
        at.selectbox(key=f"map_{name}").set_value("the same for all laps")
    at.run()
    for name, text in FIXED.items():
        at.text_input(key=f"map_fixed_{name}").set_value(text)
    at.run()
    assert not at.exception
    assert "The first 2 of 2 laps." in words_on(at)
    at.text_input(key="map_name").set_value("the office").run()
    button(at, "Keep the mapping").click().run()
    assert "Kept as the office" in words_on(at)
    with Store.open(db) as store:
        kept = parse_mapping(kept_mapping(store, "the office").body, "kept")
    assert (kept.columns["lap_time"], kept.fixed, kept.date_format) == ("Zeit", FIXED, "D.M.YYYY")


def test_plain_names_are_chosen_and_a_fault_is_told_once_in_the_forms_words(page: AppTest) -> None:
    usual = "Track,Day,Session,Model,Car,Driver,Tyres,Lap No.,Lap time,Air temp,Time"
    rows = [
        f"Quillmoor,1.5.26,S1,Corvane GT,Blue Heron,A. Marsh,sport,{n},62.3,20,9" for n in (1, 2)
    ]
    body = "\n".join([usual, *rows]).encode()
    page.file_uploader(key="foreign").set_value([("usual.csv", body, "text/csv")]).run()
    assert not page.exception
    assert page.selectbox(key="map_lap_time").value == "9. Lap time"
    assert page.multiselect(key="map_more").value == ["air_temp_c"]
    told = words_on(page)
    assert 'Day, in 2 rows, the first row 1, "1.5.26": does not look like YYYY-MM-DD' in told
    assert 'correct it, or "Dates are written" above' in told
    assert told.count("1.5.26") == 1


def test_names_that_could_be_two_things_are_left_open() -> None:
    assert proposed_column("lap_time", ["Laptime", "Lap time"]) is None
    assert proposed_column("build", ["Car", "build"]) == 1
    assert proposed_columns(["Time", "No", "LAPTIME"]) == ["lap_time"]


def test_a_kept_mapping_reads_uploads(page: AppTest, db: Path) -> None:
    columns = "[columns]\ndate = 1\nlap = 2\nlap_time = 3\ndriver = 4\n[fixed]\n"
    fixed = "\n".join(f'{name} = "{text}"' for name, text in FIXED.items())
    with Store.open(db, write=True) as store:
        keep_mapping(store, "office", f'date_format = "D.M.YYYY"\n{columns}{fixed}')
    at = page.run()
    at.selectbox(key="read_mapping").set_value("office").run()
    at.file_uploader[0].set_value([("office.csv", SHEET.encode(), "text/csv")]).run()
    assert not at.exception
    assert "office.csv: 2 laps would be added" in words_on(at)
