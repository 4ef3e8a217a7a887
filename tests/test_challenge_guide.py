"""What a steward reads while writing rules holds for the rules that come of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from benchmark.answers.challenge.standings import Standings
from benchmark.errors import FaultyFile
from benchmark.intake.rule_keys import CLASS, ROUND, TABLES, TOP, WHEN
from benchmark.intake.rules import parse_rules
from benchmark.show.challenge import compared_columns, leader_line, table_words
from benchmark.show.challenge_guide import (
    DECLARED_TEXT,
    day_line,
    days_held,
    fault_line,
    key_sections,
    rounds_in_doubt,
    rounds_text,
)
from benchmark.show.challenge_rules import rules_lines
from benchmark.show.challenge_start import starting_rules

# Invented circuits and builds.
LAPS = pd.DataFrame(
    [
        ("2026-04-04", "Foxdale", "full", "dry", "Wren 1"),
        ("2026-05-02", "Foxdale", "full", "dry", "Wren 1"),
        ("2026-05-02", "Foxdale", "full", "dry", "Wren 2"),
        ("2026-05-02", "Foxdale", "full", "dry", "Wren 2"),
        ("2026-06-06", 'Elm "Park"', "short", None, "Wren 1"),
    ],
    columns=["date", "circuit", "layout", "surface", "build"],
)
DAYS = days_held(LAPS)
HEAD = 'name = "Cup"\nversion = 1\n'
ROUNDS = rounds_text(DAYS[DAYS["date"] > "2026-05-01"].to_dict("records"))


def rules_with(**change):
    rules = parse_rules(HEAD + ROUNDS)
    return replace(rules, rounds=(replace(rules.rounds[0], **change), *rules.rounds[1:]))


def test_days_count_cars_and_laps_and_a_lap_without_surface_is_dry():
    assert [day_line(day) for day in DAYS.to_dict("records")] == [
        '2026-06-06, Elm "Park", short, dry: 1 car, 1 lap',
        "2026-05-02, Foxdale, full, dry: 2 cars, 3 laps",
        "2026-04-04, Foxdale, full, dry: 1 car, 1 lap",
    ]


def test_picked_days_are_rounds_in_the_order_of_their_dates():
    rounds = parse_rules(HEAD + ROUNDS).rounds
    assert [(r.name, r.circuit, r.layout, r.date) for r in rounds] == [
        ("Round 1", "Foxdale", "full", date(2026, 5, 2)),
        ("Round 2", 'Elm "Park"', "short", date(2026, 6, 6)),
    ]


def test_the_shown_classes_of_ones_own_are_good_rules():
    rules = parse_rules(HEAD + ROUNDS + DECLARED_TEXT)
    assert [rule.name for rule in rules.declared][-1] == "All others"
    assert rules.declared[1].when[1].areas == {"weight": (2, 3)}


def test_every_key_is_explained_once_under_its_table():
    tables = (TOP, ROUND, *TABLES.values(), CLASS, WHEN)
    told = [[name for name, _ in lines] for _, lines in key_sections()]
    assert told == [list(keys) for keys in tables]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("version = 1", 'name: is missing: write a name in quotes, such as "Spring"'),
        (HEAD + "date = 5/6/2026", "line 3 says date = 5/6/2026: cannot be read"),
        (HEAD + ROUNDS + "[laps]\nk = 0", "laps.k = 0: is not legal here"),
        (
            HEAD + "date = 2027-02-30",
            "line 3 says date = 2027-02-30: cannot be read: there is no such day",
        ),
        (HEAD + "tyres = [1\nb = true", "line 4 says b = true: cannot be read: a list is not"),
        (
            HEAD + ROUNDS + '[classes]\nby = "pace"\nboundaries_pct = [10, 8]',
            "classes.boundaries_pct = [10, 8]: is not legal here: write a list of numbers from 50 "
            "to 150, such as [92.0, 96.0]",
        ),
    ],
)
def test_a_fault_is_shown_with_what_the_steward_wrote(text, told):
    with pytest.raises(FaultyFile) as error:
        parse_rules(text)
    assert fault_line(error.value.faults[0]).startswith(told)


@pytest.mark.parametrize(("odds", "told"), [(2.87, "2.9"), (203898.0, "over 1000"), (None, "-")])
def test_a_ratio_of_chances_beyond_a_thousand_is_not_given_digits(odds, told):
    rows = pd.DataFrame([{"rules": "ours", "class": "all", "entries": 4, "fair_share": 1.0,
                          "win_share": 1.0, "odds": odds, "odds_known": 1.0, "evenness": 1.0,
                          "top_share": 0.5, "able_share": 0.5, "quickest_wins": 0.5}])  # fmt: skip
    cells = {column.heading: column.cells for column in compared_columns(rows)}
    assert cells["Luckiest over unluckiest class"] == [told]


def test_rounds_that_the_store_has_leave_no_doubt():
    assert rounds_in_doubt(parse_rules(HEAD + ROUNDS), DAYS) == []


@pytest.mark.parametrize(
    ("change", "doubt"),
    [
        ({"circuit": "Foxdael"}, 'Round 1: no circuit "Foxdael": did you mean Foxdale?'),
        ({"layout": "long"}, 'Round 1: no layout of Foxdale "long": did you mean full?'),
        (
            {"date": date(2026, 5, 3)},
            "Round 1: the store has no laps of Foxdale, full on 2026-05-03. Its latest days "
            "there: 2026-05-02, 2026-04-04.",
        ),
    ],
)
def test_a_round_in_doubt_says_what_the_store_has_instead(change, doubt):
    assert [line.split(" (")[0] for line in rounds_in_doubt(rules_with(**change), DAYS)] == [doubt]


def test_rounds_to_come_are_named_together():
    rules = rules_with(date=date(2026, 9, 5))
    (told,) = rounds_in_doubt(rules, DAYS)
    assert told.startswith("Still to come: Round 1. A round is scored once laps of its day")


def test_a_first_round_on_the_stores_first_day_leaves_nothing_for_factors():
    (told,) = rounds_in_doubt(rules_with(date=date(2026, 4, 4)), DAYS)
    assert "no lap before 2026-04-04" in told


def test_without_factors_no_earlier_lap_is_needed():
    rules = rules_with(date=date(2026, 4, 4))
    assert rounds_in_doubt(replace(rules, factor={**rules.factor, "kind": "none"}), DAYS) == []


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ('kind = "class"', "One table for all rounds"),
        ('kind = "class"\nrenew = true', "made anew before each later round"),
        ('kind = "personal"\nloosen_pct = 0.4', "loosens by at most 0.4 %"),
        ('kind = "personal"\nratchet = false', "holds for all rounds"),
    ],
)
def test_the_page_says_how_long_a_table_of_factors_holds(written, told):
    assert told in table_words(parse_rules(f"{HEAD}{ROUNDS}[factor]\n{written}\n"))


FULL = (
    HEAD
    + ROUNDS
    + DECLARED_TEXT
    + """
