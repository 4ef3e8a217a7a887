"""Lap times pasted as text: each lap as it was understood, or why it was not.

One line a lap, or several on a line with blanks, commas, semicolons or tabs between; lap numbers
before or after the times; words such as out, in or slow beside them. Nothing is guessed: text that
could mean two things is a fault that says what to write, and a line without a lap time is named as
passed over. Every word stands in just one lap or one line that was passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise

from benchmark.errors import BadValue, Fault
from benchmark.intake.cells import read_value
from benchmark.intake.pasted_words import (
    CLEARLY_A_TIME,
    LIKE_A_TIME,
    Token,
    Word,
    is_known,
    is_note,
    is_number,
    mark_of,
    plainly,
    words_of,
)
from benchmark.trade.timing import format_lap_time, parse_lap_time

LONGEST = 200_000  # characters; a day of laps has some thousands
MOST_LAPS = 5_000
LONG_LAP_S = 1800  # a longer lap may be a time of day: asked, not refused. A choice of ours
NAME = "pasted laps"


@dataclass(frozen=True, slots=True)
class PastedLap:
    """One lap as it was understood.

    Attributes
    ----------
    position : 1 for the first lap of the text.
    line : the line that it stands on, from 1.
    start, end : its place in the pasted text.
    text : the text of that place, as it was pasted.
    lap : its number; counted where the text has none.
    time_s : lap time; None where there is a fault. [s]
    kind : one of the kinds of lap.
    note : words beside it that say nothing of its kind.
    fault : what is wrong and what to write, or None.
    question : what a person should look at, or None.
    """

    position: int
    line: int
    start: int
    end: int
    text: str
    lap: int | None
    time_s: Decimal | None
    kind: str = "timed"
    note: str = ""
    fault: str | None = None
    question: str | None = None

    @property
    def lap_time(self) -> str:
        """The time as people write it, or nothing."""
        if self.time_s is None:
            return ""
        return format_lap_time(self.time_s, 4 if self.time_s * 1000 % 1 else 3)


@dataclass(frozen=True, slots=True)
class PassedOver:
    """A line that holds no lap, such as a heading."""

    line: int
    start: int
    end: int
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Pasted:
    """What a pasted text holds; `numbered` tells whether the lap numbers stood in it."""

    laps: tuple[PastedLap, ...]
    passed_over: tuple[PassedOver, ...]
    numbered: bool

    @property
    def faults(self) -> list[Fault]:
        """The faults, each with the lap's position as its row."""
        return [
            Fault(NAME, lap.position, "lap_time", " ".join(lap.text.split())[:80], lap.fault)
            for lap in self.laps
            if lap.fault
        ]


@dataclass(frozen=True, slots=True)
class _Found:
    """A lap of a line before its number is settled."""

    words: tuple[Token, ...]
    time: Token | None = None
    number: Token | None = None
    kind: str = "timed"
    note: tuple[Token, ...] = ()
    fault: str | None = None
    question: str | None = None


class _NoLap(Exception):
    """A line without a lap time."""


def read_pasted(text: str, *, first_lap: int = 1) -> Pasted:
    """Read lap times as people paste them.

    Parameters
    ----------
    text : at most 200,000 characters, with at most 5,000 laps.
    first_lap : number of the first lap, where the text has no lap numbers.

    Raises
    ------
    BadValue
        Too much text, or nothing in it. What is wrong with a lap stands with that lap.
    """
    if len(text) > LONGEST:
        raise BadValue(f"{len(text):,} characters are no lap times; paste at most {LONGEST:,}")
    plain = plainly(text)
    found: list[tuple[int, _Found]] = []
    passed: list[PassedOver] = []
    start = 0
    for number, line in enumerate(plain.split("\n"), start=1):
        words = tuple(words_of(line, start))
        start += len(line) + 1
        if not words:
            continue
        try:
            found += [(number, lap) for lap in _laps_of(words)]
        except _NoLap as none:
            place = words[0].start, words[-1].end
            passed.append(PassedOver(number, *place, text[slice(*place)], str(none)))
    if len(found) > MOST_LAPS:
        raise BadValue(f"{len(found):,} laps are more than one outing; paste at most {MOST_LAPS:,}")
    if not found and not passed:
        raise BadValue('holds no lap time; paste times such as "1:46.308", one a line')
    numbered = any(lap.number for _, lap in found)
    settled = _settle_seconds([lap for _, lap in found])
    laps = [
        _pasted(text, at, line, lap, (first_lap + at - 1) if not numbered else None)
        for at, ((line, _), lap) in enumerate(zip(found, settled, strict=True), start=1)
    ]
    return Pasted(tuple(_each_number_once(laps)), tuple(passed), numbered)


