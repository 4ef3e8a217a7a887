"""Costs of steps, as people hand them in."""

from pathlib import Path

import pytest

from benchmark.errors import FaultyFile
from benchmark.intake.costs import read_costs

GOOD = """step,cost,currency
engine 0 to 1,450,EUR
engine 2,1200.50,EUR
tyre_category track-day to semi-slick,900,EUR
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "costs.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_step_costs_what_the_file_says(tmp_path):
    costs = read_costs(write(tmp_path, GOOD))
    assert costs.currency == "EUR"
    assert costs.of("engine", "0", "1") == 450
    assert costs.of("tyre_category", "track-day", "semi-slick") == 900


def test_two_steps_cost_the_sum_of_both(tmp_path):
    assert read_costs(write(tmp_path, GOOD)).of("engine", "0", "2") == 1650.5


def test_a_step_whose_part_is_not_given_has_no_cost(tmp_path):
    costs = read_costs(write(tmp_path, GOOD))
    assert costs.of("engine", "0", "3") is None
    assert costs.of("aero", "0", "1") is None


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        (
            "gearbox 1,10,EUR",
            'costs.csv, row 2, step, "gearbox 1": is of no area; use one of engine, drivetrain, '
            "suspension, aero, weight, brakes, tyre_category, driver_level",
        ),
        (
            "engine 4,10,EUR",
            'costs.csv, row 2, step, "engine 4": has an unknown level; engine goes 0, 1, 2, 3',
        ),
        (
            "engine 2 to 1,10,EUR",
            'costs.csv, row 2, step, "engine 2 to 1": does not go up; engine goes 0, 1, 2, 3',
        ),
        (
            "engine 2,cheap,EUR",
            'costs.csv, row 2, cost, "cheap": is not an amount; write a number such as 450 or '
            "450.50",
        ),
        (
            "engine 2,10,USD",
            'costs.csv, row 2, currency, "USD": is not EUR; one file has one currency',
        ),
        ("engine 1,10,EUR", 'costs.csv, row 2, step, "engine 1": stands twice; one row a step'),
        (
            "engine 2,10",
            'costs.csv, row 2, -, "engine 2,10": has 2 cells, the header has 3; correct the row',
        ),
    ],
)
def test_a_fault_names_file_row_column_and_value(tmp_path, row, fault):
    with pytest.raises(FaultyFile) as caught:
        read_costs(write(tmp_path, f"step,cost,currency\nengine 0 to 1,450,EUR\n{row}\n"))
    assert str(caught.value) == fault


def test_every_fault_of_the_file_is_told(tmp_path):
    with pytest.raises(FaultyFile) as caught:
        read_costs(write(tmp_path, "step,cost,currency\nengine 9,x,EUR\naero 1,-3,EUR\n"))
    assert [(fault.row, fault.column) for fault in caught.value.faults] == [
        (1, "step"),
        (1, "cost"),
        (2, "cost"),
    ]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", 'costs.csv, row -, -, "": is empty; write a header: step,cost,currency'),
        (
            "step,cost\nengine 1,3\n",
            'costs.csv, row -, currency, "": is missing from the header; add this column',
        ),
        ("step,cost,currency\n", 'costs.csv, row -, -, "": has a header but no record; add a row'),
    ],
)
def test_a_file_that_is_no_table_is_refused(tmp_path, text, fault):
    with pytest.raises(FaultyFile) as caught:
        read_costs(write(tmp_path, text))
    assert str(caught.value) == fault


def test_a_quotation_mark_that_is_never_closed_is_told(tmp_path):
    endless = 'step,cost,currency\nengine 1,3,"EUR\n' + "engine 2,3,EUR\n" * 10_000
    with pytest.raises(FaultyFile, match=r"costs\.csv, row"):
        read_costs(write(tmp_path, endless))


def test_a_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(FaultyFile, match=r"costs\.csv, row -, -, .*cannot be read: No such file"):
        read_costs(tmp_path / "costs.csv")
