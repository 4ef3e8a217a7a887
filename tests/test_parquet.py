"""Lap tables in Parquet: values of their own types, and files that are not what they should be."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pyarrow as pa

from benchmark.intake.laptable import read_lap_table
from tests.lap_files import laps_of, parquet, told


def test_parquet_may_hold_numbers_and_dates_as_its_own_types(tmp_path: Path) -> None:
    path = parquet(
        tmp_path,
        date=pa.array([datetime(2025, 4, 12)], pa.timestamp("us")),
        lap=[3.0],
        lap_time=[62.3456],
        treadwear=pa.array([200], pa.int16()),
        air_temp_c=pa.array([18.3], pa.float32()),
        humidity_pct=pa.array([None], pa.float64()),
        surface=pa.array(["wet"]).dictionary_encode(),
    )
    [row] = laps_of(read_lap_table(path)).to_dict("records")
    assert (row["date"], row["lap"]) == (date(2025, 4, 12), 3)
    assert (row["lap_time_s"], row["treadwear"]) == (Decimal("62.3456"), 200)
    assert (row["air_temp_c"], row["surface"]) == (18.3, "wet")
    assert pd.isna(row["humidity_pct"])


def test_parquet_is_known_by_what_it_holds_and_not_by_its_name(tmp_path: Path) -> None:
    path = parquet(tmp_path).rename(tmp_path / "spring.csv")
    assert len(laps_of(read_lap_table(path))) == 1


def test_a_number_that_is_none_in_parquet_is_a_fault(tmp_path: Path) -> None:
    path = parquet(tmp_path, air_temp_c=[float("nan")])
    assert told(read_lap_table(path)) == [
        'spring.parquet, row 1, air_temp_c, "nan": is not a number; '
        "write the air temperature in °C, or leave it empty"
    ]


def test_a_nested_parquet_column_is_refused(tmp_path: Path) -> None:
    path = parquet(tmp_path, lap_time=[[62.3]])
    assert told(read_lap_table(path)) == [
        'spring.parquet, row -, lap_time, "lap_time": '
        "holds DOUBLE[] values; write one plain value a row"
    ]


def test_a_damaged_parquet_file_is_refused(tmp_path: Path) -> None:
    path = parquet(tmp_path)
    path.write_bytes(path.read_bytes()[:-20])
    [fault] = read_lap_table(path).faults
    assert str(fault).startswith('spring.parquet, row -, -, "": cannot be read: ')