def _laps_of(words: tuple[Token, ...]) -> list[_Found]:
    """Give the laps of one line, or one fault for all of it."""
    unclear = next((word for word in words if word.word is Word.UNCLEAR), None)
    if unclear is not None:
        return [_Found(words, fault=f'"{unclear.text}" {unclear.why}')]
    times = [word for word in words if word.word is Word.TIME]
    if not times:
        return _without_time(words)
    if len(times) == 1:
        return [_one_lap(words, times[0])]
    return _several(words, times)


def _without_time(words: tuple[Token, ...]) -> list[_Found]:
    odd = next((w for w in words if is_note(w) and LIKE_A_TIME.search(w.text)), None)
    odd = next((w for w in words if is_note(w) and CLEARLY_A_TIME.search(w.text)), odd)
    letters = any(w.word in (Word.NOTE, Word.DATE) and w is not odd for w in words)
    if odd is not None and (not letters or CLEARLY_A_TIME.search(odd.text)):
        return [_Found(words, fault=f'"{odd.text[:40]}" is no lap time; write m:ss.sss')]
    if odd is None and all(word.word is Word.NUMBER for word in words):
        message = "is a whole number, which could be a lap number or seconds; write 106.0 or 1:46"
        return [_Found(words, fault=f'"{words[0].text}" {message}')]
    if any(word.word is Word.NAMED_NUMBER for word in words):
        raise _NoLap("a lap number without a lap time")
    raise _NoLap("no lap time in this line: taken for a heading or a note")


def _one_lap(words: tuple[Token, ...], time: Token) -> _Found:
    at = words.index(time)
    before, after = words[:at], words[at + 1 :]
    strange = [w for w in before if w.word is Word.DATE or (is_note(w) and not is_known(w))]
    if strange:
        if "." not in time.time:  # a heading with a clock time, such as Session 2, 14:30
            raise _NoLap("no lap time with decimals in this line: taken for a heading")
        told = " ".join(word.text for word in strange)[:40]
        return _Found(words, fault=f'"{told}" stands before the time; write notes behind it')
    numbers = [word for word in before if is_number(word)]
    behind = [word for word in after if is_number(word)]
    number, note = next(iter(numbers), None), after
    if len(numbers) > 1:
        told = " ".join(word.text for word in numbers)
        return _Found(words, fault=f'"{told}" are {len(numbers)} numbers; keep the lap number')
    if not numbers and len(behind) == 1 and all(is_number(w) or is_known(w) for w in after):
        number = behind[0]
        note = tuple(word for word in after if word is not number)
    elif not numbers and len(behind) > 1 and not any(is_note(word) for word in after):
        return _Found(words, fault="has several numbers behind the time; keep the lap number")
    return _with_kind(_Found(words, time, number), [*before, *note], note)


def _several(words: tuple[Token, ...], times: list[Token]) -> list[_Found]:
    """Give the laps of a line with several times, where it is clear what belongs to which."""
    if any(w.word is not Word.TIME and not is_number(w) and not is_known(w) for w in words):
        return [_Found(words, fault="has words among several lap times; write one lap a line")]
    if len({word.time.count(":") for word in times}) > 1:
        message = "has times of several kinds, with and without minutes or hours; keep the laps"
        return [_Found(words, fault=message)]
    groups = _groups(words, times)
    if groups is None:
        message = "does not show which number or word belongs to which time; write one lap a line"
        return [_Found(words, fault=message)]
    return [_one_lap(group, next(w for w in group if w.word is Word.TIME)) for group in groups]


def _groups(words: Sequence[Token], times: list[Token]) -> list[tuple[Token, ...]] | None:
    """Cut a line before each number or mark, or behind each; None where neither fits."""
    numbers = [word for word in words if is_number(word)]
    if numbers and len(numbers) != len(times):
        return None
    place = {id(word): at for at, word in enumerate(words)}
    at_times = {place[id(time)] for time in times}
    at_numbers = {place[id(number)] for number in numbers}
    marked = numbers or [word for word in words if mark_of(word)]
    ends_in_time, starts_in_time = words[-1].word is Word.TIME, words[0].word is Word.TIME
    if marked and ends_in_time and starts_in_time:
        return None
    if marked and ends_in_time:  # what is said stands before its time
        return _cut(words, times, at_numbers or at_times, from_here=bool(numbers))
    if not marked or starts_in_time:
        return _cut(words, times, at_times, from_here=True)
    return _cut(words, times, at_numbers, from_here=True) if numbers else None


