"""One outing typed in: the same checks as a file, and a fault that names the field."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import FaultyFile
from benchmark.intake.columns import NAMES
from benchmark.intake.laptable import read_lap_table
from benchmark.intake.outing import (
    FIELDS,
    OutingLap,
    from_pasted,
    from_trace,
    make_outing,
    weather_from_metar,
)
from benchmark.intake.pasted import read_pasted
from benchmark.intake.trace import find_laps, parse_trace
from benchmark.store.claims import StoredLine, keep_line
from benchmark.store.latest import altitude_of, latest_facts, level_of
from benchmark.store.store import Store
from tests.drive import drive, gpx, line, observe
from tests.lap_files import LAP, lap, laps_of, told, write

FACTS = {name: text for name, text in LAP.items() if name in FIELDS}
ONE = [OutingLap("1", "1:02.345")]


def test_an_outing_is_the_lap_table_that_somebody_could_have_written(tmp_path: Path) -> None:
    facts = {**FACTS, "air_temp_c": "18,5", "mod_engine": "2", "driver": " Ana\u0301 "}
    laps = [OutingLap("1", "1:02.345", "out"), OutingLap("2", "1:01.9", timing_u_s="0.05")]
    made = make_outing(facts, laps)
    path = tmp_path / "outing.csv"
    path.write_bytes(made.body)
    assert laps_of(made.lap_file).equals(laps_of(read_lap_table(path)))
    assert made.body.decode().splitlines()[0] == ",".join(NAMES)
    read = laps_of(made.lap_file)
    assert read["lap_kind"].tolist() == ["out", "timed"]
    assert read["driver"].unique().tolist() == ["An\u00e1"]
    # A field that was left open is not recorded; a column that is absent would mean 0.
    assert read["mod_aero"].isna().all()


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"date": "5.4.2026"}, 'outing, row -, date, "5.4.2026": is not an ISO 8601 date; write'),
        ({"build": ""}, 'outing, row -, build, "": is empty; every lap needs a build'),
        ({"tyre_category": "semi"}, 'outing, row -, tyre_category, "semi": is not a category; use'),
        ({"air_temp_c": "80"}, 'outing, row -, air_temp_c, "80": is outside -30 to 60 °C'),
        ({"driver": "a\nb"}, 'outing, row -, driver, "a\\x0ab": holds a line break'),
        ({"driver": "x" * 300}, "has 300 characters; shorten it to 200"),
        ({"driver": "\ud800"}, 'outing, row -, -, "0xED": is not UTF-8 text'),
        ({"driver": "a\0b"}, "has a NUL byte"),
    ],
)
def test_a_fault_names_the_field_once(changes: dict[str, str], fault: str) -> None:
    made = make_outing({**FACTS, **changes}, [*ONE, OutingLap("2", "1:03.0")])
    [said] = told(made.lap_file)
    assert fault in said


def test_a_fault_of_a_lap_names_the_lap() -> None:
    made = make_outing(FACTS, [*ONE, OutingLap("2", "fast", "flying")])
    assert told(made.lap_file) == [
        'outing, row 2, lap_time, "fast": is not a lap time; write m:ss.sss, h:mm:ss.sss or '
        "seconds",
        'outing, row 2, lap_kind, "flying": is not a kind of lap; use timed, out, in, slow, '
        "baulked, off or neutralised",
    ]


def test_an_outing_needs_a_lap_and_takes_no_other_field() -> None:
    with pytest.raises(FaultyFile, match="no lap was given; paste lap times"):
        make_outing(FACTS, [])
    with pytest.raises(FaultyFile, match=r"outing, row -, lap, .*is no fact of an outing"):
        make_outing({**FACTS, "lap": "1"}, ONE)


def test_the_weather_of_a_metar_is_taken_to_the_circuits_height() -> None:
    """967.7 hPa: the 1018 of the report is 1018.5 at sea level; ISO 2533 at 430 m."""
    metar = "METAR ZZZZ 221630Z 24008KT CAVOK 17/16 Q1018"
    weather = weather_from_metar(metar, "430", None)
    assert weather == {"air_temp_c": "17.0", "pressure_hpa": "967.7", "humidity_pct": "93.8",
                       "wind_mps": "4.1"}  # fmt: skip
    ratio = (1 - 0.0065 * 430 / 288.15) ** (9.80665 / (0.0065 * 287.05287))
    assert float(weather["pressure_hpa"]) == pytest.approx(1018.5 * ratio, abs=0.1)
    assert "pressure_hpa" not in weather_from_metar(metar, None, None)
    with pytest.raises(FaultyFile, match=r"outing, row -, metar, .*is no METAR"):
        weather_from_metar("nice day", None, None)
    with pytest.raises(FaultyFile, match=r"outing, row -, altitude_m, .high.: is not a number"):
        weather_from_metar(metar, "high", None)


def test_a_trace_proposes_laps_with_their_uncertainty() -> None:
    rng = np.random.default_rng(3)
    truth = drive(3, rng)
    trace = parse_trace("drive.gpx", gpx(observe(truth, 10, rng, sigma_m=0.5), hdop="0.9").encode())
    laps = find_laps(trace, line())
    made = make_outing({**FACTS, "timing": "gps"}, from_trace(laps, 2))
    read = laps_of(made.lap_file)
    assert read["lap"].tolist() == [2, 3, 4]
    assert read["lap_time_s"].astype(float).to_numpy() == pytest.approx(truth.laps_s, abs=0.1)
    assert (read["timing_u_s"] > 0).all()


def test_what_the_store_knows_fills_the_form(tmp_path: Path) -> None:
    rows = [
        lap(1, mod_engine="1", driver_level="club", altitude_m="430", tyre_heat_cycles="3"),
        lap(1, date="2025-05-01", mod_engine="2", tyre_category="slick", driver="B. Fell",
            altitude_m="", driver_level="", mod_aero=""),
    ]  # fmt: skip
    with Store.empty() as store:
        assert latest_facts(store, "Blue Heron") == {}
        store.add(read_lap_table(write(tmp_path, rows)))
        known = latest_facts(store, "Blue Heron")
        assert (known["mod_engine"], known["tyre_category"], known["model"]) == (
            "2", "slick", "Corvane GT")  # fmt: skip
        assert not {"tyre_heat_cycles", "driver", "driver_level", "air_temp_c"} & set(known)
        assert (level_of(store, "A. Marsh"), level_of(store, "B. Fell")) == ("club", None)
        assert (altitude_of(store, "Quillmoor"), altitude_of(store, "Moor")) == (430.0, None)


# The command line

RUN = CliRunner()
ASKED = ("outing", "--circuit", "Quillmoor", "--date", "2025-04-12", "--session", "S1",
         "--build", "Blue Heron", "--driver", "A. Marsh")  # fmt: skip
NEW = ("--model", "Corvane GT", "--tyre", "sport")


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "laps.duckdb"
    monkeypatch.setenv("BENCHMARK_DB", str(path))
    return path


def test_each_lap_is_shown_as_understood_and_then_stored(db: Path) -> None:
    done = RUN.invoke(app, [*ASKED, *NEW, "--laps", "Session 1\nout 2:10.3\n1:46,308 new tyres"])
    assert done.exit_code == 0, done.output
    assert "1:46,308 new tyres     2   1:46.308   timed   new tyres" in done.stdout
    assert 'line 1 passed over, "Session 1": no lap time in this line' in done.stderr
    assert "outing, Blue Heron, Quillmoor, 2025-04-12, S1: 2 laps added" in done.stdout
    with Store.open(db) as store:
        assert store.accepted_laps()["lap_kind"].tolist() == ["out", "timed"]


def test_a_dry_run_adds_nothing(db: Path) -> None:
    done = RUN.invoke(app, [*ASKED, *NEW, "--laps", "1:46.308", "--dry-run"])
    assert (done.exit_code, "1 lap would be added" in done.stdout) == (0, True)
    assert not db.exists()


def test_laps_come_from_a_file_or_from_input(db: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "laps.txt"
    sheet.write_text("\ufeff1:46.308\n", encoding="utf-8")
    assert RUN.invoke(app, [*ASKED, *NEW, "--laps", str(sheet)]).exit_code == 0
    done = RUN.invoke(app, [*ASKED, "--laps", "-", "--first-lap", "2"], input="1:47.1\n1:47.2")
    assert "from the latest record: model Corvane GT, tyre_category sport" in done.stderr
    assert done.exit_code == 0, done.output
    with Store.open(db) as store:
        assert store.accepted_laps()["lap"].tolist() == [1, 2, 3]
    sheet.write_bytes(b"\xff\xfe1")
    assert "is not UTF-8 text; save it" in RUN.invoke(app, [*ASKED, "--laps", str(sheet)]).stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--laps", "1.46"), 'pasted laps, row 1, lap_time, "1.46": "1.46" could be 1.46 s or'),
        (("--laps", ""), 'pasted laps, row -, lap_time, "": holds no lap time; paste times'),
        (("--laps", "1:46.3"), 'outing, row -, model, "": is empty; every lap needs a model'),
        ((), "give the laps by --laps or by --trace, one of the two"),
        (("--laps", "1:46.3", "--trace", "x.gpx"), "one of the two"),
        (("--trace", "none.gpx"), 'none.gpx, row -, -, "": cannot be read: No such file'),
        (("--laps", "1:46.3", "--metar", "sunny"), "is no METAR; one looks like"),
    ],
)
def test_what_is_wrong_is_told_and_nothing_is_stored(
    db: Path, arguments: tuple[str, ...], message: str
) -> None:
    done = RUN.invoke(app, [*ASKED, *arguments])
    assert done.exit_code == 2
    assert message in done.stderr
    assert not db.exists()


def test_a_trace_is_timed_at_the_stored_line(db: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    truth = drive(3, rng)
    path = tmp_path / "drive.gpx"
    path.write_text(gpx(observe(truth, 10, rng)), encoding="utf-8")
    proposed = RUN.invoke(app, [*ASKED, *NEW, "--trace", str(path), "--dry-run"])
    assert "by the proposed timing line" in proposed.stderr
    assert "keep the line with `benchmark timing-line`" in proposed.stderr
    with Store.open(db, create=True) as store:
        keep_line(store, "Quillmoor", "full", StoredLine(str(line()), None))
    done = RUN.invoke(app, [*ASKED, *NEW, "--trace", str(path)])
    assert done.exit_code == 0, done.output
    assert "drive.gpx: 3 laps by the stored timing line" in done.stderr
    with Store.open(db) as store:
        laps = store.accepted_laps()
    assert laps["lap"].tolist() == [2, 3, 4]
    assert laps["lap_time_s"].to_numpy() == pytest.approx(truth.laps_s, abs=0.02)
    assert laps["timing"].tolist() == ["gps"] * 3


def test_slow_laps_are_proposed_and_only_marked_when_accepted(db: Path) -> None:
    asked = [*ASKED, *NEW, "--laps", "2:10.3 1:46.3 1:46.5 1:46.9"]
    proposed = RUN.invoke(app, [*asked, "--propose-slow"])
    assert "run 1, lap 1, 2:10.300 is 22% over 1:46.500" in proposed.stdout
    assert "1 lap would be marked slow; --accept-slow does so" in proposed.stdout
    assert not db.exists()
    done = RUN.invoke(app, [*asked, "--accept-slow"])
    assert "1 lap marked slow, as accepted" in done.stdout
    with Store.open(db) as store:
        assert store.accepted_laps()["lap_kind"].tolist() == ["slow", "timed", "timed", "timed"]


def test_a_file_is_held_against_the_same_rule(db: Path, tmp_path: Path) -> None:
    times = ("2:10.3", "1:46.3", "1:46.5", "1:46.9")
    path = write(tmp_path, [lap(n, time) for n, time in enumerate(times, 1)])
    proposed = RUN.invoke(app, ["import", str(path), "--propose-slow"])
    assert "4 laps would be added" in proposed.stdout
    assert not db.exists()
    assert RUN.invoke(app, ["import", str(path), "--accept-slow"]).exit_code == 0
    with Store.open(db) as store:
        assert store.counted() == 3


def test_pasted_laps_become_the_rows_of_an_outing() -> None:
    laps = from_pasted(read_pasted("3 1:46.3085 (out)\n4 1:47"))
    assert laps == [OutingLap("3", "1:46.3085", "out"), OutingLap("4", "1:47.000", "timed")]
