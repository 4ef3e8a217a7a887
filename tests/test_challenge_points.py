"""Places, points, drop rounds and ties, against an example worked by hand.

The worked example, with points 10, 6, 3, 1 and one dropped round of three:

| entry | round 1       | round 2       | round 3       | all | less the worst | wins |
| ----- | ------------- | ------------- | ------------- | --- | -------------- | ---- |
| Ash   | 1st, 10       | 3rd, 3        | 2nd, 6        | 19  | 16             | 1    |
| Birch | 2nd, 6        | 1st, 10       | 4th, 1        | 17  | 16             | 1    |
| Cedar | 3rd, 3        | 2nd, 6        | 1st, 10       | 19  | 16             | 1    |
| Dogwd | absent, 0     | 4th, 1        | 3rd, 3        | 4   | 4              | 0    |

All three have 16 points and one win. By "places" each has one first and one second, then Ash and
Cedar have one third and Birch none; by "latest" the third round decides between Ash and Cedar.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchmark.answers.challenge.points import (
    Result,
    places,
    points_of,
    season_total,
    simulated_winners,
)

BY_PLACE = (10, 6, 3, 1)
ROUNDS = ("R1", "R2", "R3")
PLACES = {
    "Ash": {"R1": 1, "R2": 3, "R3": 2},
    "Birch": {"R1": 2, "R2": 1, "R3": 4},
    "Cedar": {"R1": 3, "R2": 2, "R3": 1},
    "Dogwood": {"R2": 4, "R3": 3},
}


def season(ties: tuple[str, ...]) -> dict[str, int]:
    totals = {
        name: season_total(
            {r: Result(p, BY_PLACE[p - 1]) for r, p in held.items()}, ROUNDS, 1, ties
        )
        for name, held in PLACES.items()
    }
    return dict(zip(totals, places([t.key for t in totals.values()]), strict=True))


def test_points_less_the_dropped_round_are_those_of_the_worked_example():
    total = season_total({r: Result(p, BY_PLACE[p - 1]) for r, p in PLACES["Ash"].items()},
                         ROUNDS, 1, ())  # fmt: skip
    assert (total.points, total.dropped) == (16, ("R2",))


def test_a_missed_round_is_the_one_that_drops():
    held = {r: Result(p, BY_PLACE[p - 1]) for r, p in PLACES["Dogwood"].items()}
    total = season_total(held, ROUNDS, 1, ())
    assert (total.points, total.dropped) == (4, ("R1",))


@pytest.mark.parametrize(
    ("ties", "expected"),
    [
        ((), {"Ash": 1, "Birch": 1, "Cedar": 1, "Dogwood": 4}),
        (("wins",), {"Ash": 1, "Birch": 1, "Cedar": 1, "Dogwood": 4}),
        (("places",), {"Ash": 1, "Birch": 3, "Cedar": 1, "Dogwood": 4}),
        (("places", "latest"), {"Ash": 2, "Birch": 3, "Cedar": 1, "Dogwood": 4}),
        (("latest",), {"Ash": 2, "Birch": 3, "Cedar": 1, "Dogwood": 4}),
    ],
)
def test_ties_break_in_the_order_of_the_rules(ties, expected):
    assert season(ties) == expected


def test_equal_times_share_the_better_place_and_the_next_place_is_left_out():
    assert places([(80.1,), (79.9,), (80.1,), (80.2,)]) == [2, 1, 2, 4]


@pytest.mark.parametrize(
    ("shared", "expected"),
    [("same", [10, 6, 6, 1, 0]), ("split", [10, 4.5, 4.5, 1, 0])],
)
def test_tied_entries_share_points_as_the_rules_say(shared, expected):
    assert points_of([1, 2, 2, 4, 5], BY_PLACE, shared) == expected


def test_a_second_key_breaks_a_tie_of_times():
    assert places([(80.1, 80.5), (80.1, 80.3)]) == [2, 1]


def test_a_simulated_season_is_won_by_points_not_by_speed():
    # Second twice and first once beats one win and two absences: 6 + 6 + 10 against 10.
    scored = np.array([[[1.0, 2.0, 3.0], [np.nan, 2.0, 1.0], [np.nan, 1.0, 2.0]]])
    won = simulated_winners(scored, np.zeros(3), BY_PLACE, 0)
    assert won.tolist() == [0, 1, 0]
