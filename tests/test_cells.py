"""One cell: what is taken, what is said of what is not, and that SQL and Python agree."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.intake.cells import DATE_WAY_ON, Value, clean_sql, read_value, typed_sql
from benchmark.intake.columns import BY_NAME

ONE_OF_EACH_KIND = (
    "circuit",
    "tyre_category",
    "mod_engine",
    "treadwear",
    "air_temp_c",
    "date",
    "start_time",
    "lap_time",
)


@pytest.mark.parametrize(
    ("column", "text", "value"),
    [
        ("circuit", "  Quillmoor\u00a0", "Quillmoor"),
        ("driver", "Rene\u0301e", "Ren\u00e9e"),
        ("layout", "", "full"),
        ("tyre_category", "Track-Day", "track-day"),
        ("surface", "", "dry"),
        ("lap_kind", "", "timed"),
        ("run", "", 1),
        ("mod_aero", "2", 2),
        ("mod_aero", "", None),
        ("treadwear", "200.0", 200),
        ("treadwear", "", None),
        ("air_temp_c", "18,5", 18.5),
        ("air_temp_c", "-0", 0.0),
        ("air_temp_c", "+5", 5.0),
        ("timing_u_s", "2e-3", 0.002),
        ("date", "2024-02-29", date(2024, 2, 29)),
        ("date", "2025-04-12 00:00:00", date(2025, 4, 12)),
        ("start_time", "9:30", "09:30"),
        ("start_time", "09:30:00", "09:30"),
        ("lap_time", "1:02.345", Decimal("62.3450")),
        ("lap_time", "1:00:02,3456", Decimal("3602.3456")),
        ("lap_time", "62", Decimal("62.0000")),
    ],
)
def test_a_cell_is_read(column: str, text: str, value: Value) -> None:
    assert read_value(column, text) == value
    assert repr(read_value(column, text)) == repr(value)


@pytest.mark.parametrize(
    ("column", "text", "message"),
    [
        ("circuit", " ", "is empty; every lap needs a circuit"),
        ("lap_time", "", "is empty; every lap needs a lap time"),
        ("build", "x" * 201, "has 201 characters; shorten it to 200"),
        (
            "driver",
            "A.\nMarsh",
            "holds a line break, a tab or another control character; remove it",
        ),
        (
            "tyre_category",
            "semi slick",
            "is not a category; use touring, sport, track-day, semi-slick, slick or wet",
        ),
        ("surface", "moist", "is not a surface; use dry, damp or wet"),
        ("induction", "turbo", "is not a kind of induction; use natural or boosted"),
        (
            "driver_level",
            "pro",
            "is not a driver level; use novice, club, expert or professional",
        ),
        (
            "lap_kind",
            "fast",
            "is not a kind of lap; use timed, out, in, slow, baulked, off or neutralised",
        ),
        (
            "timing",
            "phone",
            "is not a timing method; use transponder, beam, gps, video or stopwatch",
        ),
        ("mod_engine", "4", "is not a level; use 0, 1, 2 or 3"),
        ("mod_engine", "-1", "is not a level; use 0, 1, 2 or 3"),
        ("mod_engine", "1.5", "is not a level; use 0, 1, 2 or 3"),
        ("lap", "0", "is outside 1 to 9999; correct it"),
        ("lap", "two", "is not a lap number; write a whole number, 1 to 9999"),
        ("run", "1e3", "is not a run number; write a whole number, 1 to 999, or leave it empty"),
        (
            "treadwear",
            "0x10",
            "is not a treadwear grade; write a whole number, 1 to 1000, or leave it empty",
        ),
        ("tyre_heat_cycles", "501", "is outside 0 to 500; correct it, or leave it empty"),
        ("air_temp_c", "64.4", "is outside -30 to 60 °C; correct it, or leave it empty"),
        (
            "track_temp_c",
            "NaN",
            "is not a number; write the track temperature in °C, or leave it empty",
        ),
        (
            "pressure_hpa",
            "1e400",
            "is not a number; write the station pressure in hPa, or leave it empty",
        ),
        ("pressure_hpa", "29.92", "is outside 500 to 1100 hPa; correct it, or leave it empty"),
        ("humidity_pct", "101", "is outside 0 to 100 %; correct it, or leave it empty"),
        ("wind_mps", "-1", "is outside 0 to 60 m/s; correct it, or leave it empty"),
        ("wind_mps", "inf", "is not a number; write the wind speed in m/s, or leave it empty"),
        ("altitude_m", "5001", "is outside -430 to 5000 m; correct it, or leave it empty"),
        ("timing_u_s", "0", "is outside 0.000001 to 10 s; correct it, or leave it empty"),
        (
            "date",
            "12/04/2025",
            f"is not an ISO 8601 date; write YYYY-MM-DD, such as 2025-04-12{DATE_WAY_ON}",
        ),
        (
            "date",
            "2025-4-12",
            f"is not an ISO 8601 date; write YYYY-MM-DD, such as 2025-04-12{DATE_WAY_ON}",
        ),
        ("date", "soon", "is not an ISO 8601 date; write YYYY-MM-DD, such as 2025-04-12"),
        ("date", "2025-02-29", "is no day of the calendar; correct it"),
        ("date", "1025-04-12", "is before 1900-01-01; correct it"),
        ("date", "9999-12-31", "is more than a year ahead; correct it"),
        (
            "start_time",
            "9.30",
            "is not a time of day; write HH:MM, such as 09:30, or leave it empty",
        ),
        (
            "start_time",
            "24:00",
            "is not a time of day; write HH:MM, such as 09:30, or leave it empty",
        ),
        ("lap_time", "1:62.300", "has 62 seconds; write 2:02.300 or correct it"),
        ("lap_time", "fast", "is not a lap time; write m:ss.sss, h:mm:ss.sss or seconds"),
        ("lap_time", "-62.3", "is negative; a lap time is above zero"),
        (
            "lap_time",
            "1.46",
            "is outside 5 to 86400 s; write 1:46.000 if it is 1 min 46 s",
        ),
        (
            "lap_time",
            "1,46308",
            "is outside 5 to 86400 s; write 1:46.308 if it is 1 min 46.308 s",
        ),
        ("lap_time", "1.62", "is outside 5 to 86400 s; correct it"),
        ("lap_time", "4.9999", "is outside 5 to 86400 s; correct it"),
        ("lap_time", "25:00:00", "is longer than a day; a lap is not"),
    ],
)
def test_what_is_wrong_with_a_cell_is_said_whole(column: str, text: str, message: str) -> None:
    with pytest.raises(BadValue) as bad:
        read_value(column, text)
    assert str(bad.value) == message
    assert sql_value(column, text) is None


def test_a_date_is_believed_up_to_a_year_ahead() -> None:
    ahead = date.today() + timedelta(days=366)
    assert read_value("date", ahead.isoformat()) == ahead
    with pytest.raises(BadValue, match="more than a year ahead"):
        read_value("date", (ahead + timedelta(days=1)).isoformat())


DIGITS = st.integers(0, 99_999).map(str)
CLOCKS = st.from_regex(r"[0-9]{1,2}(:[0-9]{1,2}){1,2}([.,][0-9]{0,6})?", fullmatch=True)
DATES = st.from_regex(r"(19|20)[0-9]{2}-[01][0-9]-[0-3][0-9]([ T]00:00:00)?", fullmatch=True)
NUMBERS = st.from_regex(r"[-+]?[0-9]{0,4}[.,]?[0-9]{0,5}([eE][-+]?[0-9]{1,2})?", fullmatch=True)
WORDS = st.sampled_from(["dry", "Slick", " track-day ", "semi slick", "3", "03", "1.0", "1.", "٣"])
MESS = st.text("0123456789:.,-+eETaé\u0301\u00a0\t\n \x00\x85", max_size=8)


@pytest.mark.parametrize("column", ONE_OF_EACH_KIND)
@given(text=st.one_of(DIGITS, CLOCKS, DATES, NUMBERS, WORDS, MESS))
@settings(max_examples=60, deadline=None)
def test_sql_reads_a_cell_as_python_does(column: str, text: str) -> None:
    text = text.replace("\0", "")  # a file with one is refused as a whole
    try:
        expected = read_value(column, text)
    except BadValue:
        expected = None
    assert sql_value(column, text) == expected


def sql_value(column: str, text: str) -> Value:
    """Read the cell as `read_lap_table` does; each test process has one connection for it."""
    what = BY_NAME[column]
    query = f"""
        with cleaned as (select {clean_sql("cell")} as {column} from (select ? as cell)),
        given as (select coalesce({column}, ?) as {column} from cleaned)
        select {typed_sql(what)} from given
        """
    value: Value = CONNECTION.execute(query, [text, what.default]).fetchall()[0][0]
    return value


CONNECTION = duckdb.connect()
