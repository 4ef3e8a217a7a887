"""Merging two names: laps that both had count once, what contradicts is refused, undo is exact."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

from benchmark.answers.leaderboard import leaderboard
from benchmark.errors import BadQuestion, FaultyFile
from benchmark.model.pace import fit
from benchmark.store import rulings
from benchmark.store.store import Store
from tests.lap_files import KEY, lap
from tests.rulings import AT, add, check, new_store, seen, state, two_builds

pytestmark = pytest.mark.slow

NAMES = ("Blue Heron 7", "Blue Heron")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with new_store(tmp_path) as opened:
        yield opened


def merge(store: Store, kind: str = "build", names: tuple[str, str] = NAMES) -> int:
    return rulings.merge(store, kind, names, reason="one car", steward="C. Rook", at=AT).number


def laps(store: Store, build: str = "Blue Heron") -> list[tuple[str, int]]:
    frame = store.counted_laps()
    mine = frame[frame["build"] == build]
    return list(zip(mine["session"], mine["lap"], strict=True))


def test_laps_that_both_names_had_count_once(store: Store) -> None:
    two_builds(store)
    merge(store)
    assert laps(store) == [("S1", 1), ("S1", 2), ("S1", 8), ("S1", 9), ("S2", 1), ("S3", 1)]
    assert laps(store, "Blue Heron 7") == []
    assert store.names("build") == ["Auk", "Blue Heron"]
    check(store)


def test_what_one_name_had_recorded_the_other_has_now(store: Store) -> None:
    two_builds(store)
    merge(store)
    frame = store.counted_laps()
    joined = frame[(frame["build"] == "Blue Heron") & (frame["session"] == "S1")]
    assert joined["air_temp_c"].tolist() == [18.0] * 4
    assert joined["treadwear"].tolist() == [200.0] * 4
    assert joined["timing"].fillna("-").tolist() == ["beam", "beam", "-", "beam"]


def test_a_merge_that_is_undone_leaves_the_store_as_it_was(store: Store) -> None:
    two_builds(store)
    before = state(store), seen(store)
    number = merge(store)
    assert (state(store), seen(store)) != before
    rulings.undo(store, number, reason="two cars after all", at=AT)
    assert (state(store), seen(store)) == before
    check(store)


def test_a_merge_that_is_undone_leaves_the_leaderboard_as_it_was(store: Store) -> None:
    """The board is that of one seed: the same counted laps give the same draws."""
    two_builds(store)

    def board() -> pd.DataFrame:
        return leaderboard(fit(store.counted_laps(), draws=100, seed=1), "Quillmoor")

    before = board()
    number = merge(store)
    assert sorted(before["build"]) == ["Auk", "Blue Heron", "Blue Heron 7"]
    assert sorted(set(store.counted_laps()["build"])) == ["Auk", "Blue Heron"]
    rulings.undo(store, number, reason="two cars after all", at=AT)
    pd.testing.assert_frame_equal(board(), before)


def test_the_old_files_add_nothing_after_a_merge(store: Store) -> None:
    two_builds(store)
    merge(store)
    before = seen(store)
    two_builds(store)
    assert seen(store) == before
    assert store.imports()["laps_added"].tolist()[:2] == [0, 0]
    check(store)


def test_later_imports_follow_the_merge_and_have_to_be_undone_first(store: Store) -> None:
    two_builds(store)
    number = merge(store)
    later = add(store, [lap(1, session="S9", build="Blue Heron 7")], "autumn.csv")
    assert ("S9", 1) in laps(store)
    with pytest.raises(BadQuestion) as built_on:
        rulings.undo(store, number, reason="no")
    assert str(built_on.value) == (
        f"line {number} is built on by line {later}: undo the latest first"
    )
    assert rulings.later_on(store, number) == [later]
    rulings.undo(store, later, reason="no", at=AT)
    rulings.undo(store, number, reason="no", at=AT)
    check(store)


def test_one_file_with_both_names_is_folded(store: Store) -> None:
    two_builds(store)
    merge(store)
    rows = [lap(n, f"1:02.{n:03d}", session="S5", build=name) for n in (1, 2) for name in NAMES]
    line = add(store, [*rows, lap(3, session="S5", build=NAMES[0])], "both.csv")
    assert [place for place in laps(store) if place[0] == "S5"] == [("S5", n) for n in (1, 2, 3)]
    assert store.imports()["laps_already_there"].tolist()[0] == 2
    check(store)
    rulings.undo(store, line, reason="no", at=AT)
    check(store)


def test_one_file_that_contradicts_itself_under_both_names_is_refused(store: Store) -> None:
    two_builds(store)
    merge(store)
    rows = [lap(1, "1:02", session="S5", build=NAMES[1], air_temp_c="18"),
            lap(1, "1:03", session="S5", build=NAMES[0], air_temp_c="20")]  # fmt: skip
    with pytest.raises(FaultyFile) as faulty:
        add(store, rows, "both.csv")
    since = "row 1, of the same {0} since its names were merged, says {1}; a {0} has one {2}: "
    assert [str(fault) for fault in faulty.value.faults] == [
        'both.csv, row 2, air_temp_c, "20": '
        + since.format("run", "18", "air temperature")
        + "correct one, or give them two run numbers",
        'both.csv, row 2, lap_time, "1:03.000": '
        + since.format("lap", "1:02.000", "lap time")
        + "correct one, or give them two lap numbers",
    ]


def test_names_that_contradict_each_other_are_refused_with_every_fault(store: Store) -> None:
    add(store, [lap(1, air_temp_c="18"), lap(2, "1:02"), lap(3)])
    add(store, [lap(1, build="Heron", air_temp_c="20"), lap(2, "1:03", build="Heron"),
                lap(3, build="Heron")], "b.csv")  # fmt: skip
    store.strike({**KEY, "lap": 3}, reason="cut", at=AT)
    before = state(store)
    with pytest.raises(BadQuestion) as faulty:
        merge(store, names=("Heron", "Blue Heron"))
    place = "circuit Quillmoor, layout full, date 2025-04-12, session S1, run 1"
    assert str(faulty.value).splitlines() == [
        "Heron and Blue Heron cannot be one build:",
        f"{place}: air_temp_c is 20 for Heron and 18 for Blue Heron; a run has one air "
        "temperature: correct one, or give them two run numbers",
        f"{place}, lap 2: lap_time is 1:03.000 for Heron and 1:02.000 for Blue Heron; a lap has "
        "one lap time: correct one, or give them two lap numbers",
        f"{place}, lap 3: is struck under one name only; strike or unstrike one",
    ]
    assert state(store) == before


def test_two_models_are_two_cars(store: Store) -> None:
    add(store, [lap(1), lap(1, build="Heron", model="Corvane RS")])
    with pytest.raises(BadQuestion, match="model is Corvane RS for Heron and Corvane GT for Blue"):
        merge(store, names=("Heron", "Blue Heron"))


def test_names_merge_on_and_come_apart_in_turn(store: Store) -> None:
    add(store, [lap(1, session=f"S{n}", build=name) for n, name in enumerate("ABC")])
    states = [state(store)]
    numbers = []
    for names in (("A", "B"), ("B", "C")):
        numbers.append(merge(store, names=names))
        states.append(state(store))
    assert laps(store, "C") == [("S0", 1), ("S1", 1), ("S2", 1)]
    line = add(store, [lap(1, session="S7", build="A")], "late.csv")
    assert ("S7", 1) in laps(store, "C")
    for number in numbers:
        with pytest.raises(BadQuestion, match=rf"built on by lines? .*{line}"):
            rulings.undo(store, number, reason="no")
    rulings.undo(store, line, reason="no", at=AT)
    for number in reversed(numbers):
        assert state(store) == states.pop()
        rulings.undo(store, number, reason="no", at=AT)
    assert state(store) == states.pop()
    check(store)


def test_a_driver_is_merged_and_comes_apart(store: Store) -> None:
    add(store, [lap(1), lap(1, session="S2", driver="A. Marsch"), lap(1, session="S3", driver="B")])
    before = state(store), seen(store)
    number = merge(store, "driver", ("A. Marsch", "A. Marsh"))
    assert store.counted_laps()["driver"].tolist() == ["A. Marsh", "A. Marsh", "B"]
    assert store.names("driver") == ["A. Marsh", "B"]
    rulings.undo(store, number, reason="no", at=AT)
    assert (state(store), seen(store)) == before
    check(store)


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (("Blue Heron", "Blue Heron"), "Blue Heron is one name already"),
        (("Heron 9", "Blue Heron"), 'no build "Heron 9": did you mean'),
        (("Blue Heron 7", "Auk"), "build Blue Heron 7 was merged into Blue Heron: name that one"),
        (("Auk", "Blue Heron 7"), "build Blue Heron 7 was merged into Blue Heron: name that one"),
    ],
)
def test_names_that_cannot_be_merged(store: Store, names: tuple[str, str], message: str) -> None:
    two_builds(store)
    merge(store)
    with pytest.raises(BadQuestion) as bad:
        merge(store, names=names)
    assert str(bad.value).startswith(message)


def test_trying_a_merge_changes_nothing(store: Store) -> None:
    two_builds(store)
    before = state(store), len(store.record())
    line = rulings.merge(store, "build", NAMES, reason="one car", try_only=True)
    assert '"laps_set_aside": 2' in line.after
    assert (state(store), len(store.record())) == before
