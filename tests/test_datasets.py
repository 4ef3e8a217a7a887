"""The demo season: made anew byte for byte, read without a fault, and its stories are true.

The figures are those of `datasets/README.md`, so that page and files cannot drift apart. What the
season must hold is the list of what real days hold, from the trade's description of a day.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping
from pathlib import Path

import pandas as pd
import pytest

from benchmark.intake.laptable import LapFile, read_lap_table
from benchmark.model import scenario
from benchmark.model.demo_season import demo_season
from benchmark.model.publish import main, season_files
from benchmark.model.simulate import Season
from benchmark.model.truth import Truth
from benchmark.trade.classes import AREAS, modification_class

FOLDER = Path(__file__).parents[1] / "datasets"
MODS = [f"mod_{area}" for area in AREAS]


@pytest.fixture(scope="module")
def season() -> Season:
    return demo_season()


@pytest.fixture(scope="module")
def files() -> list[LapFile]:
    return [read_lap_table(path) for path in sorted(FOLDER.glob("laps-*.csv"))]


@pytest.fixture(scope="module")
def laps(files: list[LapFile]) -> pd.DataFrame:
    table = pd.concat([file.laps for file in files], ignore_index=True)
    return table.assign(
        lap_time_s=table["lap_time_s"].astype(float), date=table["date"].astype(str)
    )


@pytest.fixture(scope="module")
def truth() -> Mapping[str, object]:
    return json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def board(truth) -> pd.DataFrame:
    return pd.DataFrame(truth["adjusted"]).set_index(["circuit", "layout", "build"]).sort_index()


@pytest.fixture(scope="module")
def readme() -> str:
    return (FOLDER / "README.md").read_text(encoding="utf-8")


def test_the_command_makes_every_file_again_byte_for_byte(tmp_path):
    main(["--out", str(tmp_path)])
    made = sorted(path.name for path in tmp_path.iterdir())
    kept = sorted(path.name for path in FOLDER.iterdir())
    assert set(kept) - set(made) == {"README.md", "challenge.toml"}
    for name in made:
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), name


def test_another_seed_makes_another_season(season):
    other = season_files(demo_season(scenario.SEED + 1))
    assert set(other) == set(season_files(season))
    assert other["truth.json"] != season_files(season)["truth.json"]


def test_check_sums_are_those_of_the_files():
    lines = (FOLDER / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    sums = {name: digest for digest, name in (line.split("  ") for line in lines)}
    assert len(sums) == 15
    for name, digest in sums.items():
        assert hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == digest, name


def test_every_lap_table_is_read_without_a_fault(files):
    assert [file.path.name for file in files if file.faults or file.ignored_columns] == []
    assert len(files) == 14


def test_files_say_what_the_season_says(laps, season):
    key = ["circuit", "layout", "date", "session", "build", "run", "lap"]
    read = laps.sort_values(key).reset_index(drop=True)
    made = season.laps.sort_values(key).reset_index(drop=True)
    for column in [*key, "driver", "lap_kind", "tyre_category", "timing", "evidence"]:
        assert read[column].fillna("").tolist() == made[column].fillna("").tolist(), column
    for column in ["lap_time_s", "air_temp_c", "pressure_hpa", "treadwear", *MODS]:
        same = read[column].astype(float).round(4).fillna(-1) == made[column].astype(
            "Float64"
        ).round(4).fillna(-1)
        assert same.all(), column


def test_the_season_is_as_large_as_the_page_says(laps, readme):
    counted = (laps["lap_kind"] == "timed").sum()
    assert f"{len(laps):,} laps, of which {counted:,} count" in readme
    assert 4000 <= len(laps) <= 6000
    assert laps["build"].nunique() == 45
    assert laps["model"].nunique() == 6
    assert laps["driver"].nunique() == 40
    assert laps["date"].nunique() == 14
    assert laps.groupby("circuit")["layout"].nunique().to_dict() == {"Tarnebrook": 2, "Highmarl": 1}


@pytest.mark.parametrize(
    ("column", "values"),
    [
        ("lap_kind", {"timed", "out", "in", "baulked"}),
        ("surface", {"dry", "damp", "wet"}),
        ("timing", {"transponder", "gps", "video", "stopwatch"}),
        ("tyre_category", {"touring", "sport", "track-day", "semi-slick", "slick", "wet"}),
        ("driver_level", {"novice", "club", "expert", "professional"}),
        ("induction", {"natural", "boosted"}),
    ],
)
def test_what_real_days_hold_is_there(laps, column, values):
    assert set(laps[column].dropna()) == values


@pytest.mark.parametrize(
    "column",
    ["track_temp_c", "pressure_hpa", "driver_level", "induction", "treadwear", "mod_drivetrain"],
)
def test_some_facts_were_not_written_down(laps, column):
    assert 0.005 < laps[column].isna().mean() < 0.4


def test_the_page_counts_gaps_and_gross_errors_right(laps, season, readme):
    sessions = laps.groupby(["date", "session"])["track_temp_c"].first()
    gap = f"track temperature in {sessions.isna().sum()} of {len(sessions)} sessions"
    without = laps[laps["pressure_hpa"].isna()]["date"].nunique()
    unknown = laps[laps["driver_level"].isna()]["driver"].nunique()
    no_induction = laps[laps["induction"].isna()]["build"].nunique()
    moved = (season.facts.groupby("build")["mod_engine"].nunique() > 1).sum()
    assert gap in readme
    assert (without, unknown, no_induction) == (2, 4, 2)  # two days, four drivers, two cars
    assert f"{moved} cars whose engine changes level" in readme
    assert (season.realised["gross"] != 0).sum() == 6  # "Six laps are grossly mistimed"


def test_nobody_wrote_down_the_weather_of_one_day(laps):
    day = laps[laps["date"] == "2026-05-23"]
    assert day[["air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct"]].isna().all(axis=None)


def test_spring_is_cold_and_summer_hot(laps):
    hottest = laps.groupby("date")["air_temp_c"].max().dropna()
    assert hottest.iloc[0] <= 10
    assert hottest.max() >= 30
    assert hottest.idxmax() == "2026-08-08"


def test_drivers_share_cars_and_parts_arrive(laps):
    timed = laps[laps["lap_kind"] == "timed"]
    assert (timed.groupby("build")["driver"].nunique() > 1).sum() >= 10
    assert (timed.groupby("build")["mod_engine"].nunique() > 1).sum() >= 10


def test_soft_tyres_fade_within_a_run(laps):
    slick = laps[(laps["tyre_category"] == "slick") & (laps["lap_kind"] == "timed")]
    first = slick[slick["lap"] == 2].set_index(["build", "date", "session", "run"])["lap_time_s"]
    sixth = slick[slick["lap"] == 6].set_index(["build", "date", "session", "run"])["lap_time_s"]
    lost = (sixth / first).dropna()
    assert len(lost) >= 20
    assert 1.002 < lost.median() < 1.02  # trade: 0.1 to 0.4 % a lap


def test_a_best_lap_of_a_cool_morning_ranks_higher_than_its_pace(laps, board, readme):
    build, here = scenario.COOL_MORNING, ("Tarnebrook", "full")
    entry = board.loc[(*here, build)]
    best = _best(laps, build, *here)
    assert (best["date"], best["session"]) == ("2026-03-14", "S1")
    assert best["air_temp_c"] < 6
    assert entry["true_rank"] - entry["raw_rank"] >= 5
    assert f"place {entry['raw_rank']} of {len(board.loc[here])}" in readme
    assert f"at equal conditions place {entry['true_rank']}" in readme


def test_parts_bought_less_than_half_of_what_a_car_gained(laps, truth, readme):
    gain = truth["season_of_parts"]
    own = laps[(laps["build"] == gain["build"]) & (laps["circuit"] == "Highmarl")]
    best = own[own["lap_kind"] == "timed"].groupby("date")["lap_time_s"].min()
    assert best.iloc[-1] - best.iloc[0] == pytest.approx(-2.4, abs=0.05)
    assert gain["gain_s"] == pytest.approx(best.iloc[-1] - best.iloc[0], abs=1e-9)
    assert 0.3 < gain["parts_s"] / gain["gain_s"] < 0.5
    for part in ("parts_s", "conditions_s", "driver_s", "tyre_s"):
        assert gain[part] < -0.2
        assert f"{-gain[part]:.2f} s" in readme
    shares = [gain[k] for k in ("parts_s", "tyre_s", "driver_s", "conditions_s", "rest_s")]
    assert sum(shares) == pytest.approx(gain["gain_s"], abs=0.003)  # five rounded to 1 ms


def test_a_hired_professional_lifts_one_car(laps, board):
    hired = laps[laps["driver"] == scenario.HIRED]
    assert set(hired["build"]) == {scenario.HIRED_PROFESSIONAL}
    assert set(laps.loc[laps["driver_level"] == "professional", "driver"]) == {scenario.HIRED}
    assert _best(laps, scenario.HIRED_PROFESSIONAL, "Highmarl")["driver"] == scenario.HIRED
    entry = board.loc[("Highmarl", "full", scenario.HIRED_PROFESSIONAL)]
    assert entry["driver"] != scenario.HIRED
    assert (entry["raw_rank"], entry["true_rank"]) == (4, 11)


def test_one_lap_was_timed_too_short_by_video(laps, board):
    best = _best(laps, scenario.MISTIMED_CAR, "Highmarl")
    own = laps[(laps["build"] == scenario.MISTIMED_CAR) & (laps["circuit"] == "Highmarl")]
    next_best = own[own["lap_kind"] == "timed"]["lap_time_s"].nsmallest(2).iloc[1]
    assert best["timing"] == "video"
    assert best["lap_time_s"] / next_best < 0.96
    entry = board.loc[("Highmarl", "full", scenario.MISTIMED_CAR)]
    assert (entry["raw_rank"], entry["true_rank"]) == (10, 34)


def test_one_car_changes_class(laps):
    own = laps[laps["build"] == scenario.CHANGES_CLASS].sort_values("date")
    levels = own.groupby("date")[MODS].first().astype(int)
    classes = [modification_class(dict(zip(AREAS, row, strict=True))) for row in levels.to_numpy()]
    june = (levels.index < "2026-06-13").sum()
    assert classes[:june] == ["light"] * june
    assert classes[june:] == ["moderate"] * (len(classes) - june)


def test_the_truth_file_gives_the_truth_back(season):
    read = Truth.from_json((FOLDER / "truth.json").read_text(encoding="utf-8"))
    assert read.log_time(season.facts) == pytest.approx(
        season.truth.log_time(season.facts), abs=1e-7
    )


def test_the_rules_name_circuits_days_and_cars_of_the_season(laps):
    rules = tomllib.loads((FOLDER / "challenge.toml").read_text(encoding="utf-8"))
    held = set(laps[["circuit", "layout", "date"]].itertuples(index=False, name=None))
    rounds = {(r["circuit"], r.get("layout", "full"), str(r["date"])) for r in rules["rounds"]}
    assert len(rounds) == 6
    assert rounds <= held


def _best(laps: pd.DataFrame, build: str, circuit: str, layout: str = "full") -> pd.Series:
    """Quickest counted dry lap of a build."""
    own = laps[(laps["build"] == build) & (laps["circuit"] == circuit)]
    own = own[(own["layout"] == layout) & (own["lap_kind"] == "timed") & (own["surface"] == "dry")]
    return own.loc[own["lap_time_s"].idxmin()]
