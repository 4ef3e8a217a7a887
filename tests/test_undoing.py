"""Undo of every ruling: exact, on the record, and in an order that leaves nothing hanging."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from benchmark.errors import BadQuestion, FaultyFile
from benchmark.store import deciding, handing_in, people, rulings, settings
from benchmark.store.roles import Role
from benchmark.store.rulings import Correction
from benchmark.store.store import Store
from tests.lap_files import KEY, lap, read_once, write
from tests.rulings import AT, add, check, new_store, seen, state, two_builds

pytestmark = pytest.mark.slow

DAY = date(2025, 4, 12)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with new_store(tmp_path) as opened:
        two_builds(opened)
        yield opened


def strike(store: Store) -> None:
    store.strike(KEY, reason="cut", at=AT)


def unstrike(store: Store) -> None:
    store.unstrike(KEY, reason="seen", at=AT)


def correct(store: Store) -> None:
    what = Correction("Blue Heron", {"mod_aero": "2"}, DAY)
    rulings.correct(store, what, reason="wing", at=AT)


def merge(store: Store) -> None:
    rulings.merge(store, "build", ("Blue Heron 7", "Blue Heron"), reason="one", at=AT)


def take_in(store: Store) -> None:
    new = {"driver": "D. Rail", "build": "Teal", "circuit": "Zell", "start_time": "9:00"}
    rows = [lap(1, session="S8", **new), lap(9, air_temp_c="18", mod_aero="0", start_time="10:30")]
    add(store, rows, "late.csv")


def fill_in(store: Store) -> None:
    add(store, [lap(8, air_temp_c="18", humidity_pct="40", timing="gps")], "facts.csv")


def protest(store: Store) -> None:
    rulings.protest(store, "open", ("Quillmoor", DAY), reason="as announced", at=AT)


def close(store: Store) -> None:
    rulings.protest(store, "closed", ("Quillmoor", DAY), reason="over", at=AT)


def name_owner(store: Store) -> None:
    people.name_role(store, "Anna Pell", Role.OWNER, at=AT)


def set_setting(store: Store) -> None:
    settings.change_setting(store, settings.VISITORS_HAND_IN, "yes", at=AT)


EVERY: list[tuple[Callable[[Store], None], ...]] = [
    (strike,),
    (strike, unstrike),
    (correct,),
    (merge,),
    (take_in,),
    (fill_in,),
    (protest,),
    (protest, close),
    (set_setting,),
]


@pytest.mark.parametrize("steps", EVERY, ids=lambda steps: steps[-1].__name__)
def test_undo_of_every_ruling_leaves_the_store_as_it_was(
    store: Store, steps: tuple[Callable[[Store], None], ...]
) -> None:
    for step in steps[:-1]:
        step(store)
    before = state(store), seen(store)
    steps[-1](store)
    line = store.record()[-1]
    assert state(store) != before[0]
    undo = rulings.undo(store, line.number, reason="an error", steward="C. Rook", at=AT)
    assert (state(store), seen(store)) == before
    assert (undo.action, undo.who, undo.reason) == ("undo", "C. Rook", "an error")
    assert (undo.before, undo.after) == (line.after, line.before)
    assert rulings.undone(store) == {line.number: undo.number}
    check(store)


def test_undo_of_an_accepted_and_of_a_refused_file(store: Store) -> None:
    rows = [lap(1, session="S8"), lap(2, session="S8")]
    path = write(store.path.parent, rows, name="handed.csv")
    number = hand_in(store, path)
    before = state(store), seen(store)
    line = deciding.accept(store, number, read_once(path), at=AT).line
    check(store)
    rulings.undo(store, line.number, reason="wrong day", at=AT)
    assert (state(store), seen(store)) == before
    check(store)
    line = deciding.refuse(store, number, reason="wrong day", at=AT)
    check(store)
    rulings.undo(store, line.number, reason="right day", at=AT)
    check(store)
    deciding.accept(store, number, read_once(path), at=AT)
    assert seen(store) != before[1]
    check(store)


def hand_in(store: Store, path: Path) -> int:
    return handing_in.hand_in(store, read_once(path), path.read_bytes(), at=AT).submission.number


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (99, "no line 99 in the record: `benchmark rulings` lists them"),
        (3, "line 3 was undone by line 4 already"),
        (4, "line 4 undid line 3: decide again as that one did"),
    ],
)
def test_what_cannot_be_undone_says_why(store: Store, number: int, message: str) -> None:
    strike(store)
    rulings.undo(store, 3, reason="no", at=AT)
    with pytest.raises(BadQuestion) as bad:
        rulings.undo(store, number, reason="no")
    assert str(bad.value) == message


def test_an_import_that_a_strike_rests_on_is_undone_after_it(store: Store) -> None:
    strike(store)
    with pytest.raises(BadQuestion, match="line 1 is built on by line 3: undo the latest"):
        rulings.undo(store, 1, reason="no")


def test_an_undone_import_can_come_again(store: Store) -> None:
    take_in(store)
    before = seen(store)
    rulings.undo(store, store.record()[-1].number, reason="no", at=AT)
    take_in(store)
    assert seen(store) == before
    check(store)


def test_a_file_found_there_by_another_file_is_not_taken_from_under_it(store: Store) -> None:
    """Two files vouch for the same laps: without the first, the second would have brought them."""
    add(store, [lap(1, session="S8")], "one.csv")
    again = add(store, [lap(1, session="S8", timing="")], "other.csv")
    assert rulings.later_on(store, again - 1) == [again]
    add(store, [lap(1, session="S8")], "one.csv")  # the same bytes vouch for nothing new
    assert rulings.later_on(store, again - 1) == [again]


def test_a_session_starts_when_the_files_that_are_left_say(store: Store) -> None:
    first = add(store, [lap(1, session="S8", start_time="09:00")], "a.csv")
    add(store, [lap(1, session="S8", build="Teal", start_time="09:00")], "b.csv")
    rulings.undo(store, first, reason="no", at=AT)
    starts = store.counted_laps().set_index("session")["start_time"]
    assert starts["S8"] == "09:00"
    check(store)


def test_the_only_owner_stays(store: Store) -> None:
    name_owner(store)
    with pytest.raises(BadQuestion, match="Anna Pell is the only owner: name another one first"):
        store._write(lambda: people.restore(store._connection, "Anna Pell", None))


# Any rulings in any order

STEPS = (strike, unstrike, merge, correct, take_in, fill_in, protest, close)


def anything(store: Store, draw: random.Random) -> None:
    """Do something that may well be refused: strike, correct, merge, add or undo by chance."""
    builds, drivers = store.names("build"), store.names("driver")
    laps = store.accepted_laps()
    kinds = ("strike", "unstrike", "correct", "merge", "driver", "add", "undo", "undo")
    what = draw.choice(kinds) if len(laps) else "add"
    key = laps.iloc[draw.randrange(len(laps))] if len(laps) else {}
    if what in ("strike", "unstrike"):
        lap_key = {n: key[n] if n in ("run", "lap") else str(key[n]) for n in KEY}
        lap_key |= {n: int(lap_key[n]) for n in ("run", "lap")}
        getattr(store, what)(lap_key, reason="chance", at=AT)
    elif what == "correct":
        fact, value = draw.choice(
            (("mod_aero", "1"), ("mod_aero", ""), ("driver", "B. Fen"), ("driver", "A. Marsh"))
        )
        correction = Correction(draw.choice(builds), {fact: value}, DAY)
        rulings.correct(store, correction, reason="chance", at=AT)
    elif what == "merge":
        names = draw.choice(builds), draw.choice(builds)
        rulings.merge(store, "build", names, reason="chance", at=AT)
    elif what == "driver":
        names = draw.choice(drivers), draw.choice(drivers)
        rulings.merge(store, "driver", names, reason="chance", at=AT)
    elif what == "add":
        build, session = draw.choice("PQRS"), f"S{draw.randrange(3)}"
        more = draw.choice(({}, {"air_temp_c": "18"}, {"start_time": "09:00"}, {"timing": "gps"}))
        driver = draw.choice(("A. Marsh", "B. Fen", "C. Auk"))
        rows = [lap(n, build=build, session=session, driver=driver, **more)
                for n in draw.sample(range(1, 5), 2)]  # fmt: skip
        add(store, rows, f"{draw.randrange(10**9)}.csv")
    else:
        rulings.undo(store, draw.randrange(1, len(store.record()) + 1), reason="chance", at=AT)


@pytest.mark.parametrize("seed", range(1))
def test_any_rulings_can_all_be_undone_and_replayed(tmp_path: Path, seed: int) -> None:
    rule_by_chance(tmp_path, seed, changes=10)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(30))
def test_many_rulings_can_all_be_undone_and_replayed(tmp_path: Path, seed: int) -> None:
    rule_by_chance(tmp_path, seed, changes=40)


def rule_by_chance(folder: Path, seed: int, *, changes: int) -> None:
    """Change the store by chance; some changes are undone at once, which must give back what was.

    At the end the audit replays it all, and undoing from the latest on leads to an empty store.
    """
    draw = random.Random(seed)
    with new_store(folder) as store:
        empty = state(store)
        add(store, [lap(1, build=b, session="S0", driver="A. Marsh") for b in "PQRS"])
        for _ in range(changes):
            before, lines = (state(store), seen(store)), len(store.record())
            try:
                anything(store, draw)
            except (BadQuestion, FaultyFile):
                assert (state(store), seen(store)) == before
                continue
            line = store.record()[-1]
            if line.action != "undo" and draw.random() < 0.3:
                rulings.undo(store, lines + 1, reason="chance", at=AT)
                assert (state(store), seen(store)) == before, line
        check(store)
        for line in reversed(store.record()):
            if line.action != "undo" and line.number not in rulings.undone(store):
                rulings.undo(store, line.number, reason="back", at=AT)
        assert state(store) == empty
        check(store)


def test_the_record_keeps_everything_that_was_undone(store: Store) -> None:
    for step in STEPS:
        step(store)
    numbers = [line.number for line in store.record()]
    for number in reversed(numbers):
        rulings.undo(store, number, reason="back", at=AT)
    lines = store.record()
    assert [line.number for line in lines] == list(range(1, 2 * len(numbers) + 1))
    undone = [json.loads(line.subject)["line"] for line in lines[len(numbers) :]]
    assert undone == numbers[::-1]
    assert store.counted() == 0
    check(store)
