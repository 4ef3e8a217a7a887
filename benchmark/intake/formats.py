"""Dates and times of day as foreign sheets write them, by a pattern such as DD.MM.YYYY HH:mm."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, time
from functools import lru_cache

from benchmark.errors import BadValue

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
# Each part of a pattern, longest first, with what it stands for. MM is the month, mm the minute.
PARTS = {
    "YYYY": ("year", r"\d{4}"),
    "MMM": ("month_name", r"[^\W\d_]{3,9}\.?"),
    "YY": ("short_year", r"\d{2}"),
    "MM": ("month", r"\d{1,2}"),
    "M": ("month", r"\d{1,2}"),
    "DD": ("day", r"\d{1,2}"),
    "D": ("day", r"\d{1,2}"),
    "HH": ("hour", r"\d{1,2}"),
    "H": ("hour", r"\d{1,2}"),
    "hh": ("hour_12", r"\d{1,2}"),
    "h": ("hour_12", r"\d{1,2}"),
    "mm": ("minute", r"\d{2}"),
    "ss": ("second", r"\d{2}(?:[.,]\d*)?"),
    "A": ("half", r"(?:am|pm|a\.m\.|p\.m\.)"),
}
PACKED = {"YYYYMMDD", "DDMMYYYY", "MMDDYYYY", "YYMMDD", "HHmm", "HHmmss"}
PIECES = re.compile("|".join(PARTS) + r"|[^A-Za-z]+|.", re.DOTALL)
FIRST_SHORT_YEAR = 1970  # 70 is 1970, 69 is 2069: as POSIX has it from 69 on, give or take one


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern that was read: the text it came from, and the expression it became."""

    text: str
    expression: re.Pattern[str]

    @property
    def parts(self) -> frozenset[str]:
        """What it tells: year, month, day, hour, minute and the like."""
        return frozenset(self.expression.groupindex)

    @property
    def has_date(self) -> bool:
        """Whether a day can be read of it."""
        year = {"year", "short_year"} & self.parts
        month = {"month", "month_name"} & self.parts
        return bool(year and month and "day" in self.parts)

    @property
    def has_time(self) -> bool:
        """Whether a time of day can be read of it."""
        full = "hour" in self.parts or {"hour_12", "half"} <= self.parts
        return full and "minute" in self.parts

    def date_in(self, text: str) -> str:
        """Read the day and write it as ISO 8601.

        Raises
        ------
        BadValue
            The text is no such day.
        """
        found = self._match(text)
        month = found["month"] if "month" in found else _month(found["month_name"])
        year = int(found.get("year") or 0) or _full_year(int(found["short_year"]))
        try:
            return date(year, int(month), int(found["day"])).isoformat()
        except ValueError:
            raise BadValue(f"is no day of the calendar, read as {self.text}; correct it") from None

    def time_in(self, text: str) -> str:
        """Read the time of day and write it as HH:MM; seconds are left out.

        Raises
        ------
        BadValue
            The text is no such time.
        """
        found = self._match(text)
        hour = int(found.get("hour") or found["hour_12"])
        if "hour" not in found:
            if not 1 <= hour <= 12:
                raise BadValue(f"is no time of day, read as {self.text}; correct it")
            hour = hour % 12 + (12 if found["half"].lower().startswith("p") else 0)
        try:
            return time(hour, int(found["minute"])).isoformat("minutes")
        except ValueError:
            raise BadValue(f"is no time of day, read as {self.text}; correct it") from None

    def _match(self, text: str) -> dict[str, str]:
        match = self.expression.fullmatch(text.strip())
        if match is None:
            key = "date_format" if self.has_date else "time_format"
            raise BadValue(f"does not look like {self.text}; correct it, or the mapping's {key}")
        return match.groupdict()


@lru_cache(maxsize=64)
def read_pattern(text: str) -> Pattern:
    """Read a pattern.

    Raises
    ------
    BadValue
        It has a letter that stands for nothing, a part twice, or two numbers without a mark between
        them that could be split in two ways.
    """
    seen: set[str] = set()
    expression = ""
    packed = text in PACKED
    was_number = False
    for piece in PIECES.findall(text):
        if piece not in PARTS:
            if piece.isalpha():
                raise BadValue(f'has "{piece}", which stands for nothing; use {", ".join(PARTS)}')
            expression += re.sub(r"(?:\\\s|\s)+", r"\\s+", re.escape(piece))
            was_number = False
            continue
        name, shape = PARTS[piece]
        if name in seen:
            raise BadValue(f"has {piece} twice; MM is the month, mm the minute")
        number = name not in ("month_name", "half")
        if was_number and number and not packed:
            raise BadValue("has two numbers side by side; use YYYYMMDD or put a mark between them")
        seen.add(name)
        digits = r"\d{" + str(len(piece)) + "}"
        expression += f"(?P<{name}>{digits if packed else shape})"
        was_number = number
    return Pattern(text, re.compile(expression, re.IGNORECASE | re.ASCII))


def _month(name: str) -> int:
    short = name.lower().rstrip(".")[:3]
    if short not in MONTHS:
        raise BadValue(f'has the month "{name}"; write its English name or its number')
    return MONTHS.index(short) + 1


def _full_year(short: int) -> int:
    return FIRST_SHORT_YEAR + (short - FIRST_SHORT_YEAR) % 100
