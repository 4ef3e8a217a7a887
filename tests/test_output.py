"""JSON, CSV and tables: strict, rounded, and text of users kept as it is."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import date
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from benchmark.show.output import (
    Column,
    Format,
    plain,
    print_frame,
    records,
    to_json,
    to_spreadsheet_csv,
)

FRAME = pd.DataFrame(
    {
        "build": ["[bold]Wren[/bold]", 'Šára "1", s'],
        "best_s": [0.1 + 0.2, np.nan],
        "laps": pd.array([3, None], dtype="Int64"),
    }
)
BASIS = {"reference": {"air_temp_c": 20.0, "pressure_hpa": np.nan}, "fit": "f1", "mode": "full"}


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (np.float64(1.234567), 1.2346),
        (Decimal("90.5000"), 90.5),
        (np.nan, None),
        (np.inf, None),
        (pd.NA, None),
        (pd.NaT, None),
        (None, None),
        (np.int32(4), 4),
        (np.True_, True),
        (-0.00001, 0.0),
        (date(2025, 5, 1), "2025-05-01"),
        (pd.Timestamp("2025-05-01"), "2025-05-01"),
        ({"a": [np.float64(0.12344), np.nan]}, {"a": [0.1234, None]}),
    ],
)
def test_a_value_becomes_what_json_knows(value, wanted):
    assert plain(value) == wanted
    assert type(plain(value)) is type(wanted)


def test_each_object_carries_its_basis():
    first = records(FRAME, BASIS)[0]
    assert first == {
        "build": "[bold]Wren[/bold]",
        "best_s": 0.3,
        "laps": 3,
        "reference": {"air_temp_c": 20.0, "pressure_hpa": None},
        "fit": "f1",
        "mode": "full",
    }


def test_json_is_strict_and_keeps_accents(capsys):
    print_frame(FRAME, Format.JSON, BASIS, [])
    out = capsys.readouterr().out
    assert "NaN" not in out
    assert "Šára" in out
    assert [row["best_s"] for row in json.loads(out)] == [0.3, None]


def test_an_empty_answer_is_an_empty_array(capsys):
    print_frame(FRAME.head(0), Format.JSON, BASIS, [])
    assert capsys.readouterr().out == "[]\n"


def test_one_answer_is_one_object():
    assert json.loads(to_json(plain({"lap_s": np.float64(83.45678)}))) == {"lap_s": 83.4568}


def test_csv_has_a_header_raw_text_and_empty_cells_for_missing(capsys):
    print_frame(FRAME, Format.CSV, BASIS, [])
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["build"] for row in rows] == list(FRAME["build"])
    assert (rows[1]["best_s"], rows[1]["laps"]) == ("", "")
    assert json.loads(rows[0]["reference"]) == {"air_temp_c": 20.0, "pressure_hpa": None}


def test_an_empty_csv_still_has_its_header(capsys):
    print_frame(FRAME.head(0), Format.CSV, {"fit": "f1"}, [])
    assert capsys.readouterr().out == "build,best_s,laps,fit\n"


def test_a_table_shows_markup_in_a_name_as_it_is(capsys):
    print_frame(FRAME, Format.TABLE, {}, [Column("Build", list(FRAME["build"]))])
    out = capsys.readouterr().out
    assert "[bold]Wren[/bold]" in out
    assert 'Šára "1", s' in out


def test_a_piped_table_is_never_cut(capsys):
    print_frame(
        FRAME, Format.TABLE, {}, [Column("Long", ["x" * 150, "y"]), Column("B", ["1", "2"])]
    )
    assert "x" * 150 in capsys.readouterr().out


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\uff1d", "\uff0d"])
def test_a_download_runs_no_formula(start):
    row = {"build": f"{start}HYPERLINK(1)", "gain_s": -0.5}
    assert to_spreadsheet_csv([row], ["build", "gain_s"]).splitlines()[1] == (
        f"'{start}HYPERLINK(1),-0.5"
    )


@pytest.mark.parametrize("inner", ["Wren;=1+1", "Wren; @SUM(1)", "Wren,\t+1"])
def test_a_semicolon_inside_a_name_begins_no_formula(inner):
    text = to_spreadsheet_csv([{"build": inner}], ["build"])
    assert not re.search(r"[;,]\s*[=+@]", text)


def test_a_download_leaves_numbers_and_lists_as_they_are():
    row = {"gain_s": -0.5, "parts": [-1, -2]}
    assert to_spreadsheet_csv([row], list(row)).splitlines()[1] == '-0.5,"[-1, -2]"'
