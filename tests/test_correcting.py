"""Correcting what runs say of a build, by day, and taking that back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from benchmark.errors import BadQuestion, FaultyFile
from benchmark.store import rulings
from benchmark.store.rulings import Correction
from benchmark.store.store import Store
from tests.lap_files import lap
from tests.rulings import AT, add, check, new_store, seen, state

DAYS = ("2025-04-12", "2025-05-10", "2025-06-14")
ROWS = [lap(n, date=day, mod_engine="1", treadwear="200") for day in DAYS for n in (1, 2)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with new_store(tmp_path) as opened:
        add(opened, ROWS)
        yield opened


def correct(store: Store, first: str = DAYS[1], last: str | None = None, **facts: str) -> int:
    days = date.fromisoformat(first), date.fromisoformat(last) if last else None
    what = Correction("Blue Heron", facts or {"mod_engine": "2"}, *days)
    return rulings.correct(store, what, reason="sheet was wrong", at=AT).number


def engines(store: Store) -> list[float]:
    return store.counted_laps()["mod_engine"].tolist()[::2]


def test_runs_of_the_days_named_are_corrected(store: Store) -> None:
    correct(store)
    assert engines(store) == [1, 2, 2]
    correct(store, DAYS[0], DAYS[0], mod_engine="3")
    assert engines(store) == [3, 2, 2]
    check(store)


def test_the_line_says_what_each_run_said_before(store: Store) -> None:
    correct(store, DAYS[2], mod_engine="2", treadwear="")
    line = store.record()[-1]
    run = {"circuit": "Quillmoor", "layout": "full", "date": DAYS[2], "session": "S1", "run": 1}
    assert json.loads(line.before) == {"runs": [{**run, "mod_engine": 1, "treadwear": 200}]}
    assert json.loads(line.after) == {"runs": 1, "set": {"mod_engine": 2, "treadwear": None}}


@pytest.mark.parametrize(
    "facts",
    [
        {"mod_engine": "2"},
        {"mod_engine": "", "induction": "boosted"},
        {"driver": "B. Fen"},
        {"driver": "B. Fen", "driver_level": "expert", "tyre_category": "slick"},
        {"treadwear": "140", "tyre_heat_cycles": "3"},
    ],
)
def test_a_correction_that_is_undone_leaves_the_store_as_it_was(
    store: Store, facts: dict[str, str]
) -> None:
    before = state(store), seen(store)
    number = correct(store, **facts)
    assert (state(store), seen(store)) != before
    check(store)
    rulings.undo(store, number, reason="it was right", at=AT)
    assert (state(store), seen(store)) == before
    check(store)


def test_the_old_file_adds_nothing_after_a_correction(store: Store) -> None:
    correct(store, DAYS[0], mod_engine="", driver="B. Fen", treadwear="180")
    before = seen(store)
    add(store, ROWS)
    add(store, [*ROWS, lap(3, date=DAYS[2], mod_engine="1", treadwear="200")], "longer.csv")
    assert seen(store)[0].count(b"\n") == before[0].count(b"\n") + 1
    assert set(store.counted_laps()["driver"]) == {"B. Fen"}
    assert store.counted_laps()["mod_engine"].isna().all()
    check(store)


def test_a_third_value_contradicts(store: Store) -> None:
    correct(store)
    rows = [{**row, "mod_engine": "3"} for row in ROWS[2:4]]
    with pytest.raises(FaultyFile, match="the store has 2 for the same run"):
        add(store, rows, "third.csv")


def test_a_file_that_agrees_with_a_correction_rests_on_it(store: Store) -> None:
    number = correct(store)
    rows = [{**row, "mod_engine": "2"} for row in ROWS[2:4]]
    later = add(store, [*rows, lap(7, date=DAYS[1], mod_engine="2")], "agrees.csv")
    assert rulings.later_on(store, number) == [later]


def test_corrections_of_one_fact_are_undone_in_turn(store: Store) -> None:
    first = correct(store)
    second = correct(store, DAYS[2], mod_engine="3")
    other = correct(store, DAYS[2], treadwear="100")
    with pytest.raises(BadQuestion, match=f"line {first} is built on by line {second}: undo the"):
        rulings.undo(store, first, reason="no")
    rulings.undo(store, second, reason="no", at=AT)
    rulings.undo(store, first, reason="no", at=AT)
    assert engines(store) == [1, 1, 1]
    assert store.counted_laps()["treadwear"].tolist()[::2] == [200, 200, 100]
    rulings.undo(store, other, reason="no", at=AT)
    check(store)


@pytest.mark.parametrize(
    ("days", "facts", "message"),
    [
        ((DAYS[0],), {"mod_engine": "4"}, 'mod_engine "4": is not a level; use 0, 1, 2 or 3'),
        ((DAYS[0],), {"lap_time": "60"}, 'no fact to correct "lap_time": did you mean'),
        ((DAYS[0],), {"tyre_category": ""}, 'tyre_category "": is empty; every lap needs'),
        ((DAYS[0],), {"mod_engine": "1"}, "every run of those days has mod_engine 1 already"),
        (("2025-07-01",), {"mod_engine": "2"}, "Blue Heron has no run from 2025-07-01 on"),
        ((DAYS[1], DAYS[0]), {"mod_engine": "2"}, "2025-04-12 is before 2025-05-10"),
    ],
)
def test_a_correction_that_cannot_be_made_is_refused(
    store: Store, days: tuple[str, ...], facts: dict[str, str], message: str
) -> None:
    before = state(store), len(store.record())
    with pytest.raises(BadQuestion) as bad:
        correct(store, *days, **facts)
    assert str(bad.value).startswith(message)
    assert (state(store), len(store.record())) == before


def test_a_driver_corrected_away_and_merged_since_comes_back_last(store: Store) -> None:
    add(store, [lap(1, session="S2"), lap(1, session="S3", driver="B. Fen")], "more.csv")
    number = correct(store, DAYS[1], driver="C. Auk")
    later = rulings.merge(store, "driver", ("A. Marsh", "B. Fen"), reason="one", at=AT).number
    assert rulings.later_on(store, number) == [later]
