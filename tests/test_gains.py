"""Gains, explanations, forecasts and advice, on a small fit of invented laps."""

import numpy as np
import pandas as pd
import pytest

from benchmark.answers.advise import advise
from benchmark.answers.coach import coach
from benchmark.answers.company import COMPANY, find_alias, inflation, names_of, sides_of
from benchmark.answers.explain import explain, history
from benchmark.answers.forecast import Question, by_hour, forecast
from benchmark.answers.gains import gains, with_costs
from benchmark.answers.ladders import LADDERS, TYRE
from benchmark.errors import BadQuestion, BadValue
from benchmark.intake.costs import Costs
from benchmark.model.lookup import Lookup
from benchmark.model.pace import fit
from benchmark.trade.conditions import Conditions

PAIRS = 6 * 6 + 10 + 6  # of four levels in six areas, five tyres, four driver levels
TOGETHER_S = -4.4  # what tyre and driver were made to be worth together, of a lap of 90 s


def swapped_laps() -> pd.DataFrame:
    """Six invented cars whose tyre and driver always changed together, worth 5 % in all."""
    rng = np.random.default_rng(1)
    sides = [("sport", "Ada", 0.0), ("semi-slick", "Bo", -0.05)] * 2
    rows = []
    for car in range(6):
        own = rng.normal(0, 0.006)
        for day, (tyre, driver, worth) in enumerate(sides, start=1):
            run = own + worth + rng.normal(0, 0.002)
            for lap in range(2, 6):
                time_s = 90 * np.exp(run + rng.normal(0, 0.0035) + rng.exponential(0.006))
                rows.append(
                    {
                        "circuit": "Foxdale", "date": f"2026-04-0{day}", "session": "S1",
                        "model": "Invented Wren", "build": f"Car {car}", "driver": driver,
                        "driver_level": "club", "induction": "natural", "tyre_category": tyre,
                        "tyre_heat_cycles": 2, "air_temp_c": 18.0 + day, "track_temp_c": 30.0,
                        "humidity_pct": 50.0, "altitude_m": 0.0, "lap": lap,
                        "lap_time_s": round(time_s, 3), "lap_kind": "timed",
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def swapped():
    return fit(swapped_laps(), draws=400)


@pytest.fixture(scope="module")
def table(swapped):
    return gains(swapped, "Foxdale")


def step(table, area, start, end):
    row = table[(table["area"] == area) & (table["from"] == start) & (table["to"] == end)]
    return row.iloc[0]


def test_every_pair_of_levels_is_a_row_and_what_buys_most_is_first(table):
    assert len(table) == PAIRS
    assert table["gain_s"].is_monotonic_increasing
    assert (table["low_s"] <= table["gain_s"]).all()
    assert (table["gain_s"] <= table["high_s"]).all()


def test_builds_are_counted_on_each_side_and_on_both(table):
    row = step(table, "tyre_category", "sport", "semi-slick")
    assert (row["builds_from"], row["builds_to"], row["changes"], row["builds"]) == (6, 6, 6, 6)


def test_tyre_and_driver_that_change_together_are_wide_alone_and_narrow_together(table):
    row = step(table, "tyre_category", "sport", "semi-slick")
    assert row["aliased_with"] == "driver: Bo instead of Ada"
    assert "driver" in row["warning"]
    together = row["sum_high_s"] - row["sum_low_s"]
    assert together < 0.75 * (row["high_s"] - row["low_s"])
    assert row["sum_low_s"] < TOGETHER_S < row["sum_high_s"]


def test_a_step_that_no_car_ran_carries_a_warning(table):
    assert "no car ran engine 3" in step(table, "engine", "2", "3")["warning"]


@pytest.mark.parametrize("layout", ["full", "club"])
def test_an_unknown_place_is_a_wrong_question(swapped, layout):
    circuit = "Foxdale" if layout == "club" else "Foxdal"
    with pytest.raises(BadQuestion, match="did you mean"):
        gains(swapped, circuit, layout)


def test_variance_inflation_is_that_of_the_correlation():
    # 1 / (1 - r²): with r = -0.8 it is 1 / 0.36 (the definition of the factor).
    x = np.array([1.0, 1.0, -1.0, -1.0])
    z = np.array([1.0, -1.0, 1.0, -1.0])
    assert inflation(x, -0.8 * x + 0.6 * z) == pytest.approx(1 / 0.36)
    assert inflation(x, x) == 1.0


def test_a_tenth_costs_the_price_over_the_tenths_won(table):
    costs = Costs("EUR", {("tyre_category", "sport", "track-day"): 900.0})
    row = step(with_costs(table, costs), "tyre_category", "sport", "track-day")
    assert row["cost_per_tenth"] == pytest.approx(900 / (-10 * row["gain_s"]))


def test_the_parts_of_an_explanation_add_up_to_the_observed_difference(swapped):
    found = explain(swapped, "Car 1", "2026-04-01", "2026-04-02")
    laps = swapped_laps()
    best = laps[laps["build"] == "Car 1"].groupby("date")["lap_time_s"].min()
    observed = best["2026-04-02"] - best["2026-04-01"]
    assert found.difference_s == pytest.approx(observed, abs=1e-9)
    assert found.parts["gain_s"].sum() == pytest.approx(observed, abs=1e-9)


def test_an_explanation_of_the_same_day_is_nought(swapped):
    found = explain(swapped, "Car 1", "2026-04-01", "2026-04-01")
    assert found.difference_s == 0
    assert found.parts["gain_s"].abs().max() == 0


def test_a_day_without_laps_is_a_wrong_question(swapped):
    with pytest.raises(BadQuestion, match="no day of Car 1"):
        explain(swapped, "Car 1", "2026-04-01", "2026-05-01")


def test_a_history_says_what_changed_between_days(swapped):
    days = history(swapped, "Car 1", "Foxdale", "full")
    assert days["changed"].tolist()[1:] == [
        "tyre sport to semi-slick",
        "tyre semi-slick to sport",
        "tyre sport to semi-slick",
    ]


def test_the_best_of_more_laps_is_quicker_and_a_slow_target_is_sure(swapped):
    one = forecast(swapped, Question("Car 1", "Foxdale", laps=1, target_s=200.0)).figures
    five = forecast(swapped, Question("Car 1", "Foxdale", laps=5, target_s=1.0)).figures
    assert one["best_s"] == one["lap_s"]
    assert five["best_s"] < one["best_s"]
    assert (one["p_target"], five["p_target"]) == (1.0, 0.0)


def test_weather_beyond_the_record_is_told_and_widens(swapped):
    inside = forecast(swapped, Question("Car 1", "Foxdale", conditions=Conditions(air_temp_c=21)))
    cold = forecast(swapped, Question("Car 1", "Foxdale", conditions=Conditions(air_temp_c=-10)))
    assert "outside what was ever recorded, 19 to 22 °C" in " ".join(cold.warnings)
    assert "outside" not in " ".join(inside.warnings)

    def width(answer):
        return np.log(answer.figures["best_high_s"] / answer.figures["best_low_s"])

    assert width(cold) > width(inside)


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("parts:aero", "aero: level 2.5 instead of 1 on average"),
        ("parts:brakes", "brakes: level not recorded instead of 0 on average"),
        ("build", "build: 4 builds instead of A and B"),
        ("day", "day: 3 days instead of 2026-05-01"),
        ("conditions", "conditions"),
    ],
)
def test_company_is_named_by_what_stood_on_each_side(part, words):
    runs = pd.DataFrame(
        {
            "build": ["A", "B", "C", "D", "E", "F"],
            "tyre_category": ["sport"] * 2 + ["slick"] * 4,
            "mod_aero": [1, 1, 3, 3, 2, 2],
            "mod_brakes": pd.array([0, 0, None, None, None, None], dtype="Int64"),
            "date": ["2026-05-01"] * 2 + ["2026-05-02", "2026-05-03", "2026-05-04", "2026-05-04"],
        }
    )
    ladder = next(one for one in LADDERS if one.area == TYRE)
    step = np.random.default_rng(1).standard_normal(200)
    ends = (ladder.rungs.index("sport"), ladder.rungs.index("slick"))
    record = Lookup(runs, runs.iloc[:0])
    named = names_of(record, sides_of(runs, record, ladder, *ends), [COMPANY[part]])
    alias = find_alias(ladder, named, [], step, {part: -step})
    assert alias is not None
    assert alias.name == words


