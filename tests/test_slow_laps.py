"""Slow laps are proposed from the times, and nothing is marked that nobody accepted."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from benchmark.intake.slow_laps import LIKE, SLOW_SHARE, as_slow, propose_slow, with_kinds
from benchmark.store.latest import quick_laps
from benchmark.store.store import Store
from tests.lap_files import LAP, lap, laps_of, read_once, write

TIMES = ("1:20.0", "1:00.0", "1:00.5", "1:01.0", "1:30.0")


def rows_named(
    folder: Path, rows: list[dict[str, str]], known: pd.DataFrame | None = None
) -> list[int]:
    return [p.row for p in propose_slow(read_once(write(folder, rows)), known)]


def test_laps_far_over_the_second_quickest_of_their_run_are_named(tmp_path: Path) -> None:
    rows = [lap(n, time) for n, time in enumerate(TIMES, 1)]
    proposals = propose_slow(read_once(write(tmp_path, rows)))
    assert [(p.row, p.reference_s) for p in proposals] == [(1, 60.5), (5, 60.5)]
    assert str(proposals[0]) == (
        "row 1: Blue Heron, session S1, run 1, lap 1, 1:20.000 is 32% over 1:00.500"
    )


def test_the_bound_is_the_one_that_is_written_down(tmp_path: Path) -> None:
    assert SLOW_SHARE == 1.07
    at, over = f"{60 * 1.07:.3f}", f"{60 * 1.07 + 0.001:.3f}"
    times = ("60.0", "60.0", "60.0", at, over)
    assert rows_named(tmp_path, [lap(n, time) for n, time in enumerate(times, 1)]) == [5]


def test_one_lap_that_was_timed_too_short_names_nothing(tmp_path: Path) -> None:
    times = ("0:40.0", "1:00.0", "1:00.5", "1:01.0")
    assert rows_named(tmp_path, [lap(n, time) for n, time in enumerate(times, 1)]) == []


def test_two_laps_are_too_few_to_tell(tmp_path: Path) -> None:
    assert rows_named(tmp_path, [lap(1, "1:00.0"), lap(2, "2:00.0")]) == []


def test_a_whole_run_of_slow_laps_is_held_against_the_builds_other_runs(tmp_path: Path) -> None:
    quick = [lap(n, "1:00.0", run="1") for n in (1, 2, 3)]
    slow = [lap(n, "1:20.0", run="2") for n in (1, 2, 3)]
    assert rows_named(tmp_path, quick + slow) == [4, 5, 6]
    other_tyre = [{**row, "tyre_category": "touring"} for row in slow]
    other_driver = [{**row, "driver": "B. Fell"} for row in slow]
    damp = [{**row, "surface": "damp"} for row in slow]
    for other in (other_tyre, other_driver, damp):
        assert rows_named(tmp_path, quick + other) == []


def test_a_run_is_held_against_the_laps_of_the_store(tmp_path: Path) -> None:
    known = pd.DataFrame([{**{name: LAP.get(name, "") for name in LIKE}, "layout": "full",
                           "surface": "dry", "lap_time_s": 60.0}] * 3)  # fmt: skip
    assert rows_named(tmp_path, [lap(1, "1:20.0")], known) == [1]
    with Store.empty() as store:
        store.add(read_once(write(tmp_path, [lap(n, f"1:0{n}.0") for n in range(1, 6)])))
        kept = quick_laps(store, ["Blue Heron", "nobody"])
    assert kept["lap_time_s"].tolist() == [61.0, 62.0, 63.0]
    assert rows_named(tmp_path, [lap(1, "1:20.0", date="2025-05-01")], kept) == [1]


def test_only_timed_laps_are_named(tmp_path: Path) -> None:
    rows = [lap(n, time) for n, time in enumerate(TIMES, 1)]
    rows[0]["lap_kind"] = "out"
    assert rows_named(tmp_path, rows) == [5]


def test_accepting_marks_those_laps_and_no_other(tmp_path: Path) -> None:
    lap_file = read_once(write(tmp_path, [lap(n, time) for n, time in enumerate(TIMES, 1)]))
    marked = with_kinds(lap_file, as_slow(propose_slow(lap_file)))
    assert laps_of(marked)["lap_kind"].tolist() == ["slow", "timed", "timed", "timed", "slow"]
    assert laps_of(lap_file)["lap_kind"].tolist() == ["timed"] * 5
    with Store.empty() as store:
        assert store.add(marked).laps_added == 5
        assert store.counted() == 3
    with pytest.raises(ValueError, match="no laps in rows"):
        with_kinds(lap_file, {9: "slow"})
