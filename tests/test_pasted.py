"""Pasted lap times: every usual form, every ambiguity, and no word lost."""

from __future__ import annotations

import re
import time
from contextlib import suppress
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.intake.pasted import Pasted, read_pasted
from benchmark.intake.pasted_words import LIKE_A_TIME, MARKS, plainly, read_time
from benchmark.trade.classes import LAP_KINDS


def read(text: str) -> list[tuple[int | None, str, str]]:
    """Number, time and kind of each lap; the text must have no fault."""
    pasted = read_pasted(text)
    assert pasted.faults == []
    return [(lap.lap, lap.lap_time, lap.kind) for lap in pasted.laps]


def fault_of(text: str) -> str:
    [fault] = read_pasted(text).faults
    return str(fault)


@pytest.mark.parametrize(
    "text",
    [
        *("1:46.308", "1:46,308", "1.46.308", "1.46,308", "106.308", "106,308", "106.308 s"),
        *("1'46\"308", "1\u201946\u201d308", "1\u203246.308\u2033", "1'46''308", "1'46.308\""),
        *("1m46.308s", "1 m 46.308 s", "1min 46,308", "1 min. 46.308 sec", "1m46s308"),
        *(
            "\uff11\uff1a\uff14\uff16\uff0e\uff13\uff10\uff18",
            "\u0661:\u0664\u0666.\u0663\u0660\u0668",
        ),
        *("\u202e1:46.308\u202c", "\u00a01:46.308\u00a0", "0:01:46.308", "- 1:46.308", "1:46.308*"),
    ],
)
def test_a_lap_time_in_any_usual_form(text: str) -> None:
    assert [lap.time_s for lap in read_pasted(text).laps] == [Decimal("106.308")]


@pytest.mark.parametrize(
    "text",
    [
        *("3 1:46.308", "3. 1:46.308", "3) 1:46.308", "3: 1:46.308", "3;1:46.308", "3\t1:46.308"),
        *("3,1:46.308", "3,106.308", "L3 1:46.308", "L3: 1:46.308", "L3:1:46.308", "#3 1:46.308"),
        *("Lap 3 1:46.308", "lap no. 3 - 1:46.308", "1:46.308 3", "1:46.308 L3", "1:46.308,3"),
        *("1:46.308 (lap 3)", "3rd 1:46.308", "3 1:46.308 +0.512 P2 26\u00b0C"),
    ],
)
def test_a_lap_number_before_or_after_the_time(text: str) -> None:
    assert read(text) == [(3, "1:46.308", "timed")]


@pytest.mark.parametrize(
    "text",
    [
        "2:10.0 out\n1:46.308\n2:30 in",
        "out 2:10.0\n1:46.308\nin lap: 2:30",
        "1 2:10.0 out; 2 1:46.308; 3 2:30 in",
        "2:10.0 (out) 1:46.308 2:30 (in)",
        "out 2:10.0 1:46.308 in 2:30",
        "Lap\tTime\tKind\n1\t2:10,0\tOut\n2\t1:46,308\t\n3\t2:30\tIn",
    ],
)
def test_marks_stand_with_their_lap(text: str) -> None:
    assert read(text) == [
        (1, "2:10.000", "out"),
        (2, "1:46.308", "timed"),
        (3, "2:30.000", "in"),
    ]


@pytest.mark.parametrize("text", ["1:46.3 - 1:47.1", "1:46.3, 1:47.1", "(1:46.3 / 1:47.1)"])
def test_what_only_separates_says_nothing(text: str) -> None:
    assert read(text) == [(1, "1:46.300", "timed"), (2, "1:47.100", "timed")]