def test_the_hour_with_the_best_chance_is_named(swapped):
    hours = [(f"{hour}:00", Conditions(air_temp_c=air)) for hour, air in ((13, 22), (9, 19))]
    best, rows = by_hour(swapped, Question("Car 1", "Foxdale", target_s=88.0), hours)
    assert list(rows["time"]) == ["13:00", "9:00"]
    assert best.figures["best_time"] == "9:00"  # denser air, more power


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (Question("Car 9", "Foxdale"), 'no build "Car 9"'),
        (Question("Car 1", "Foxdale", driver="Cy"), 'no driver "Cy"'),
        (Question("Car 1", "Foxdale", tyre="semi"), 'no tyre category "semi"'),
        (Question("Car 1", "Foxdale", laps=0), "0 laps"),
    ],
)
def test_a_forecast_of_something_unknown_is_a_wrong_question(swapped, asked, message):
    with pytest.raises(BadQuestion, match=message):
        forecast(swapped, asked)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"conditions": Conditions(humidity_pct=120)}, "humidity 120 %"),
        ({"tyre_heat_cycles": 501}, "heat cycles 501 cycles is outside 0 to 500"),
    ],
)
def test_what_no_lap_table_may_hold_is_refused(swapped, asked, message):
    # The bounds are those of the lap table's contract: humidity 0 to 100 %, heat cycles 0 to 500.
    with pytest.raises(BadValue, match=message):
        forecast(swapped, Question("Car 1", "Foxdale", **asked))


