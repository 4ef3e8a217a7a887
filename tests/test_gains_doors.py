"""Commands of gains, causes, forecasts, advice and plans, through their runner."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from tests.sheets import CIRCUIT

GAINS = {
    "area", "from", "to", "gain_s", "low_s", "high_s", "builds", "changes", "warning", "p_helps",
    "builds_from", "builds_to", "aliased_with", "sum_gain_s", "sum_low_s", "sum_high_s",
    "reference", "fit", "mode",
}  # fmt: skip
FORECAST = {
    "lap_s", "lap_low_s", "lap_high_s", "best_s", "best_low_s", "best_high_s", "p_target",
    "reference", "fit", "mode",
}  # fmt: skip


def ask(db, *words, code=0):
    result = CliRunner().invoke(app, [*map(str, words), "--db", str(db)])
    assert result.exit_code == code, result.output
    return result


def answer(db, *words):
    return json.loads(ask(db, *words, "--format", "json").stdout)


@pytest.fixture(scope="module")
def build(fitted_db):
    return answer(fitted_db, "leaderboard", "--circuit", CIRCUIT)[0]["build"]


def test_gains_carry_the_published_fields(fitted_db):
    rows = answer(fitted_db, "gains", "--circuit", CIRCUIT)
    assert len(rows) == 52
    assert set(rows[0]) >= GAINS


def test_a_forecast_is_one_object_with_the_published_fields(fitted_db, build):
    found = answer(fitted_db, "forecast", "--build", build, "--circuit", CIRCUIT)
    assert set(found) >= FORECAST
    assert found["p_target"] is None


def test_a_metar_is_the_same_as_its_numbers(fitted_db, build):
    asked = ("forecast", "--build", build, "--circuit", CIRCUIT)
    report = answer(fitted_db, *asked, "--metar", "METAR ZZZZ 221630Z 24008KT CAVOK 17/16 Q1018")
    given = report["reference"]
    # The store knows no height of the circuit, so the report's QNH tells no pressure there.
    names = ("air_temp_c", "humidity_pct", "wind_mps")
    options = [x for name in names for x in (f"--{name.replace('_', '-')}", given[name])]
    assert answer(fitted_db, *asked, *options)["lap_s"] == pytest.approx(report["lap_s"], abs=0.01)


def test_a_faulty_file_of_hours_is_told_by_row_and_ends_in_2(fitted_db, build, tmp_path):
    hours = tmp_path / "hours.csv"
    hours.write_text("time,air_temp_c\n09:00,hot\n", encoding="utf-8")
    asked = ("forecast", "--build", build, "--circuit", CIRCUIT, "--hours", hours)
    assert 'hours.csv, row 1, air_temp_c, "hot"' in ask(fitted_db, *asked, code=2).stderr


@pytest.mark.parametrize(
    "words",
    [
        ("gains", "--circuit", "Nowhere"),
        ("forecast", "--build", "Nobody", "--circuit", CIRCUIT),
        ("explain", "--build", "Nobody", "--from", "2026-01-01", "--to", "2026-01-02"),
        ("advise", "--build", "Nobody", "--circuit", CIRCUIT),
        ("coach", "--build", "Nobody", "--circuit", CIRCUIT),
        ("plan", "--gain", "0", "--circuit", CIRCUIT),
    ],
)
def test_a_wrong_question_ends_in_2_with_one_sentence(fitted_db, words):
    assert len(ask(fitted_db, *words, code=2).stderr.splitlines()) == 1


@pytest.mark.parametrize("form", ["table", "csv", "json"])
@pytest.mark.parametrize("command", ["gains", "forecast", "advise", "coach", "plan"])
def test_every_answer_comes_in_every_format(fitted_db, build, command, form):
    words = [command, "--circuit", CIRCUIT, "--format", form]
    words += ["--build", build] if command in ("forecast", "advise", "coach") else []
    words += ["--gain", "2"] if command == "plan" else []
    assert ask(fitted_db, *words).stdout
