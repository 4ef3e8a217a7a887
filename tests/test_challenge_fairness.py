"""Fairness figures against scipy, statsmodels and handicaps of other sports."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import entropy
from statsmodels.stats.weightstats import ttost_ind

from benchmark.answers.challenge.events import shared_out, win_shares
from benchmark.answers.challenge.factor_rows import published
from benchmark.answers.challenge.fairness import equivalence, evenness, odds_between
from benchmark.answers.challenge.propose import cut
from benchmark.answers.challenge.scoring import Policy, limited, play, quicker_than_assumed
from benchmark.answers.challenge.solving import equal_chances, group_best


@pytest.mark.parametrize("share", [[0.5, 0.3, 0.2], [0.25, 0.75, 0.0], [1 / 3, 1 / 3, 1 / 3]])
def test_with_equal_fair_shares_evenness_is_entropy_over_its_maximum(share):
    # Pielou 1966: J = H / ln(number of classes).
    share, fair = np.array(share), np.full(3, 1 / 3)
    assert evenness(share, fair) == pytest.approx(entropy(share) / np.log(3))


def test_evenness_with_unequal_fair_shares_is_one_less_scaled_relative_entropy():
    share, fair = np.array([0.2, 0.5, 0.3]), np.array([0.1, 0.6, 0.3])
    assert evenness(share, fair) == pytest.approx(
        1 - entropy(share, fair) / entropy([1, 0], [0.1, 0.9])
    )
    assert evenness(fair, fair) == pytest.approx(1)
    assert evenness(np.array([1.0, 0, 0]), fair) == pytest.approx(0)


def test_the_odds_of_one_entry_between_classes_by_hand():
    # Two entries that win 30 % together, eight that win 70 %: 0.15 against 0.0875 each.
    odds = odds_between(np.array([0.3, 0.7]), np.array([0.2, 0.8]), 1000)
    assert odds == pytest.approx(0.15 / 0.0875)


@pytest.mark.parametrize(("shift", "margin"), [(0.0, 0.005), (0.004, 0.005), (0.02, 0.005)])
def test_equivalence_agrees_with_statsmodels(shift, margin):
    rng = np.random.default_rng(1)
    first, second = 0.004 * rng.standard_normal(9), 0.003 * rng.standard_normal(14) + shift
    theirs = ttost_ind(first, second, -margin, margin, usevar="unequal")[0]
    assert equivalence(first, second, margin) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("fair", [[0.5, 0.5], [0.1, 0.3, 0.6], [0.2, 0.2, 0.6]])
def test_solved_handicaps_give_each_class_its_fair_share_of_wins(fair):
    fair = np.array(fair)
    rng = np.random.default_rng(2)
    spread = 0.002 * np.arange(1, len(fair) + 1)
    best = 0.03 * np.arange(len(fair)) + spread * rng.standard_normal((20_000, len(fair)))
    won = win_shares(best + equal_chances(best, fair))
    # A binomial share of 20,000 events has a standard error of up to 0.0035; the softness adds
    # at most as much.
    assert won == pytest.approx(fair, abs=0.005)


def test_equal_means_are_not_equal_chances_where_spreads_differ():
    rng = np.random.default_rng(3)
    entries = np.hstack(
        [0.003 * rng.standard_normal((20_000, 5)), 0.01 * rng.standard_normal((20_000, 5))]
    )
    best = group_best(entries, np.repeat([0, 1], 5), 2)
    assert win_shares(best)[1] > 0.8
    handicap = equal_chances(best, np.array([0.5, 0.5]))
    assert handicap[1] > 0 > handicap[0]
    assert win_shares(best + handicap) == pytest.approx([0.5, 0.5], abs=0.005)


@pytest.mark.parametrize(
    ("elapsed_s", "number", "corrected_s"),
    [(3600, 1100, 3272.73), (3600, 970, 3711.34)],
)
def test_a_factor_is_that_of_the_portsmouth_yardstick(elapsed_s, number, corrected_s):
    # Royal Yachting Association: corrected = elapsed x 1000 / number. The number is the expected
    # time in thousandths of the reference boat's, so our handicap is -log(number / 1000).
    handicap = -np.log(number / 1000)
    assert elapsed_s * published(handicap) == pytest.approx(corrected_s, abs=elapsed_s * 5e-5)


def test_boats_that_sail_to_their_yardsticks_tie():
    # A number 80 boat takes 80 minutes where a number 90 takes 90 (base 100).
    times, numbers = np.log(np.array([[[80.0, 90.0]]])), np.array([0.8, 0.9])
    played = play(times, np.log(numbers)[None], -np.log(numbers)[None], np.zeros(2), Policy(),
                  rounding=False)  # fmt: skip
    assert np.exp(played.scored).ravel() == pytest.approx([100, 100])


@pytest.mark.parametrize(("score", "adjustment", "differential"), [(90, 0, 15.6), (90, 1, 14.8)])
def test_conditions_of_a_day_are_taken_from_the_field_as_in_the_world_handicap_system(
    score, adjustment, differential
):
    # World Handicap System: (113 / slope) (score - course rating - conditions adjustment), with
    # rating 72.0 and slope 130. Our departure from the assumed pace takes the day's shift off in
    # the same way: here the field's median departure is the adjustment.
    rating, slope = 72.0, 130.0
    field = np.array([rating + adjustment, rating + adjustment, score, rating + adjustment, 60.0])
    off = quicker_than_assumed(field, np.full(5, rating))
    assert off[2] * 113 / slope == pytest.approx(differential, abs=0.05)


def test_nobody_scores_quicker_than_assumed_by_more_than_the_tolerance():
    times = np.array([0.0, 0.001, -0.030, 0.002, -0.008])
    scored = limited(times, np.zeros(5), Policy(tolerance=0.01))
    assert scored.tolist() == pytest.approx([0.0, 0.001, -0.010, 0.002, -0.008])


def test_a_personal_factor_tightens_at_once_and_loosens_slowly():
    # Assumed equal; entry 0 is 3 % quicker in round 1, then as quick; entry 1 is 2 % slower.
    times = np.array([[-0.03, 0.02, 0.0, 0.0, 0.0]] * 3)
    policy = Policy(tolerance=0.01, ratchet=True, loosen=0.001)
    flat = np.zeros((3, 5))
    played = play(times, flat, flat, np.full(5, 0.0015), policy, rounding=False)
    assert played.log_factor[:, 0] == pytest.approx([0, 0.03, 0.03])
    assert played.log_factor[:, 1] == pytest.approx([0, -0.001, -0.0015])
    assert played.scored[:, 0] == pytest.approx([-0.01, 0.0, 0.0])


@pytest.mark.parametrize(("groups", "least"), [(2, 1), (3, 2), (3, 3)])
def test_boundaries_are_the_best_of_all_cuts(groups, least):
    values = np.sort(np.random.default_rng(4).standard_normal(11))

    def within(starts: tuple[int, ...]) -> float:
        return sum(((part - part.mean()) ** 2).sum() for part in np.split(values, starts))

    legal = [
        starts
        for starts in combinations(range(1, 11), groups - 1)
        if min(len(part) for part in np.split(values, starts)) >= least
    ]
    assert tuple(cut(values, groups, least)) == min(legal, key=within)


def test_events_are_dealt_to_circuits_by_weight():
    assert np.bincount(shared_out(np.array([0.5, 0.25, 0.25]), 8)).tolist() == [4, 2, 2]