def test_advice_names_the_class_that_each_step_leads_to(swapped):
    table = advise(swapped, "Car 1", "Foxdale")
    # trade.md: all 0 is standard, with brakes up to 1 allowed; none above 1 is light; one area at
    # 3 is extensive.
    assert step(table, "brakes", "0", "1")["class_then"] == "standard"
    assert step(table, "engine", "0", "1")["class_then"] == "light"
    assert step(table, "engine", "0", "3")["class_then"] == "extensive"
    assert set(table["class_now"]) == {"standard"}
    assert step(table, "engine", "0", "1")["entries_then"] == 1


def test_a_budget_keeps_steps_known_to_cost_no_more(swapped):
    costs = Costs("EUR", {("engine", "0", "1"): 500.0, ("aero", "0", "1"): 900.0})
    table = advise(swapped, "Car 1", "Foxdale", costs=costs, budget=600)
    assert list(zip(table["area"], table["to"], strict=True)) == [("engine", "1")]


def test_a_budget_without_costs_is_a_wrong_question(swapped):
    with pytest.raises(BadQuestion, match="needs costs"):
        advise(swapped, "Car 1", "Foxdale", budget=600)


@pytest.mark.parametrize("ask", [advise, history])
def test_an_unknown_surface_is_a_wrong_question(swapped, ask):
    with pytest.raises(BadQuestion, match='no surface "icy"'):
        ask(swapped, "Car 1", "Foxdale", "full", surface="icy")


def test_more_runs_narrow_an_interval_more(swapped):
    table = coach(swapped, "Car 1", "Foxdale").set_index("advice")["narrower_s"]
    one = table["one run of 5 laps on another day"]
    assert 0 < one < table["three runs of 5 laps in three sessions of another day"]
