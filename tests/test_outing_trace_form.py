"""The form for one outing: a trace proposes the laps, a pasted METAR brings the weather."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from benchmark.store.store import Store
from tests import drive
from tests.app_pages import open_page, press, words_on
from tests.lap_files import lap
from tests.rulings import add

pytestmark = pytest.mark.slow

RATE_HZ = 10
FACTS = {"circuit": "Quillmoor", "build": "Blue Heron", "driver": "A. Marsh"}


@pytest.fixture(scope="module")
def driven() -> tuple[drive.Truth, object]:
    """Four flying laps of an invented circuit, as a receiver saw them."""
    rng = np.random.default_rng(3)
    truth = drive.drive(4, rng)
    return truth, drive.observe(truth, RATE_HZ, rng, noise_m=0.05)


@pytest.fixture
def at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    db = tmp_path / "laps.duckdb"
    monkeypatch.setenv("BENCHMARK_DB", str(db))
    with Store.open(db, create=True) as store:
        add(store, [lap(1, altitude_m="430")])
    page = open_page("hand_in.py")
    for name, text in FACTS.items():
        page.selectbox(key=f"outing_{name}").set_value(text)
    page.text_input(key="outing_session").set_value("S7")
    return page.run()


@pytest.mark.parametrize(
    ("ending", "written"), [("gpx", drive.gpx), ("nmea", drive.nmea)], ids=["gpx", "nmea"]
)
def test_a_trace_proposes_laps_and_they_are_stored_when_said_so(
    at: AppTest, tmp_path: Path, driven: tuple[drive.Truth, object], ending: str,
    written: Callable[[object], str],
) -> None:  # fmt: skip
    truth, trace = driven
    at.radio(key="outing_source").set_value("a trace (GPX or NMEA)").run()
    body = written(trace).encode()
    at.file_uploader(key="outing_trace").set_value([(f"drive.{ending}", body, "text/plain")])
    at.text_input(key="outing_line").set_value(str(drive.line())).run()
    assert not at.exception
    assert "4 laps would be added" in words_on(at)
    with Store.open(tmp_path / "laps.duckdb") as store:
        assert store.counted() == 1
    press(at, "Store this outing")
    with Store.open(tmp_path / "laps.duckdb") as store:
        laps = store.accepted_laps()
    stored = laps[laps["session"] == "S7"]
    assert stored["lap"].tolist() == [2, 3, 4, 5]
    assert set(stored["timing"]) == {"gps"}
    off_s = stored["lap_time_s"].to_numpy() - truth.laps_s
    assert np.all(np.abs(off_s) < 3 * stored["timing_u_s"].to_numpy())


def test_a_file_that_is_no_trace_is_told_and_nothing_is_stored(at: AppTest, tmp_path: Path) -> None:
    at.radio(key="outing_source").set_value("a trace (GPX or NMEA)").run()
    at.file_uploader(key="outing_trace").set_value([("x.gpx", b"<html/>", "text/plain")]).run()
    assert not at.exception
    assert 'x.gpx, row -, xml, "html": is no GPX file' in words_on(at)
    assert "Store this outing" not in [button.label for button in at.button]
    with Store.open(tmp_path / "laps.duckdb") as store:
        assert store.counted() == 1


def test_a_pasted_metar_brings_the_weather_at_the_circuits_height(
    at: AppTest, tmp_path: Path
) -> None:
    """Station pressure at 430 m of QNH 1018 hPa: ICAO Doc 7488, computed here from its formula.

    A QNH is reported rounded down (ICAO Annex 3, Appendix 3, 4.7): on average it is half more.
    """
    at.text_area(key="outing_metar").set_value("METAR ZZZZ 210930Z 24004KT CAVOK 12/08 Q1018")
    at.text_area(key="outing_laps").set_value("out 1:20\n1:02.3\n1:02.5").run()
    press(at, "Store this outing")
    with Store.open(tmp_path / "laps.duckdb") as store:
        laps = store.accepted_laps()
    stored = laps[laps["session"] == "S7"]
    exponent = 9.80665 / (287.05287 * 0.0065)  # gravity, gas constant and lapse rate of Doc 7488
    sea_level_k = 288.15
    height_of_qnh_m = sea_level_k / 0.0065 * (1 - (1018.5 / 1013.25) ** (1 / exponent))
    pressure = 1013.25 * (1 - 0.0065 * (430 + height_of_qnh_m) / sea_level_k) ** exponent
    assert stored["air_temp_c"].tolist() == [12.0] * 3
    assert stored["pressure_hpa"].tolist() == pytest.approx([pressure] * 3, abs=0.06)
