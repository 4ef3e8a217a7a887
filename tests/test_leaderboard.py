"""The leaderboard on fits whose answers were worked out by hand (see fakes.py)."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from benchmark.answers.entries import reference
from benchmark.answers.leaderboard import FIELDS, leaderboard
from benchmark.errors import BadQuestion
from tests.fakes import FakeFit, as_fit, cool_morning_fit, entry, run

# The fields of the contract for `benchmark leaderboard`, in its order.
CONTRACT = ["rank", "build", "model", "class", "driver", "tyre_category", "best_s", "adjusted_s",
            "low_s", "high_s", "rank_low", "rank_high", "p_fastest", "laps"]  # fmt: skip


@pytest.fixture
def cool():
    return as_fit(cool_morning_fit())


def board_of(fit, **question):
    return leaderboard(fit, "Foxdale", **question).set_index("build")


def test_the_published_fields_come_first_and_in_order(cool):
    assert list(leaderboard(cool, "Foxdale").columns)[: len(CONTRACT)] == CONTRACT
    assert list(leaderboard(cool, "Foxdale").columns) == list(FIELDS)


def test_a_cool_morning_is_first_as_timed_and_last_at_equal_conditions(cool):
    board = board_of(cool)
    assert dict(board["raw_rank"]) == {"Cool": 1, "Quick": 2, "Middle": 3}
    assert dict(board["rank"]) == {"Quick": 1, "Middle": 2, "Cool": 3}


def test_adjusted_times_are_those_of_the_reference_day(cool):
    adjusted = board_of(cool)["adjusted_s"]
    assert adjusted["Quick"] == pytest.approx(100.0, abs=0.01)
    assert adjusted["Middle"] == pytest.approx(100.0 * math.exp(0.005), abs=0.01)
    assert adjusted["Cool"] == pytest.approx(100.0 * math.exp(0.01), abs=0.01)


def test_the_note_says_what_the_cool_morning_was_worth(cool):
    board = board_of(cool)
    # 15 °C at 0.1 % each: 101.005 s times (e^-0.015 - 1) = -1.50 s
    assert board.loc["Cool", "conditions_worth_s"] == pytest.approx(-1.504, abs=0.01)
    assert board.loc["Cool", "best_note"] == (
        "Its best lap (2025-05-01, S1) owes 1.50 s to a cool day (5 °C air, 9 °C track)."
    )


def test_a_lap_on_a_reference_day_needs_no_note(cool):
    assert pd.isna(board_of(cool).loc["Quick", "best_note"])


def test_laps_counts_those_at_the_place_and_surface(cool):
    assert dict(board_of(cool)["laps"]) == {"Quick": 2, "Middle": 1, "Cool": 2}


def test_ranks_that_never_change_hands_are_certain(cool):
    board = board_of(cool)
    assert list(board["rank_low"]) == list(board["rank_high"]) == [1, 2, 3]
    assert list(board["p_fastest"]) == [1.0, 0.0, 0.0]


def test_an_entry_alone_has_rank_one_and_is_surely_the_quickest(cool):
    cool.entries.loc[cool.entries["build"] == "Cool", "class"] = "light"
    board = leaderboard(cool, "Foxdale", in_class="light")
    assert list(board["build"]) == ["Cool"]
    row = board.iloc[0]
    assert (row["rank"], row["rank_low"], row["rank_high"], row["p_fastest"]) == (1, 1, 1, 1.0)


def test_intervals_widen_with_their_level(cool):
    narrow, wide = board_of(cool, level=0.5), board_of(cool, level=0.99)
    assert ((wide["high_s"] - wide["low_s"]) > (narrow["high_s"] - narrow["low_s"])).all()
    assert narrow["adjusted_s"].between(narrow["low_s"], narrow["high_s"]).all()


def changed_car() -> FakeFit:
    """A car whose best lap had slicks, a hired driver and an engine that it has no more."""
    then = run("Old", tyre_category="slick", driver="Pro", driver_level="professional",
               mod_engine=2)  # fmt: skip
    return FakeFit(
        runs=[then, run("Old", date="2025-06-01"), run("Other")],
        laps=[(0, 2, 92.0), (1, 2, 100.0), (2, 2, 100.1)],
        entries=[entry("Old"), entry("Other", tyre_category="slick")],
        builds={"Old": 0.0, "Other": 0.0},
    )


def test_the_note_tells_another_tyre_driver_and_specification():
    note = board_of(as_fit(changed_car())).loc["Old", "best_note"]
    # e^-0.04, e^-0.02 and e^-0.02 of 100 s
    assert note == (
        "Its best lap (2025-05-01, S1) owes 3.92 s to slick tyres instead of track-day; "
        "1.98 s to Pro driving instead of Ada; 1.98 s to engine level 2 instead of 0."
    )


def test_a_lap_that_nothing_explains_is_told_as_a_question_of_timing(cool):
    cool.laps.loc[0, "lap_time_s"] = 97.0
    assert board_of(cool).loc["Quick", "best_note"] == (
        "The lap (2025-05-01, S1) is 3.00 s quicker than anything on record explains: its timing "
        "is worth a look."
    )


def test_best_is_the_quickest_lap_whatever_was_fitted_then():
    board = board_of(as_fit(changed_car()))
    assert board.loc["Old", "best_s"] == 92.0
    assert board.loc["Old", "best_driver"] == "Pro"
    assert board.loc["Old", "best_tyre_category"] == "slick"
    assert board.loc["Old", "tyre_category"] == "track-day"


@pytest.mark.parametrize(
    ("adjust", "seconds"),
    [("conditions", 100 * math.exp(-0.04)), ("conditions,tyre", 100.0)],
)
def test_adjusting_the_tyre_puts_all_on_track_day_tyres(adjust, seconds):
    board = board_of(as_fit(changed_car()), adjust=adjust)
    assert board.loc["Other", "adjusted_s"] == pytest.approx(seconds, abs=0.02)


def test_adjusting_the_driver_sets_an_average_club_driver():
    fit = changed_car()
    fit.entries["driver"] = "Pro"
    fit.entries["driver_level"] = "professional"
    board = board_of(as_fit(fit), adjust="conditions,tyre,driver")
    assert board["adjusted_s"].to_numpy() == pytest.approx([100.0, 100.0], abs=0.1)


def test_filters_go_by_what_an_entry_is_now():
    fit = as_fit(changed_car())
    assert list(leaderboard(fit, "Foxdale", tyre="slick")["build"]) == ["Other"]


@pytest.mark.parametrize(
    "question", [{"tyre": "touring"}, {"in_class": "extensive"}, {"surface": "wet"}]
)
def test_a_legal_choice_that_nobody_meets_is_empty(cool, question):
    board = leaderboard(cool, "Foxdale", **question)
    assert board.empty
    assert list(board.columns) == list(FIELDS)


def test_the_latest_tyre_is_that_of_the_surface_asked_for():
    fit = FakeFit(
        runs=[run("Duo"), run("Duo", surface="wet", tyre_category="wet")],
        laps=[(0, 2, 100.0), (1, 2, 115.0)],
        entries=[entry("Duo", tyre_by_surface={"dry": "track-day", "wet": "wet"})],
        builds={"Duo": 0.0},
    )
    wet = leaderboard(as_fit(fit), "Foxdale", surface="wet").iloc[0]
    assert (wet["tyre_category"], wet["best_s"], wet["laps"]) == ("wet", 115.0, 1)


@pytest.mark.parametrize(
    ("place", "question", "message"),
    [
        (("Foxdal", "full"), {}, 'no circuit "Foxdal": did you mean Foxdale?'),
        (("Foxdale", "club"), {}, 'no layout of Foxdale "club": did you mean full?'),
        (
            ("Foxdale", "full"),
            {"model": "Invented Wrn"},
            'no model "Invented Wrn": did you mean Invented Wren?',
        ),
        (
            ("Foxdale", "full"),
            {"in_class": "lite"},
            'no class "lite": did you mean light? (4 in all)',
        ),
        (
            ("Foxdale", "full"),
            {"tyre": "semi slick"},
            'no tyre category "semi slick": did you mean semi-slick, slick? (6 in all)',
        ),
        (
            ("Foxdale", "full"),
            {"adjust": "tyre"},
            'no adjustment "tyre": use one of `conditions`, `conditions,tyre`, '
            "`conditions,tyre,driver`",
        ),
        (
            ("Foxdale", "full"),
            {"level": 90},
            "level 90: write a number between 0 and 1, such as 0.9",
        ),
    ],
)
def test_a_wrong_question_says_what_would_be_right(cool, place, question, message):
    with pytest.raises(BadQuestion) as error:
        leaderboard(cool, *place, **question)
    assert str(error.value) == message


def test_the_reference_states_what_is_made_equal(cool):
    stated = reference(cool, "Foxdale", "full", adjust="driver, tyre,conditions")
    assert stated["adjust"] == "conditions,tyre,driver"
    assert (stated["tyre_category"], stated["driver_level"]) == ("track-day", "club")
    assert stated["air_temp_c"] == 20.0


def test_equal_entries_share_the_better_rank():
    fit = FakeFit(
        runs=[run("Twin A"), run("Twin B")],
        laps=[(0, 2, 100.0), (1, 2, 100.0)],
        entries=[entry("Twin B"), entry("Twin A")],
        builds={"Twin A": 0.0, "Twin B": 0.0},
        spread=0.0,
    )
    board = leaderboard(as_fit(fit), "Foxdale")
    assert list(board["build"]) == ["Twin A", "Twin B"]
    assert list(board["rank"]) == list(board["raw_rank"]) == [1, 1]
    assert np.allclose(board["adjusted_s"], 100.0)


def test_an_entry_with_next_to_no_lap_is_said_to_rest_on_others():
    fake = cool_morning_fit()
    more = pd.DataFrame({"run_id": 0, "lap": [4, 5, 6], "lap_time_s": 100.2})
    fake.laps = pd.concat([fake.laps, more], ignore_index=True)
    board = board_of(as_fit(fake))
    assert dict(board["laps"]) == {"Quick": 5, "Middle": 1, "Cool": 2}
    assert board.loc["Quick", "notes"] == ""
    assert board.loc["Middle", "notes"] == (
        "only 1 counted lap here, so its place rests mostly on its laps elsewhere and on what cars "
        "like it do"
    )
    assert board.loc["Cool", "notes"].startswith("only 2 counted laps here")
