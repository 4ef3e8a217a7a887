"""Hourly weather of a day to come."""

import pytest

from benchmark.errors import FaultyFile
from benchmark.intake.hours import read_hours


def written(folder, text):
    path = folder / "hours.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_hours_keep_their_order_and_what_is_not_given_stays_unknown(tmp_path):
    text = "time;air_temp_c;humidity_pct;sky\n09:00;11,5;80;clear\n10:00;14;;\n"
    hours = read_hours(written(tmp_path, text))
    assert [hour.time for hour in hours] == ["09:00", "10:00"]
    assert hours[0].conditions.air_temp_c == 11.5
    assert hours[1].conditions.humidity_pct is None
    assert hours[1].conditions.pressure_hpa is None
    assert hours[1].conditions.surface == "dry"


@pytest.mark.parametrize(
    ("row", "column", "value"),
    [
        ("9 o'clock,12", "time", "9 o'clock"),
        ("10:00,warm", "air_temp_c", "warm"),
        ("10:00,99", "air_temp_c", "99"),
        (",12", "time", ""),
        ("09:00,12", "time", "09:00"),
    ],
)
def test_a_fault_names_row_column_and_value(tmp_path, row, column, value):
    with pytest.raises(FaultyFile) as caught:
        read_hours(written(tmp_path, f"time,air_temp_c\n09:00,11\n{row}\n"))
    fault = caught.value.faults[0]
    assert (fault.file, fault.row, fault.column, fault.value) == ("hours.csv", 2, column, value)
