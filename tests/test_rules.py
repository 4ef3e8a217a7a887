"""A rules file: every fault at once, each with key, value and legal choices."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from benchmark.errors import FaultyFile
from benchmark.intake.rule_keys import ONLY_WITH, ROUND, TABLES, TOP
from benchmark.intake.rules import parse_rules, read_rules

EXAMPLE = Path(__file__).parent.parent / "datasets" / "challenge.toml"
ROUNDS = '[[rounds]]\nname = "A"\ncircuit = "Foxdale"\ndate = 2026-05-01\n'
GOOD = f'name = "Cup"\nversion = 1\n{ROUNDS}'


def faults(text: str) -> list[str]:
    with pytest.raises(FaultyFile) as error:
        parse_rules(text, "cup.toml")
    return [str(fault) for fault in error.value.faults]


def test_the_smallest_rules_take_every_default():
    rules = parse_rules(GOOD)
    assert rules.freeze == date(2026, 5, 1)
    assert rules.rounds[0].layout == "full"
    assert rules.factor["kind"] == "class"
    assert rules.points["by_place"][0] == 25


def test_more_rounds_than_any_season_has_are_refused():
    text = GOOD + "".join(
        f'[[rounds]]\nname = "R{k}"\ncircuit = "Foxdale"\ndate = 2026-05-02\n' for k in range(100)
    )
    assert faults(text) == [
        'cup.toml, row -, rounds, "101 tables": is too much: write 100 or fewer'
    ]


def test_the_commented_example_names_every_key():
    text = EXAMPLE.read_text(encoding="utf-8")
    assert read_rules(EXAMPLE).rounds
    for table, keys in {"rounds": ROUND, "": TOP, **TABLES}.items():
        for key in keys:
            assert f"{key} =" in text, f"{table}.{key}"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (
            GOOD.replace('"Cup"', "7"),
            'cup.toml, row -, name, "7": is not legal here: write a name in quotes, such as '
            '"Spring"',
        ),
        (
            GOOD.replace("version = 1", ""),
            'cup.toml, row -, version, "": is missing: write a whole number from 1 to 9999',
        ),
        (
            GOOD + '[factor]\nkind = "clas"\n',
            'cup.toml, row -, factor.kind, "clas": is not legal here: write one of "none", '
            '"class", "specification", "personal"',
        ),
        (
            GOOD + "[laps]\ncuont = 3\n",
            'cup.toml, row -, laps.cuont, "3": is not a key here (did you mean count?): '
            "use count, k, minimum",
        ),
        (
            GOOD + '[entries]\ntyres = ["touring", "semi slick"]\n',
            'cup.toml, row -, entries.tyres, "[touring, semi slick]": is not legal here: write a '
            'list in brackets of some of "touring", "sport", "track-day", "semi-slick", "slick", '
            '"wet"',
        ),
        (
            GOOD.replace("2026-05-01", '"2026-05-01"'),
            'cup.toml, row -, rounds[1].date, "2026-05-01": is not legal here: write a date '
            "without quotes, such as 2026-05-31",
        ),
        (
            GOOD + "[points]\ndrop_rounds = 1\n",
            'cup.toml, row -, points.drop_rounds, "1": leaves none of 1 rounds: write 0 or '
            "less",
        ),
        (
            GOOD + "[points]\nby_place = [5, 7]\n",
            'cup.toml, row -, points.by_place, "[5, 7]": must not rise: the first place gets most',
        ),
        (
            GOOD + '[factor]\nkind = "class"\nloosen_pct = 0.2\n',
            'cup.toml, row -, factor.loosen_pct, "0.2": has no effect with kind = "class": leave '
            'it out, or use "personal"',
        ),
        (
            GOOD + "[factor]\nfreeze = 2026-05-02\n",
            'cup.toml, row -, factor.freeze, "2026-05-02": is after the first round: write a day '
            "up to 2026-05-01",
        ),
        (
            GOOD + '[laps]\ncount = "expected-best"\nk = 4\n',
            'cup.toml, row -, laps.minimum, "1": is below laps.k: with expected-best write 4 or '
            "more",
        ),
        (
            GOOD + '[classes]\nby = "declared"\n',
            'cup.toml, row -, class, "": is missing: with by = "declared" write a [[class]] for '
            'each, with a name and when = a list of conditions, such as [{ tyres = ["slick"], '
            "engine = [2, 3] }]",
        ),
        (
            GOOD + '[classes]\nby = "declared"\n[[class]]\nname = "S"\nwhen = []\n'
            '[[class]]\nname = "T"\nwhen = [{ engine = [2] }]\n',
            'cup.toml, row -, class S.when, "[]": lets everybody in, so "T" below it stays empty: '
            "put it last",
        ),
        (
            GOOD + '[classes]\nby = "declared"\n[[class]]\nname = "S"\nwhen = [{ engine = [4] }]\n',
            'cup.toml, row -, class S.when[1].engine, "[4]": is not legal here: write a list in '
            "brackets of some of 0, 1, 2, 3",
        ),
        (
            GOOD + '[classes]\nby = "pace"\nboundaries_pct = [96, 92]\nnames = ["A", "B", "C"]\n',
            'cup.toml, row -, classes.boundaries_pct, "[96, 92]": must rise: write one or more '
            "numbers such as [92.0, 96.0]",
        ),
        (
            GOOD + '[classes]\nby = "pace"\nboundaries_pct = [92]\nnames = ["A"]\n',
            'cup.toml, row -, classes.names, "[A]": must be 2 names, the quickest class first',
        ),
        (
            GOOD + ROUNDS,
            'cup.toml, row -, rounds[2].name, "A": is there twice: each must differ',
        ),
        (
            GOOD + ROUNDS.replace("2026-05-01", "2026-04-01").replace('"A"', '"B"'),
            'cup.toml, row -, rounds[2].date, "2026-04-01": is before 2026-05-01: order by date',
        ),
    ],
)  # fmt: skip
def test_a_fault_names_key_value_and_legal_choices(text, fault):
    assert fault in faults(text)


def test_all_faults_of_a_file_are_told_at_once():
    text = GOOD + '[factor]\nkind = "x"\n[laps]\nk = 0\n[ties]\nround = ["coin"]\n[extra]\na = 1\n'
    assert [line.split(", ")[2] for line in faults(text)] == [
        "extra", "laps.k", "factor.kind", "ties.round",
    ]  # fmt: skip


def test_text_that_is_not_toml_says_where():
    assert "line 2" in faults('name = "Cup"\nversion = \n')[0]


@pytest.mark.parametrize(
    ("text", "line", "repair"),
    [
        (GOOD.replace("2026-05-01", "01/05/2026"), 'line 6, "date = 01/05/2026"', "2026-05-31"),
        (GOOD.replace("2026-05-01", "2026-05-32"), 'line 6, "date = 2026-05-32"', "2026-05-31"),
        (GOOD.replace('"Cup"', "Cup"), 'line 1, "name = Cup"', "text in double quotes"),
        (GOOD.replace('"Cup"', '"Cup'), 'line 1, "name = "Cup"', "text in double quotes"),
        (f"version = 2\n{GOOD}", 'line 3, "version = 1"', "stands twice in its table"),
        (GOOD + ROUNDS.replace("[[rounds]]", "[rounds]"), 'line 7, "[rounds]"', "[[rounds]]"),
    ],
)
def test_a_line_that_cannot_be_read_is_shown_with_its_repair(text, line, repair):
    (told,) = faults(text)
    assert line in told
    assert repair in told


@pytest.mark.parametrize(("table", "key"), list(ONLY_WITH))
def test_a_key_of_another_choice_exists_in_its_table(table, key):
    assert key in TABLES[table]
    assert ONLY_WITH[table, key][0] in TABLES[table]


def test_the_digest_knows_rules_and_not_their_layout():
    same = "# a remark\nversion = 1\nname = 'Cup'\n" + ROUNDS
    assert parse_rules(same).digest == parse_rules(GOOD).digest
    assert parse_rules(GOOD + "[laps]\nminimum = 2\n").digest != parse_rules(GOOD).digest


def test_a_missing_file_is_a_fault_with_its_reason(tmp_path):
    with pytest.raises(FaultyFile, match="cannot be read"):
        read_rules(tmp_path / "none.toml")
