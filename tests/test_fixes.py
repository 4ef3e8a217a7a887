from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import FaultyFile
from benchmark.intake.fixes import (
    FaultBook,
    FixBook,
    Trace,
    decimals,
    longest_forward,
    number,
    shown,
    stamp_step,
    utc_text,
)


def book(*fixes: tuple[float, int]) -> Trace:
    """A trace of fixes given as time and segment, each a little farther north."""
    fix_book = FixBook(FaultBook("drive.gpx"))
    for row, (time, segment) in enumerate(fixes, 1):
        fix_book.add(row, segment, time, (50 + row / 1e4, 1.0), 1.0)
    return fix_book.trace(b"content", "point", 1.0, ())


@pytest.mark.parametrize(
    ("times", "kept"),
    [
        ([0, 1, 2, 3], [0, 1, 2, 3]),
        ([0, 1, 99, 2, 3], [0, 1, 3, 4]),  # one stamp in the future costs one fix
        ([0, 1, 1, 2], [0, 1, 3]),
        ([5, 6, 7, 0, 1], [0, 1, 2]),
        ([2, 1], [0]),
        ([], []),
    ],
)
def test_as_many_fixes_as_possible_run_forward(times, kept):
    assert longest_forward(np.array(times, float)).tolist() == kept


def longest_by_hand(times: list[int]) -> int:
    """The textbook recursion, quadratic."""
    best: list[int] = []
    for at, time in enumerate(times):
        best.append(1 + max((best[b] for b in range(at) if times[b] < time), default=0))
    return max(best, default=0)


@given(st.lists(st.integers(0, 20), max_size=25))
def test_no_longer_forward_run_exists(times):
    kept = longest_forward(np.array(times, float))
    assert (np.diff(np.array(times)[kept]) > 0).all()
    assert len(kept) == longest_by_hand(times)


def test_segments_out_of_order_are_sorted_whole():
    trace = book((100, 0), (101, 0), (5, 1), (6, 1))
    assert trace.time_s.tolist() == [5, 6, 100, 101]
    assert trace.row.tolist() == [3, 4, 1, 2]
    assert trace.warnings[0].startswith("segments were not in the order of time")
    assert not trace.faults


def test_the_digest_is_that_of_the_file():
    trace = book((0, 0), (1, 0))
    # sha256 of the seven letters "content", by coreutils' sha256sum
    expected = "ed7002b439e9ac845f22357d822bac1444730fbdb6016d3ec9432297b9ec9f73"
    assert trace.sha256 == expected


def test_one_fix_is_no_trace():
    with pytest.raises(FaultyFile, match="no lap can be timed"):
        book((0, 0))


@pytest.mark.parametrize(
    ("times", "step", "shared", "expected"),
    [
        (np.arange(50) / 10, 0.1, 0.0, 0.0),  # 10 Hz in tenths: exact
        (np.round(np.arange(50) / 3, 1), 0.1, 0.0, 0.1),  # 3 Hz in tenths: rounded
        (np.arange(50.0), 1.0, 0.0, 0.0),  # 1 Hz at the full second: exact
        (np.arange(50.0), 1.0, 0.9, 1.0),  # the others share these stamps
        (np.cumsum([1.0, 2, 1, 1, 3] * 10), 1.0, 0.0, 0.0),  # a logger that thins its track
    ],
)
def test_rounded_time_stamps_are_told_from_exact_ones(times, step, shared, expected):
    assert stamp_step(np.asarray(times), step, shared) == expected


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.5", 12.5),
        (" -0.25 ", -0.25),
        ("+3", 3.0),
        ("1e-05", 1e-5),
        ("nan", None),
        ("inf", None),
        ("1_000", None),
        ("1,5", None),
        ("٣", None),  # a digit, but not one of GPX
        ("", None),
        (None, None),
        ("9" * 400, None),
    ],
)
def test_only_plain_numbers_are_numbers(text, value):
    assert number(text) == value


@pytest.mark.parametrize(
    ("text", "count"), [("1.250", 2), ("1", 0), ("52.1234567", 7), ("-0.0", 0)]
)
def test_padding_zeros_are_no_decimals(text, count):
    assert decimals(text) == count


def test_a_value_in_a_message_stays_one_short_line():
    assert shown("a\nb\x00" + "c" * 99) == "a?b?" + "c" * 53 + "..."


def test_times_are_shown_in_utc():
    assert utc_text(1_714_557_600.25) == "2024-05-01T10:00:00.250Z"
