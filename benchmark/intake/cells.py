"""One cell of a lap table: its text read in Python, and the same rule as an SQL expression.

SQL reads a million rows; Python reads what SQL refused, to say in words what is wrong with it, and
the single values that people give on the command line. Both come from the same `Column` and the
same patterns, and a property test holds them together.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import TypeAlias

from benchmark.errors import BadValue
from benchmark.intake.columns import BY_NAME, Column, Kind
from benchmark.trade.timing import parse_lap_time

Value: TypeAlias = str | int | float | Decimal | date | None

BLANKS = (
    " \t\r\n\u00a0\u2007\u202f\u3000\ufeff"  # what a spreadsheet or web page leaves around text
)
# Control characters, and marks that nobody sees: they would turn a name round or hide a second one.
INVISIBLE = "\u00ad\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff"
CONTROL = rf"[\x00-\x1f\x7f-\x9f{INVISIBLE}]"
# A number kept as floating point in Parquet, or by a spreadsheet, writes 3 as 3.0.
WHOLE = r"[+]?[0-9]{1,9}([.,]0*)?"
QUANTITY = r"[+-]?([0-9]{1,12}([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,2})?"
# Parquet writes a day kept as a timestamp as midnight of that day.
DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}([ T]00:00:00([.]0*)?)?"
CLOCK = r"([01]?[0-9]|2[0-3]):[0-5][0-9](:00([.]0*)?)?"
LAP_TIME = r"([0-9]{1,9}:([0-5][0-9]:)?[0-5][0-9]|[0-9]{1,9})([.,][0-9]*)?"
PLAIN_LAP_TIME = r"[0-9]:[0-5][0-9][.][0-9]{1,4}"
ROUNDED = r"[.,][0-9]{4}[0-9]*[1-9]"

OTHER_DATE = r"[0-9]{1,4}[ ./-]+[0-9]{1,2}[ ./-]+[0-9]{1,4}"  # a day as some country writes it
DOTTED_MINUTES = r"([1-4])[.,]([0-5][0-9])([0-9]*)"  # 1.46 may be meant as 1 min 46 s

FIRST_DAY = date(1900, 1, 1)
# Which of two numbers is the day is asked once for a table, and never guessed.
DATE_WAY_ON = (
    ", or say once how this table writes its dates: a mapping with date_format, by `benchmark "
    'import --mapping` or the tab "A foreign sheet"'
)
DAYS_AHEAD = 366  # an entry sheet may be dated ahead; a year ahead is a slip


def last_day() -> date:
    """Give the last date that is believed: a year from today."""
    return date.today() + timedelta(days=DAYS_AHEAD)  # of the user's calendar


def clean(text: str) -> str:
    """Trim blanks and write accents in one way (NFC), so that names compare by what is seen."""
    return unicodedata.normalize("NFC", text).strip(BLANKS)


def read_value(column: str, text: str) -> Value:
    """Read one cell as the lap table's rules say.

    Parameters
    ----------
    column : a column of the contract.
    text : what the cell holds; an empty one gives the default, or None where it is not recorded.

    Raises
    ------
    BadValue
        The cell cannot be taken; the message says what is wrong and what to write.
    """
    what = BY_NAME[column]
    text = clean(text)
    if text:
        return READERS[what.kind](what, text)
    if what.needed:
        raise BadValue(f"is empty; every lap needs a {what.noun}")
    return None if what.default is None else READERS[what.kind](what, what.default)


def _read_text(column: Column, text: str) -> str:
    if re.search(CONTROL, text):
        raise BadValue("holds a line break, a tab or another control character; remove it")
    if len(text) > column.high:
        raise BadValue(f"has {len(text)} characters; shorten it to {column.high:g}")
    return text


def _read_choice(column: Column, text: str) -> str:
    if text.lower() not in column.choices:
        raise BadValue(f"is not a {column.noun}; use {_listed(column.choices)}")
    return text.lower()


def _read_level(column: Column, text: str) -> int:
    if not re.fullmatch(WHOLE, text) or _whole(text) > column.high:
        raise BadValue(f"is not a level; use {_listed(column.choices)}")
    return _whole(text)


def _read_whole(column: Column, text: str) -> int:
    if not re.fullmatch(WHOLE, text):
        way_on = f"write a whole number, {_bounds(column)}{_or_empty(column)}"
        raise BadValue(f"is not a {column.noun}; {way_on}")
    _check_range(column, _whole(text))
    return _whole(text)


def _read_quantity(column: Column, text: str) -> float:
    if not re.fullmatch(QUANTITY, text):
        raise BadValue(
            f"is not a number; write the {column.noun} in {column.unit}, or leave it empty"
        )
    value = float(text.replace(",", "."))
    _check_range(column, value)
    return value + 0.0  # -0 is 0


def _read_date(_: Column, text: str) -> date:
    if not re.fullmatch(DATE, text):
        way_on = DATE_WAY_ON if re.fullmatch(OTHER_DATE, text) else ""
        raise BadValue(f"is not an ISO 8601 date; write YYYY-MM-DD, such as 2025-04-12{way_on}")
    try:
        day = date.fromisoformat(text[:10])
    except ValueError:
        raise BadValue("is no day of the calendar; correct it") from None
    if day < FIRST_DAY:
        raise BadValue(f"is before {FIRST_DAY}; correct it")
    if day > last_day():
        raise BadValue("is more than a year ahead; correct it")
    return day


def _read_clock(_: Column, text: str) -> str:
    if not re.fullmatch(CLOCK, text):
        raise BadValue("is not a time of day; write HH:MM, such as 09:30, or leave it empty")
    hours, minutes = text.split(":")[:2]
    return f"{int(hours):02d}:{minutes}"


def _read_lap_time(column: Column, text: str) -> Decimal:
    seconds = parse_lap_time(text)
    meant = re.fullmatch(DOTTED_MINUTES, text)
    if seconds < column.low and meant:
        minutes, whole, more = meant.groups()
        way_on = f"write {minutes}:{whole}.{more:0<3} if it is {minutes} min {whole}"
        way_on += f".{more} s" if more else " s"
        raise BadValue(f"is outside {_bounds(column)} s; {way_on}")
    _check_range(column, seconds)
    return seconds


READERS: dict[Kind, Callable[[Column, str], Value]] = {
    Kind.TEXT: _read_text,
    Kind.CHOICE: _read_choice,
    Kind.LEVEL: _read_level,
    Kind.WHOLE: _read_whole,
    Kind.QUANTITY: _read_quantity,
    Kind.DATE: _read_date,
    Kind.CLOCK: _read_clock,
    Kind.LAP_TIME: _read_lap_time,
}


def _whole(text: str) -> int:
    return int(re.split("[.,]", text)[0])


def _check_range(column: Column, value: float | Decimal) -> None:
    if not column.low <= value <= column.high:
        unit = f" {column.unit}" if column.unit else ""
        raise BadValue(f"is outside {_bounds(column)}{unit}; correct it{_or_empty(column)}")


def _bounds(column: Column) -> str:
    low, high = (f"{bound:f}".rstrip("0").rstrip(".") for bound in (column.low, column.high))
    return f"{low} to {high}"


def _or_empty(column: Column) -> str:
    return "" if column.needed else ", or leave it empty"


def _listed(choices: tuple[str, ...]) -> str:
    return f"{', '.join(choices[:-1])} or {choices[-1]}"


def clean_sql(cell: str) -> str:
    """Write SQL that does to a raw cell what `clean` does; NULL where nothing is left."""
    blanks = f"({' || '.join(f'chr({ord(blank)})' for blank in BLANKS)})"
    # Trimming a set of characters took 33 s for a million rows; most cells need nothing.
    plain = f"strlen({cell}) = length({cell}) and {cell} >= '!' and right({cell}, 1) >= '!'"
    trimmed = f"nullif(trim(nfc_normalize({cell}), {blanks}), '')"
    return f"case when {plain} then {cell} else {trimmed} end"


def typed_sql(column: Column) -> str:
    """Write SQL that reads a trimmed cell of this column; NULL where the cell cannot be taken."""
    return SQL_READERS[column.kind](column)


def rounded_sql(cell: str) -> str:
    """Write SQL that says of a trimmed lap time whether it is rounded when it is read."""
    few_decimals = f"contains(right({cell}, 5), '.')"  # true of nearly all, and soon seen
    return f"case when {few_decimals} then false else regexp_matches({cell}, '{ROUNDED}') end"


def _in_range(column: Column, value: str) -> str:
    return f"case when {value} between {column.low!r} and {column.high!r} then {value} end"


def _text_sql(column: Column) -> str:
    name = column.name
    fine = f"length({name}) <= {column.high:g} and not regexp_matches({name}, '{CONTROL}')"
    return f"case when {fine} then {name} end"


def _choice_sql(column: Column) -> str:
    # A list behind "in" would become a join, and rows leave a join in any order.
    choices = " ".join(f"when '{choice}' then '{choice}'" for choice in column.choices)
    return f"case lower({column.name}) {choices} end"


def _whole_sql(column: Column) -> str:
    digits = f"regexp_extract({column.name}, '[0-9]+')"
    fine = f"regexp_full_match({column.name}, '{WHOLE}')"
    return _in_range(column, f"cast(case when {fine} then {digits} end as integer)")


def _quantity_sql(column: Column) -> str:
    number = f"ltrim(replace({column.name}, ',', '.'), '+')"
    fine = f"regexp_full_match({column.name}, '{QUANTITY}')"
    return _in_range(column, f"(try_cast(case when {fine} then {number} end as double) + 0.0)")


def _date_sql(column: Column) -> str:
    fine = f"regexp_full_match({column.name}, '{DATE}')"
    day = f"case when {fine} then left({column.name}, 10) end"
    believed = f"between date '{FIRST_DAY}' and date '{last_day()}'"
    read = f"cast(try_strptime({day}, '%Y-%m-%d') as date)"
    return f"case when {read} {believed} then {read} end"


def _clock_sql(column: Column) -> str:
    fine = f"regexp_full_match({column.name}, '{CLOCK}')"
    hours_minutes = f"regexp_extract({column.name}, '^[0-9]+:[0-9]+')"
    return f"case when {fine} then lpad({hours_minutes}, 5, '0') end"


def _lap_time_sql(column: Column) -> str:
    text = column.name
    fine = f"regexp_full_match({text}, '{LAP_TIME}')"
    # Places are counted from the right: seconds, minutes, hours.
    parts = f"string_split(replace(case when {fine} then {text} end, ',', '.'), ':')"
    seconds = f"try_cast({parts}[-1] as decimal(18, 4))"
    minutes = f"coalesce(try_cast({parts}[-2] as bigint), 0)"
    hours = f"coalesce(try_cast({parts}[-3] as bigint), 0)"
    total = f"({hours} * 3600 + {minutes} * 60 + {seconds})"
    # Nearly all laps are written so, and reading them so takes half the time.
    plain = f"regexp_full_match({text}, '{PLAIN_LAP_TIME}')"
    plain_minutes = f"try_cast(left({text}, 1) as integer)"
    plain_seconds = f"try_cast(substr({text}, 3) as decimal(9, 4))"
    plain_total = f"({plain_minutes} * 60 + {plain_seconds})"
    read = f"case when {plain} then {plain_total} else {total} end"
    return f"cast({_in_range(column, f'({read})')} as decimal(9, 4))"


SQL_READERS: dict[Kind, Callable[[Column], str]] = {
    Kind.TEXT: _text_sql,
    Kind.CHOICE: _choice_sql,
    Kind.LEVEL: _whole_sql,
    Kind.WHOLE: _whole_sql,
    Kind.QUANTITY: _quantity_sql,
    Kind.DATE: _date_sql,
    Kind.CLOCK: _clock_sql,
    Kind.LAP_TIME: _lap_time_sql,
}