def test_every_mark_is_a_kind_of_the_lap_table() -> None:
    assert set(MARKS.values()) == set(LAP_KINDS)
    for word, kind in MARKS.items():
        assert read(f"1:46.308 {word}") == [(1, "1:46.308", kind)]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1.46", '"1.46" could be 1.46 s or 1 min 46 s; write 1:46'),
        ("106", '"106" is a whole number, which could be a lap number or seconds; write 106.0 or'),
        ("1 46.308", 'could be lap 1 in 46.308 s or 1 min 46.308 s; write "L1 46.308" or "1:46'),
        ("1,46.308", "could be lap 1 in 46.308 s or 1 min 46.308 s"),
        ("Lap 3:46.308", "could be lap 3 in 46.308 s or a lap of 3:46.308; write"),
        ("106,308,107,420", "has commas that could be decimal or between values; put blanks"),
        ("5,62", '"5,62" could be 5.62 s or lap 5; write 5.62 with a point'),
        ("3 10:31:22 1:46.308", "has times of several kinds"),
        ("10:31:22 1:46.308", "has times of several kinds"),
        ("3 1:46.308 34.1 35.2 37.0", "has times of several kinds"),
        ("3 1:46.308 1:47.1", "does not show which number or word belongs to which time"),
        ("2:10.0 out 1:46.3 in 2:30", "does not show which number or word belongs to which time"),
        ("1:46.308 old tyres 1:47.1", "has words among several lap times; write one lap a line"),
        ("Car 1:46.308", '"Car" stands before the time; write notes behind it'),
        ("1:46.308 out in", "has two kinds of lap: out, in; keep one"),
        ("1:62.3", '"1:62.3" has 62 seconds; write 2:02.3 or correct it'),
        ("0:01.2", '"0:01.2" is outside 5 to 86400 s; correct it'),
        ("1:4x.308", '"1:4x.308" is no lap time; write m:ss.sss'),
        ("1:46.308x", '"1:46.308x" is no lap time'),
        ("1:46,308x", "is no lap time"),
        ("1:46. 308", "is no lap time"),
        ("-1:46.308", "is no lap time"),
        ("3 4 1:46.308", '"3 4" are 2 numbers; keep the lap number'),
        ("0 1:46.308", "lap number 0 is outside 1 to 9999; correct it"),
        ("1 1:46.3\n1 1:47.1", "has lap number 1, as line 1 has; change one"),
        ("1 1:46.3\n1:47.1", "has no lap number where other laps have one"),
    ],
)
def test_what_could_mean_two_things_or_nothing_is_a_fault(text: str, message: str) -> None:
    assert message in fault_of(text)


def test_lap_numbers_that_count_on_are_no_minutes() -> None:
    assert read("1 46.308\n2 47.2") == [(1, "0:46.308", "timed"), (2, "0:47.200", "timed")]
    assert len(read_pasted("1 46.308\n1 47.2").faults) == 2


def test_what_is_passed_over_is_named() -> None:
    pasted = read_pasted("Session 2, 14:30\nLap Time\nLap 4 no time\nLap 5 1:46.3 new tyres")
    assert [over.text for over in pasted.passed_over] == [
        "Session 2, 14:30",
        "Lap Time",
        "Lap 4 no time",
    ]
    assert [(lap.lap, lap.note) for lap in pasted.laps] == [(5, "new tyres")]


def test_a_kind_in_a_longer_note_is_a_question() -> None:
    [lap] = read_pasted("1:46.308 out of fuel").laps
    assert (lap.kind, lap.note) == ("timed", "out of fuel")
    assert lap.question == "the note speaks of out: set the kind of lap if it is one"


def test_a_time_of_day_is_a_question() -> None:
    assert (
        read_pasted("10:31:22").laps[0].question
        == "is longer than half an hour: is it a time of day?"
    )


def test_laps_are_counted_from_the_first_one_given() -> None:
    laps = read_pasted("1:46.3\n1:47.1", first_lap=2).laps
    assert [lap.lap for lap in laps] == [2, 3]


@pytest.mark.parametrize("text", ["", " \n\t", "\u200b"])
def test_nothing_pasted_says_what_to_paste(text: str) -> None:
    with pytest.raises(BadValue, match="holds no lap time; paste times such as"):
        read_pasted(text)


def test_too_much_is_refused_at_once() -> None:
    with pytest.raises(BadValue, match="2,000,000 characters are no lap times"):
        read_pasted("1" * 2_000_000)
    with pytest.raises(BadValue, match="5,001 laps are more than one outing"):
        read_pasted("9:00 " * 5_001)