[entries]
builds = ["Wren 1", "Wren 2"]
tyres = ["sport", "slick"]
timing = ["beam"]
evidence = true
[laps]
count = "first"
k = 4
minimum = 2
[factor]
kind = "personal"
freeze = 2026-04-20
tolerance_pct = 1.5
loosen_pct = 0.4
floor_pct = 2.5
newcomer_pct = 0.7
[points]
by_place = [9, 5]
drop_rounds = 1
scored_in = "class"
shared = "split"
[ties]
round = ["earlier"]
season = ["places", "latest"]
[results]
protest_days = 10
"""
)


@pytest.mark.parametrize(
    "said",
    [
        "Round 1: Foxdale, full, 2026-05-02.",
        "May enter: only Wren 1, Wren 2.",
        "Tyres allowed: sport, slick.",
        "Timed by: beam. Evidence of a lap (sheet or trace) must be on record.",
        "Classes by conditions of the club; one of fewer than 3 entries joins",
        "Class Engine or weight changed much: engine level 2 or 3; or weight level 2 or 3.",
        "Class All others: every other entry.",
        "counts the best of the first 4 laps; an entry needs at least 2 counted laps",
        "personal factors, from each entry's own earlier pace, from laps before 2026-04-20.",
        "no more than 1.5 % quicker",
        "loosens by at most 0.4 % a round, and never assumes a lap more than 2.5 % slower",
        "gets its specification's factor less 0.7 %",
        "among the entries of a class, from the first: 9, 5. Tied entries share",
        "the worst 1 round count for no points, but for tie-breaks",
        "A tie in a round goes to who set the time earlier; in the season to more of the better",
        "final 10 days after it",
    ],
)
def test_rules_in_words_say_every_rule_that_decides_a_place(said):
    assert said in " ".join(rules_lines(parse_rules(FULL)))


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        ('kind = "none"', "scored as they are"),
        ('kind = "class"\nrenew = true', "made anew before each later round"),
        ('kind = "personal"\nratchet = false', "holds for all rounds"),
        ('kind = "personal"\nnewcomers = "leave-out"', "without earlier laps is left out"),
    ],
)
def test_rules_in_words_follow_the_kind_of_factor(factor, said):
    assert said in " ".join(rules_lines(parse_rules(f"{HEAD}{ROUNDS}[factor]\n{factor}\n")))


def season_of(*rows, ahead=()):
    columns = ["build", "class", "place", "points", "status", "round"]
    season = pd.DataFrame(rows, columns=columns)
    return Standings(season, season, ("Round 1", "Round 2"), ahead)


def test_a_final_season_is_won_and_a_tie_at_its_head_is_told():
    rules = parse_rules(HEAD + ROUNDS)
    found = season_of(
        ("Wren 1", "light", 1, 18.0, "final", "season"),
        ("Wren 2", "light", 2, 18.0, "final", "season"),
    )
    assert leader_line(found, rules, found.season) == (
        "Cup, after 2 of 2 rounds: Wren 1 won with 18 points (final). Wren 2 has as many and "
        "stands behind by the tie-breaks."
    )


def test_who_leads_a_season_that_goes_on_has_not_won():
    rules = parse_rules(HEAD + ROUNDS)
    found = season_of(("Wren 1", "light", 1, 18.0, "provisional", "season"))
    told = leader_line(found, rules, found.season)
    assert told.endswith("Wren 1 leads with 18 points (provisional).")


def without(text, *keys):
    return "".join(
        line for line in text.splitlines(keepends=True) if line.split(" = ")[0] not in keys
    )


@pytest.mark.parametrize("by", ["tyre", "model"])
@pytest.mark.parametrize(
    ("count", "no_k"),
    [("mean-of-best", ()), ("first", ()), ("best", ("k",)), ("equal-conditions", ("k",))],
)
@pytest.mark.parametrize(
    ("kind", "no_guard"),
    [
        ("personal", ("renew",)),
        ("specification", ("renew", "tolerance_pct")),
        ("none", ("renew", "tolerance_pct")),
    ],
)
def test_every_choice_in_the_remarks_of_the_starting_rules_can_be_made(
    by, count, no_k, kind, no_guard
):
    text = starting_rules(LAPS)
    text = text.replace('by = "modification"', f'by = "{by}"')
    text = text.replace('"expected-best"', f'"{count}"').replace(
        'kind = "class"', f'kind = "{kind}"'
    )
    rules = parse_rules(without(text, *no_k, *no_guard))
    assert (rules.classes["by"], rules.laps["count"], rules.factor["kind"]) == (by, count, kind)
