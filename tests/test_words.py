"""Answers in words: units, signs, and no certainty that is not there."""

from __future__ import annotations

import pandas as pd
import pytest

from benchmark.show import clock, words
from benchmark.show.gains_words import seconds_text, span_text

BOARD = pd.DataFrame(
    {
        "build": ["Wren 1", "Wren 2", "Wren 3"],
        "rank": [1, 2, 3],
        "raw_rank": [3, 2, 1],
        "best_s": [84.0, 83.9, 83.2],
        "adjusted_s": [83.456, 84.0, 84.5],
        "low_s": [82.9, 83.5, 84.0],
        "high_s": [84.0, 84.6, 85.1],
        "p_fastest": [0.78, 0.2, 0.02],
        "best_note": [None, None, "Its best lap (2025-05-01, S1) owes 1.50 s to a cool day."],
    }
)


def test_the_answer_is_one_sentence_with_interval_and_sureness():
    assert words.leader_sentence(BOARD, "Foxdale", "full") == (
        "Quickest at equal conditions at Foxdale: Wren 1, 1:23.456 (90 % interval 1:22.900 to "
        "1:24.000), 78 % sure: likely but open, Wren 2 has 20 %. As timed: Wren 3, 1:23.200."
    )


def test_an_entry_alone_is_not_called_sure():
    assert words.leader_sentence(BOARD.head(1), "Foxdale", "club") == (
        "Quickest at equal conditions at Foxdale, layout club: Wren 1, 1:23.456 (90 % interval "
        "1:22.900 to 1:24.000); it is the only entry. As timed: Wren 1, 1:24.000."
    )


def test_an_empty_board_says_so():
    empty = BOARD.head(0)
    assert words.leader_sentence(empty, "Foxdale", "full") == (
        "No entry of this choice has a counted lap at Foxdale."
    )


def test_movers_are_told_with_the_reason_where_there_is_one():
    assert words.movers(BOARD) == [
        ("Wren 1: up 2 places, from 3 as timed to 1.", ""),
        (
            "Wren 3: down 2 places, from 1 as timed to 3.",
            "Its best lap (2025-05-01, S1) owes 1.50 s to a cool day.",
        ),
    ]


@pytest.mark.parametrize(
    ("raw_rank", "rank", "told"), [(3, 1, "▲ up 2"), (1, 4, "▼ down 3"), (2, 2, "same")]
)
def test_a_move_is_told_by_arrow_and_word(raw_rank, rank, told):
    assert words.moved_text(raw_rank, rank) == told


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.0, "under 1 %"),
        (0.004, "under 1 %"),
        (0.5, "50 %"),
        (0.994, "over 99 %"),
        (1.0, "over 99 %"),
        (float("nan"), "-"),
    ],
)
def test_a_chance_is_told_as_a_percentage(chance, told):
    assert words.percent(chance) == told


@pytest.mark.parametrize(
    ("seconds", "told"), [(83.4561, "1:23.456"), (59.9996, "1:00.000"), (None, "-")]
)
def test_a_lap_is_told_in_minutes_and_seconds(seconds, told):
    assert words.lap_text(seconds) == told


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(-0.724, "0.72 s quicker"), (0.6, "0.60 s slower"), (-0.001, "no difference"), (None, "-")],
)
def test_a_worth_is_told_with_its_direction(seconds, told):
    assert words.worth_text(seconds) == told


def told_at(monkeypatch, shares_by_second: dict[float, float]) -> list[str]:
    seconds = iter([0.0, *shares_by_second])
    monkeypatch.setattr(clock.time, "monotonic", lambda: next(seconds))
    timer = clock.Clock()
    return [timer.time_left(share) for share in shares_by_second.values()]


def test_the_time_left_is_estimated_once_it_can_be(monkeypatch):
    told = told_at(monkeypatch, {1.0: 0.01, 3.0: 0.25, 12.0: 1.0})
    assert told == ["", ", about 9 s left", ""]


def test_work_that_starts_over_is_timed_anew(monkeypatch):
    told = told_at(monkeypatch, {10.0: 0.9, 11.0: 0.0, 12.0: 0.5})
    assert told[-1] == ", about 1 s left"


def test_those_who_gain_or_lose_the_first_place_are_told_whatever_the_distance():
    swapped = BOARD.head(2).assign(rank=[1, 2], raw_rank=[2, 1])
    assert [stands for stands, _ in words.movers(swapped)] == [
        "Wren 1: up 1 place, from 2 as timed to 1.",
        "Wren 2: down 1 place, from 1 as timed to 2.",
    ]


def test_places_are_told_as_a_range_only_where_they_are_one():
    assert (words.places_text(1, 1), words.places_text(2, 5)) == ("1", "2 to 5")


def test_the_reference_is_told_with_units_and_what_is_unknown_is_left_out():
    stated = {
        "air_temp_c": 20.0,
        "track_temp_c": 30.0,
        "pressure_hpa": None,
        "surface": "dry",
        "lap": 2,
        "tyre_heat_cycles": 2,
        "adjust": "conditions,tyre",
        "tyre_category": "track-day",
    }
    assert words.reference_text(stated) == (
        "conditions, tyre wear and tyre category made equal; air 20 °C, track 30 °C, dry surface, "
        "lap 2 of a run, 2 heat cycles on the tyre, all on track-day tyres"
    )


@pytest.mark.parametrize(("number", "told"), [(1, "1 lap"), (1204, "1,204 laps")])
def test_counts_agree_with_their_noun(number, told):
    assert words.count_text(number, "lap") == told


@pytest.mark.parametrize("seconds", [0.0, -0.0, -0.004, 0.004])
def test_nought_has_no_minus(seconds):
    assert seconds_text(seconds) == "+0.00 s"
    assert span_text(-1.2, seconds) == "-1.20 to +0.00 s"
