"""What slow driving before the freeze gains, and fits that leave owners out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from benchmark.answers.challenge import owners
from benchmark.answers.challenge.basis import Basis, basis_of
from benchmark.answers.challenge.factor_rows import factor_rows
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.owners import leave_out
from benchmark.answers.challenge.whatif import GAMEABLE, kinds_compared, slow_gain
from benchmark.errors import BadQuestion
from benchmark.intake.rules import parse_rules
from benchmark.show.challenge import kind_columns
from tests.challenges import kept, rules_text, season, shorten


@pytest.fixture(scope="module", autouse=True)
def shorter_chains():
    with pytest.MonkeyPatch.context() as patch:
        shorten(patch)
        yield


@pytest.fixture(scope="module")
def laps() -> pd.DataFrame:
    return season().counted()


@pytest.fixture(scope="module")
def basis(laps) -> Basis:
    return basis_of(laps, parse_rules(rules_text(laps)), memory=kept)


def test_a_fit_without_owners_sees_no_lap_of_theirs(basis):
    seen = []

    def fit_of(rest, draws, done):
        seen.append((rest, draws))
        return basis.known

    left = leave_out(basis.laps, basis.entries, fit_of)
    owner = basis.entries.set_index("build")["driver"]
    for (one, other), (rest, draws) in zip(left.fits, seen, strict=True):
        out = [*left.folds[one], *left.folds[other]]
        assert not set(rest["build"]) & set(out)
        assert not set(rest["driver"]) & set(owner[out])
        assert draws == (owners.ALONE_DRAWS if one == other else owners.PAIR_DRAWS)
    assert sorted(b for builds in left.folds for b in builds) == sorted(basis.entries["build"])


def test_two_owners_are_too_few_to_leave_two_out(basis):
    two = basis.entries.head(2)
    mine = basis.laps[basis.laps["build"].isin(two["build"])]
    with pytest.raises(BadQuestion, match="needs laps of at least three owners"):
        leave_out(mine, two, lambda rest, draws, done: basis.known)


@pytest.mark.slow
def test_slow_laps_move_neither_ones_own_specification_factor_nor_the_others_average(laps):
    # Two others are compared without both owners: what one of them gains there, the other loses.
    rules = parse_rules(rules_text(laps, factor='kind = "specification"'))
    who = 2
    slow = laps.copy()
    basis = basis_of(laps, rules, memory=kept)
    slow.loc[slow["build"] == basis.entries["build"][who], "lap_time_s"] *= 1.02
    before, after = (
        table.handicaps(table.entries, table.classes)[0]
        for table in (table_of(basis), table_of(basis_of(slow, rules, memory=kept)))
    )
    others = np.delete(after - before, who)
    assert after[who] == before[who]
    assert others.mean() == pytest.approx(0, abs=1e-12)
    assert np.abs(others).max() > 1e-4


def test_specification_factors_average_one_and_hold_their_own_interval(laps):
    rules = parse_rules(rules_text(laps, factor='kind = "specification"'))
    table = table_of(basis_of(laps, rules, memory=kept))
    rows = factor_rows(table)
    assert np.log(rows["factor"]).mean() == pytest.approx(0, abs=1e-4)
    assert ((rows["low"] <= rows["factor"]) & (rows["factor"] <= rows["high"])).all()
    stranger = table.entries.head(1).assign(build="Invented stranger", driver="Invented visitor")
    known, new = (table.handicaps(facts, ["x"])[0] for facts in (table.entries.head(1), stranger))
    assert new == pytest.approx(known, abs=0.02)


def test_slow_driving_before_the_freeze_gains_no_place_under_class_factors(basis):
    assert slow_gain(Table(basis, "class")) <= 0


def test_kinds_that_no_lap_of_an_entry_reaches_say_so_instead_of_a_number(basis):
    rows = kinds_compared(basis).set_index("kind", drop=False)
    assert not rows.loc[list(GAMEABLE), "slow_gain"].isna().any()
    assert rows.loc[["none", "specification"], "slow_gain"].isna().all()
    guarded, bare = kind_columns(rows)[3:5]
    for column, name in ((guarded, "slow_gain"), (bare, "slow_gain_unguarded")):
        told = dict(zip(rows["kind"], column.cells, strict=True))
        assert told["none"] == told["specification"] == "own laps do not count"
        for kind in GAMEABLE:
            assert float(told[kind]) == pytest.approx(rows.loc[kind, name], abs=0.051)


def test_ratchet_and_floor_leave_under_a_fifth_of_what_slow_driving_gains(basis, laps):
    text = rules_text(laps, factor='kind = "personal"\ntolerance_pct = 0.75')
    rounds = tuple(replace(basis.rules.rounds[0], name=f"R{k}") for k in range(6))
    personal = replace(basis, rules=replace(parse_rules(text), rounds=rounds))
    table = Table(personal, "personal")
    assert slow_gain(table, guarded=True) < slow_gain(table, guarded=False) / 5