def _cut(
    words: Sequence[Token], times: list[Token], marks: set[int], *, from_here: bool
) -> list[tuple[Token, ...]] | None:
    """Cut before each marked place (`from_here`) or behind it; each piece needs one time."""
    edges = sorted({0, len(words)} | {at if from_here else at + 1 for at in marks})
    if from_here and len(edges) > len(times) + 1:  # marks ahead of the first number
        edges.remove(min(at for at in edges if at))
    pieces = [tuple(words[low:high]) for low, high in pairwise(edges)]
    fits = all(sum(word.word is Word.TIME for word in piece) == 1 for piece in pieces)
    return pieces if fits else None


def _with_kind(lap: _Found, beside: Sequence[Token], note: Sequence[Token]) -> _Found:
    words = [word for word in beside if is_note(word)]
    marks = {mark_of(word): None for word in words if mark_of(word)}
    told = [word for word in words if not is_known(word)]
    if len(marks) > 1 and not told:
        return replace(lap, fault=f"has two kinds of lap: {', '.join(map(str, marks))}; keep one")
    if told:
        kept = tuple(w for w in note if is_note(w) or is_number(w) or w.word is Word.DATE)
        asked = next(iter(marks), None)
        question = (
            f"the note speaks of {asked}: set the kind of lap if it is one" if asked else None
        )
        return replace(lap, note=kept, question=question)
    return replace(lap, kind=next(iter(marks), None) or "timed")


def _settle_seconds(found: list[_Found]) -> list[_Found]:
    """Refuse `1 46.308` where 1 could be minutes: lap numbers count on from line to line."""
    open_to_both = [lap for lap in found if _could_be_minutes(lap)]
    numbers = [lap.number.number for lap in open_to_both if lap.number]
    counts_on = len(numbers) > 1 and all(b == a + 1 for a, b in pairwise(numbers))
    if counts_on or not open_to_both:
        return found
    return [replace(lap, fault=_two_ways(lap)) if lap in open_to_both else lap for lap in found]


def _could_be_minutes(lap: _Found) -> bool:
    if lap.fault or lap.time is None or lap.number is None or lap.time.form:
        return False
    whole = lap.time.time.partition(".")[0]
    before = lap.number.end <= lap.time.start and lap.number.word is Word.NUMBER
    return before and len(whole) == 2 and int(whole) < 60 and lap.number.number < 60


def _two_ways(lap: _Found) -> str:
    number = lap.number.number if lap.number else 0
    time = lap.time.time if lap.time else ""
    return (
        f'could be lap {number} in {time} s or {number} min {time} s; write "L{number} {time}" or '
        f'"{number}:{time}"'
    )


def _pasted(text: str, at: int, line: int, lap: _Found, counted: int | None) -> PastedLap:
    start, end = lap.words[0].start, lap.words[-1].end
    number = lap.number.number if lap.number else counted
    time, fault = None, lap.fault
    try:
        if lap.time is not None and not fault:
            read_value("lap_time", lap.time.time)
            time = parse_lap_time(lap.time.time)
    except BadValue as bad:
        fault = f'"{lap.time.text if lap.time else ""}" {bad}'
    if fault is None and number is None:
        fault = "has no lap number where other laps have one; give all of them one, or none"
    if fault is None:
        fault = _number_fault(number)
    question = lap.question
    if time is not None and time > LONG_LAP_S and question is None:
        question = "is longer than half an hour: is it a time of day?"
    note = text[lap.note[0].start : lap.note[-1].end] if lap.note else ""
    return PastedLap(
        position=at,
        line=line,
        start=start,
        end=end,
        text=text[start:end],
        lap=number,
        time_s=None if fault else time,
        kind=lap.kind,
        note=re.sub(r"\s+", " ", note),
        fault=fault,
        question=question,
    )


def _number_fault(number: int | None) -> str | None:
    try:
        read_value("lap", str(number))
    except BadValue as bad:
        return f"lap number {number} {bad}"
    return None


def _each_number_once(laps: list[PastedLap]) -> Iterator[PastedLap]:
    """Refuse a lap number that stands twice."""
    seen: dict[int, int] = {}
    for lap in laps:
        if lap.fault is None and lap.lap is not None:
            first = seen.setdefault(lap.lap, lap.position)
            if first != lap.position:
                message = (
                    f"has lap number {lap.lap}, as line {laps[first - 1].line} has; change one"
                )
                yield replace(lap, time_s=None, fault=message)
                continue
        yield lap
