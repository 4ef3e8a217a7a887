"""The words of pasted lap times: what each is by itself, before its line gives it a meaning.

Text is first written plainly, one character for one, so that every word keeps its place in what
was pasted. The forms of a lap time are those of watches and timing sheets: common practice, no
published source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from benchmark.errors import BadValue
from benchmark.trade.timing import parse_lap_time

PRIMES = dict.fromkeys("\u2019\u2018\u2032\u00b4`\u02bc\uff07", "'") | dict.fromkeys(
    "\u201d\u201c\u2033\uff02", '"'
)
LINE_ENDS = "\n\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029"
FULL_WIDTH = range(0xFF01, 0xFF5F)
TO_ASCII = 0xFEE0  # how far the full-width forms stand from the plain ones


# What people write beside a lap, in the words of the lap table. Common practice, no published
# source.
MARKS = {
    **dict.fromkeys(("out", "outlap", "out-lap", "pitout", "pit-out"), "out"),
    **dict.fromkeys(("in", "inlap", "in-lap", "pitin", "pit-in"), "in"),
    **dict.fromkeys(("slow", "warm", "warm-up", "warmup", "warming", "cool", "cool-down"), "slow"),
    **dict.fromkeys(("cooldown", "cooling", "scrub", "scrubbing"), "slow"),
    **dict.fromkeys(("baulked", "blocked", "traffic", "held"), "baulked"),
    **dict.fromkeys(("off", "cut", "spin", "spun", "limits"), "off"),
    **dict.fromkeys(("neutralised", "neutralized", "yellow", "red", "fcy"), "neutralised"),
    **dict.fromkeys(("timed", "flying", "flyer", "hot"), "timed"),
}
FILLERS = frozenset(("lap", "laps", "flag", "up", "down", "time", "track", "l", "pit", "-", "=",
                     ":", "/", "\u2013", "\u2014", "*"))  # fmt: skip
EDGE = ".:;!\"'*=-\u2013\u2014"


class Word(StrEnum):
    """What a word can be by itself."""

    TIME = "time"
    NUMBER = "number"
    NAMED_NUMBER = "named number"
    UNCLEAR = "unclear"
    DATE = "date"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Token:
    """One word, its place in the pasted text, and its value where it is a time or a number.

    `text` is written plainly. `why` says why an unclear word is none of the others. `form` is the
    mark between minutes and seconds, empty where a time has seconds alone.
    """

    word: Word
    start: int
    end: int
    text: str
    time: str = ""
    number: int = 0
    why: str = ""
    form: str = ""


# A time ends where it ends: nothing that could be more of it may follow.
END = r"(?![A-Za-z0-9]|[:'\"][A-Za-z0-9]|\s?\.\s?[A-Za-z0-9]|,\d+[A-Za-z])"
LAP_WORD = r"(?:laps?(?:\s*(?:no|nr|number)\b)?|l|no|nr|runde|tour|vuelta|giro|\#)\s*[.\#]?\s*"
CLOCK = (
    r"(?P<h>(?:\d{1,9}:)?)(?P<m>\d{1,9}):(?P<s>\d{1,9})(?:[.,](?P<d>\d+)(?![\d:']))?(?:\s?s)?"
    rf"(?!:){END}"
)
PRIME = (
    r"(?P<pm>\d{1,3})'\s?(?P<ps>\d{1,2})(?:(?:\"|''|[.,])(?P<pd>\d+))?(?:\"|'')?(?:\s?s)?"
    rf"(?![\"':]){END}"
)
UNITS = (
    r"(?P<um>\d{1,2})\s?m(?:in(?:utes?)?)?\.?\s?(?P<us>\d{1,2})"
    rf"(?:(?:[.,]|s(?=\d))(?P<ud>\d+))?\s?(?:s(?:ec(?:onds?)?)?\.?)?{END}"
)
DOTTED = rf"(?P<om>\d{{1,2}})\.(?P<os>\d{{2}})[.,](?P<od>\d+)(?:\s?s)?(?![:'])(?!\.\d){END}"
SECONDS = rf"(?P<ss>\d{{1,9}})\.(?P<sd>\d+)(?:\s?s(?:ec(?:onds?)?)?\.?)?(?![:'])(?!\.\d){END}"
COMMA = rf"(?P<cs>\d{{1,9}}),(?P<cd>\d+)(?:\s?s(?:ec(?:onds?)?)?\.?)?(?![:'])(?![.,]\d){END}"
WHOLE = rf"(?P<ws>\d{{1,9}})\s?s(?:ec(?:onds?)?)?\.?{END}"

# The order decides: what stands first wins where two could match.
SHAPES = re.compile(
    rf"""
    (?P<date>(?:\d{{4}}-\d{{2}}-\d{{2}}|\d{{1,2}}[./-]\d{{1,2}}[./-](?:19|20)\d\d)(?![\d:]))
    | (?P<mixed>(?<![\w.,:]){LAP_WORD}\d{{1,6}}:\d{{2}}(?:[.,]\d+)?(?![\d:]))
    | (?P<named>(?<![\w.,:]){LAP_WORD}(?P<n>\d{{1,6}})(?:[:.)=-]*)(?=\s|[,;|)\]]|$|\d+[:'.]\d))
    | (?P<gap>(?<![^\s,;|(])[+\u2212-]\d[\d.,:'\"]*)
    | (?P<clock>{CLOCK}) | (?P<prime>{PRIME}) | (?P<units>{UNITS}) | (?P<dotted>{DOTTED})
    | (?P<listed>\d+(?:,\d+){{2,}}(?![\d:.'"]))
    | (?P<seconds>{SECONDS}) | (?P<comma>{COMMA}) | (?P<whole>{WHOLE})
    | (?P<number>\d{{1,6}}(?:st|nd|rd|th)?[.):]?(?=\s|[,;|)\]]|$))
    | (?P<note>[^\s,;|()\[\]]+)
    """,
    re.VERBOSE | re.IGNORECASE,
)
# A mark is looked for before the run of marks is read, each once: two runs side by side would be
# split up in every way, and a word of 100,000 dots take minutes.
LIKE_A_TIME = re.compile(r"\d(?=[^\w:.,'\"]*[:.,'\"])[^\w]+\w|\d{4}|[a-z]\d|\d[a-z]", re.IGNORECASE)
CLEARLY_A_TIME = re.compile(r"\d[:']\d")
PLAIN_COMMA = 20  # fewer whole seconds before a comma are a lap number as well: a choice of ours


def plainly(text: str) -> str:
    """Write text with plain digits, marks and blanks, one character for each.

    Digits of every script are plain ones, full-width forms are plain ones, what nobody sees is a
    blank, and every end of a line is the same.
    """
    return "".join(map(_plain, text))


def _plain(char: str) -> str:
    if char < "\x7f" and char.isprintable():
        return char
    if char in LINE_ENDS:
        return "\n"
    if char in PRIMES:
        return PRIMES[char]
    if ord(char) in FULL_WIDTH:
        return chr(ord(char) - TO_ASCII)
    digit = unicodedata.decimal(char, None)
    if digit is not None:
        return str(digit)
    return " " if char.isspace() or unicodedata.category(char) in ("Cc", "Cf", "Zs") else char


def words_of(line: str, start: int = 0) -> Iterator[Token]:
    """Split one line, already written plainly, into its words; `start` is its place in the text."""
    for match in SHAPES.finditer(line):
        yield _token(next(name for name in SHAPE_NAMES if match[name] is not None), match, start)


SHAPE_NAMES = ("date", "mixed", "named", "gap", "clock", "prime", "units", "dotted", "listed",
               "seconds", "comma", "whole", "number", "note")  # fmt: skip


def _token(shape: str, match: re.Match[str], start: int) -> Token:
    at, end = start + match.start(), start + match.end()
    text = match[0]
    if shape in ("named", "number"):
        word = Word.NAMED_NUMBER if shape == "named" else Word.NUMBER
        digits = match["n"] if shape == "named" else re.sub(r"\D", "", text)
        return Token(word, at, end, text, number=int(digits))
    if shape in ("date", "gap", "note"):
        return Token(Word.DATE if shape == "date" else Word.NOTE, at, end, text)
    if shape == "mixed":
        number, _, rest = re.sub(r"^\D+", "", text).partition(":")
        why = f'could be lap {number} in {rest} s or a lap of {number}:{rest}; write "L{number} '
        return Token(Word.UNCLEAR, at, end, text, why=f'{why}{rest}" or "{number}:{rest}"')
    if shape == "listed":
        why = "has commas that could be decimal or between values; put blanks between the laps"
        return Token(Word.UNCLEAR, at, end, text, why=why)
    minutes, seconds, decimals = _parts(shape, match)
    written = f"{minutes}:{seconds}" if minutes else seconds
    time = f"{written}.{decimals}" if decimals else written
    why = _unclear(shape, minutes, seconds, decimals)
    word = Word.UNCLEAR if why else Word.TIME
    return Token(word, at, end, text, time=time, why=why, form=shape if minutes else "")


PARTS = {
    "clock": ("m", "s", "d"),
    "prime": ("pm", "ps", "pd"),
    "units": ("um", "us", "ud"),
    "dotted": ("om", "os", "od"),
    "seconds": ("", "ss", "sd"),
    "comma": ("", "cs", "cd"),
    "whole": ("", "ws", ""),
}


def _parts(shape: str, match: re.Match[str]) -> tuple[str, str, str]:
    minutes, seconds, decimals = (match[name] or "" if name else "" for name in PARTS[shape])
    if shape == "clock":
        return f"{match['h']}{minutes}", seconds, decimals
    return minutes, seconds.zfill(2) if minutes else seconds, decimals


def _unclear(shape: str, minutes: str, seconds: str, decimals: str) -> str:
    """Say why a word that looks like a time could be two things; empty where it cannot."""
    if minutes or shape == "whole":
        return ""
    if shape == "comma" and int(seconds) < PLAIN_COMMA:
        return (
            f"could be {seconds}.{decimals} s or lap {seconds}; write {seconds}.{decimals} with a "
            "point, or a blank after the lap number"
        )
    if shape == "seconds" and len(decimals) == 2 and int(seconds) < 5 and int(decimals) < 60:
        return f"could be {seconds}.{decimals} s or {seconds} min {decimals} s; write " + (
            f"{seconds}:{decimals}"
        )
    return ""


def is_note(word: Token) -> bool:
    """Tell a word that is neither a time nor a number."""
    return word.word is Word.NOTE


def is_number(word: Token) -> bool:
    """Tell a word that may be a lap number."""
    return word.word in (Word.NUMBER, Word.NAMED_NUMBER)


def mark_of(word: Token) -> str | None:
    """Give the kind of lap that a word says, or None."""
    return MARKS.get(word.text.lower().strip(EDGE))


def is_known(word: Token) -> bool:
    """Tell a word that says the kind of lap, or says nothing."""
    plain = word.text.lower()
    bare = plain.strip(EDGE)
    return is_note(word) and (bare in MARKS or bare in FILLERS or plain in FILLERS or not bare)


def plain_time(text: str) -> str:
    """Write one lap time in any usual form as a lap table has it; what is none stays as it is.

    Raises
    ------
    BadValue
        It could be two; the message says what to write.
    """
    plain = plainly(text).strip()
    found = list(words_of(plain))
    if len(found) != 1:
        return text
    if found[0].why:
        raise BadValue(found[0].why)
    return found[0].time or text


def read_time(text: str) -> Decimal:
    """Read one lap time in any usual form, all of the text.

    Returns
    -------
    Decimal
        With four decimals. [s]

    Raises
    ------
    BadValue
        It is none, or could be two; the message says what to write.
    """
    return parse_lap_time(plain_time(text))
