"""Lap times as text and seconds, and what each way of timing is worth."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.trade.classes import TIMINGS
from benchmark.trade.timing import (
    TIMING_U_S,
    decimals_given,
    format_lap_time,
    lap_uncertainty,
    parse_lap_time,
)
from benchmark.trade.uncertainty import combined_u, crossings_u
from tests.reference.measuring import ONE_PRESS_SD_S, START_AND_STOP_SD_S

ten_thousandths = st.integers(1, 86_400 * 10_000)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1:02.345", "62.3450"),
        ("01:02.345", "62.3450"),
        ("62.3451", "62.3451"),
        ("62", "62.0000"),
        ("62.", "62.0000"),
        (" 1:02.3\t", "62.3000"),
        ("1:02,345", "62.3450"),
        ("1:00:02.5", "3602.5000"),
        ("00:01:02.345", "62.3450"),
        ("1:02:03", "3723.0000"),
        ("75:00.0", "4500.0000"),
        ("0:59.9999", "59.9999"),
        ("24:00:00", "86400.0000"),
        ("0.0001", "0.0001"),
    ],
)
def test_a_lap_time_is_read_exactly(text, seconds):
    lap = parse_lap_time(text)
    assert lap == Decimal(seconds)
    assert str(lap) == seconds


# Half up, as a person rounds on paper; the last one would fail if it were rounded twice.
@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("62.34515", "62.3452"),
        ("62.34525", "62.3453"),
        ("62.34514999", "62.3451"),
        ("0:59.99995", "60.0000"),
        ("1:00." + "4" * 40, "60.4444"),
        ("62.00004999999999999999999999999999999", "62.0000"),
    ],
)
def test_more_than_four_decimals_are_rounded(text, seconds):
    assert str(parse_lap_time(text)) == seconds


@pytest.mark.parametrize(
    ("text", "decimals"), [("1:02", 0), ("1:02.", 0), ("62.3", 1), ("1:02,345", 3)]
)
def test_the_decimals_of_a_sheet_are_counted(text, decimals):
    assert decimals_given(text) == decimals


FORMS = "write m:ss.sss, h:mm:ss.sss or seconds"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1:62.300", "has 62 seconds; write 2:02.300 or correct it"),
        ("1:60", "has 60 seconds; write 2:00 or correct it"),
        ("1:59:62,5", "has 62 seconds; write 2:00:02.5 or correct it"),
        ("1:75:10.2", "has 75 minutes; write 2:15:10.2 or correct it"),
        ("1:02:345", "has a colon before the decimals; write 1:02.345"),
        ("1:2.345", f"needs two digits behind each colon; {FORMS}"),
        ("1:2:03", f"needs two digits behind each colon; {FORMS}"),
        ("1:002", f"needs two digits behind each colon; {FORMS}"),
        ("0", "is zero; a lap takes time"),
        ("0:00.000", "is zero; a lap takes time"),
        ("0.00004", "is zero; a lap takes time"),
        ("-1:02.345", "is negative; a lap time is above zero"),
        ("-0.0", "is negative; a lap time is above zero"),
        ("86400.0001", "is longer than a day; a lap is not"),
        ("999999999:62", "is longer than a day; a lap is not"),
        ("", f"is empty; {FORMS}"),
        ("   ", f"is empty; {FORMS}"),
        *(
            (text, f"is not a lap time; {FORMS}")
            for text in (
                "nan",
                "inf",
                "DNF",
                "1e2",
                "62.3 s",
                "+62.3",
                "--62",
                "1.02.345",
                "1:02.3.4",
                "1,002.345",
                ":62",
                "1::02",
                ".5",
                "1:02:03:04",
                "٦٢",
                "9" * 5000,
            )
        ),
    ],
)
def test_a_text_that_is_no_lap_time_is_refused_with_the_way_on(text, message):
    with pytest.raises(BadValue) as refused:
        parse_lap_time(text)
    assert str(refused.value) == message


@given(st.text(alphabet="0123456789:.,-+ eE/nas", max_size=14) | st.text(max_size=10))
def test_any_text_gives_a_lap_time_or_a_sentence(text):
    try:
        lap = parse_lap_time(text)
    except BadValue:
        return  # any other exception fails the test
    assert 0 < lap <= 86_400
    assert lap.as_tuple().exponent == -4


@pytest.mark.parametrize(
    ("seconds", "decimals", "text"),
    [
        (62.345, 3, "1:02.345"),
        (59.9996, 3, "1:00.000"),
        (59.9994, 3, "0:59.999"),
        (52.6882, 4, "0:52.6882"),
        (3599.9996, 3, "1:00:00.000"),
        (3723.4, 1, "1:02:03.4"),
        (62.345, 0, "1:02"),
        (59.5, 0, "1:00"),
        (62.3455, 3, "1:02.346"),
        (Decimal("62.3455"), 3, "1:02.346"),
        (0.0, 3, "0:00.000"),
        (96.3, 3, "1:36.300"),
    ],
)
def test_a_lap_time_is_written_with_correct_rounding(seconds, decimals, text):
    assert format_lap_time(seconds, decimals) == text


@pytest.mark.parametrize("seconds", [-0.001, math.nan, math.inf, 1e300])
def test_what_is_no_lap_time_is_not_written(seconds):
    with pytest.raises(BadValue, match="cannot be written as a lap time"):
        format_lap_time(seconds)


@given(ten_thousandths)
def test_text_and_seconds_go_round(count):
    lap = Decimal(count).scaleb(-4)
    assert parse_lap_time(format_lap_time(lap, 4)) == lap
    assert parse_lap_time(format_lap_time(float(lap), 4)) == lap
    assert parse_lap_time(str(lap)) == lap


@given(st.floats(0, 86_400), st.integers(0, 4))
def test_writing_moves_a_time_by_half_a_unit_at_most(seconds, decimals):
    written = format_lap_time(seconds, decimals)
    parts = [Decimal(part) for part in written.split(":")]
    back = sum(part * 60**place for place, part in enumerate(reversed(parts)))
    assert abs(back - Decimal(str(seconds))) <= Decimal("0.5").scaleb(-decimals)


def test_every_timing_method_has_its_uncertainty():
    assert set(TIMING_U_S) == {*TIMINGS, None}


# The defaults are a choice of ours (the lap table's fine print); what each rests on stands beside.
@pytest.mark.parametrize(
    ("timing", "u_s"),
    [
        ("transponder", 0.002),
        ("beam", 0.002),
        ("gps", 0.03),
        ("video", 0.016),
        ("stopwatch", 0.10),
        (None, 0.10),
    ],
)
def test_a_method_stands_in_where_no_uncertainty_is_given(timing, u_s):
    assert lap_uncertainty(timing, None) == u_s
    assert lap_uncertainty(timing, math.nan) == u_s


def test_video_is_the_nearest_of_25_frames():
    assert TIMING_U_S["video"] == pytest.approx(crossings_u(1 / 25), abs=0.0005)


def test_a_stopwatch_is_two_presses_with_no_bias():
    # Am. J. Phys. 87 (2019) 110; athletics' 0.24 s for a late start is in neither figure.
    assert combined_u(ONE_PRESS_SD_S, ONE_PRESS_SD_S) == pytest.approx(
        START_AND_STOP_SD_S, abs=0.0015
    )
    assert TIMING_U_S["stopwatch"] == START_AND_STOP_SD_S


@pytest.mark.parametrize("text", ["1:02.3", "62.30"])
def test_nothing_is_added_to_a_hand_timed_lap(text):
    # +0.24 s corrects a late start on a gun; both presses of a lap answer the same event.
    assert parse_lap_time(text) == Decimal("62.3")


def test_a_given_uncertainty_wins_over_the_method():
    assert lap_uncertainty("transponder", 0.25) == 0.25
    assert lap_uncertainty(None, 0.0) == 0.0


@pytest.mark.parametrize(
    ("timing", "u_s", "message"),
    [
        ("sundial", None, '"sundial" is no timing method; use transponder, beam, gps, video, stop'),
        ("gps", -0.1, "a standard uncertainty of -0.1 s is not possible; give 0 or more"),
        ("gps", math.inf, "a standard uncertainty of inf s is not possible; give 0 or more"),
    ],
)
def test_an_impossible_uncertainty_is_refused(timing, u_s, message):
    with pytest.raises(BadValue, match=message):
        lap_uncertainty(timing, u_s)