@pytest.mark.parametrize(
    "piece", ["1,", "1.", "1:", "l", "lap ", "1'", '1"', "9", "-1", "1m", "(", "1 s ", "9:00 1 "]
)
def test_long_nonsense_takes_no_time(piece: str) -> None:
    began = time.process_time()
    with suppress(BadValue):
        read_pasted(piece * (100_000 // len(piece)))
    assert time.process_time() - began < 10  # about 0.5 s; a square would be hours


# Property tests

WORDS = (
    *("1:46.308", "106,308", "1'46\"3", "1m46s", "3", "L3", "Lap", "out", "in", "(", ")", ",", ";"),
    *("\t", "\n", " ", "\u2028", "+0.3", "2026-04-25", "46.3", "1.46", "x", "\x00", ":", "."),
)
PIECES = st.one_of(st.sampled_from(WORDS), st.text(max_size=4))
TEXTS = st.one_of(
    st.lists(PIECES, max_size=25).map("".join), st.lists(PIECES, max_size=12).map(" ".join)
)
DROPPED = re.compile(r"[\s,;|()\[\]]")


@given(TEXTS)
@settings(max_examples=300, deadline=None)
def test_no_text_ends_in_a_traceback_and_no_word_is_lost(text: str) -> None:
    pasted = None
    with suppress(BadValue):
        pasted = read_pasted(text)
    if pasted is None:
        return
    places = sorted((one.start, one.end) for one in (*pasted.laps, *pasted.passed_over))
    assert all(end <= start for (_, end), (start, _) in pairwise(places))
    plain, at = plainly(text), 0
    left = ""
    for start, end in places:
        left += plain[at:start]
        at = end
    assert not DROPPED.sub("", left + plain[at:])  # nothing but separators stands outside
    check_shape(text, pasted)


def check_shape(text: str, pasted: Pasted) -> None:
    for at, lap in enumerate(pasted.laps, start=1):
        assert lap.position == at
        assert lap.text == text[lap.start : lap.end]
        assert (lap.time_s is None) == (lap.fault is not None)
        assert lap.kind in LAP_KINDS


TICKS = st.integers(200_000, 5_000_000)
FORMS = {
    "clock": lambda m, s, d: f"{m}:{s:02d}.{d:04d}",
    "comma": lambda m, s, d: f"{m}:{s:02d},{d:04d}",
    "prime": lambda m, s, d: f"{m}'{s:02d}\"{d:04d}",
    "units": lambda m, s, d: f"{m}m{s:02d}.{d:04d}s",
    "dotted": lambda m, s, d: f"{m}.{s:02d},{d:04d}",
    "seconds": lambda m, s, d: f"{60 * m + s}.{d:04d}",
}
LAPS = st.lists(st.tuples(TICKS, st.sampled_from(LAP_KINDS)), min_size=1, max_size=8)
SEPARATORS = st.sampled_from(["\n", "\r\n", "; ", "\t;", "\n\n"])


@given(LAPS, st.sampled_from(sorted(FORMS)), SEPARATORS, st.booleans(), st.booleans())
@settings(max_examples=200, deadline=None)
def test_what_is_written_is_read_back(
    laps: list[tuple[int, str]], form: str, separator: str, numbered: bool, wide: bool
) -> None:
    write = FORMS[form]
    lines = []
    for number, (ticks, kind) in enumerate(laps, start=1):
        written = write(ticks // 600_000, ticks // 10_000 % 60, ticks % 10_000)
        lines.append(f"{f'L{number} ' if numbered else ''}{written} ({kind})")
    text = separator.join(lines)
    if wide:  # full-width digits
        text = text.translate({ord("0") + n: 0xFF10 + n for n in range(10)})
    pasted = read_pasted(text)
    assert pasted.faults == []
    told = [(lap.lap, lap.time_s, lap.kind) for lap in pasted.laps]
    assert told == [(n, Decimal(t).scaleb(-4), k) for n, (t, k) in enumerate(laps, start=1)]
    assert [read_time(lap.lap_time) for lap in pasted.laps] == [lap.time_s for lap in pasted.laps]


@pytest.mark.parametrize("word", ["1" + "." * 150_000, "1." * 75_000, "a1" + "._" * 70_000])
def test_a_word_of_marks_is_read_at_once(word):
    """It once took minutes, in which no other visitor got an answer."""
    start = time.process_time()
    with suppress(BadValue):
        read_pasted(word)
    assert time.process_time() - start < 2.0


@settings(max_examples=300, deadline=None)
@given(st.text(st.sampled_from("1a_ .:,'\"-\u00b7"), max_size=12))
def test_what_is_like_a_time_is_what_the_plain_expression_says(text):
    plain = r"\d[^\w]*[:.,'\"][^\w]*\w|\d{4}|[a-z]\d|\d[a-z]"
    assert bool(LIKE_A_TIME.search(text)) == bool(re.search(plain, text, re.IGNORECASE))
