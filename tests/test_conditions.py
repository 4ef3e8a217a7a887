"""Conditions of a lap and the reference day."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, asdict, fields

import pytest

from benchmark.trade import air, atmosphere, conditions, power
from benchmark.trade.conditions import REFERENCE, Conditions


def test_nothing_recorded_is_none_and_dry():
    recorded = asdict(Conditions())
    assert recorded.pop("surface") == "dry"
    assert set(recorded.values()) == {None}


def test_fields_are_the_columns_of_the_lap_table():
    assert [field.name for field in fields(Conditions)] == [
        "air_temp_c",
        "track_temp_c",
        "pressure_hpa",
        "humidity_pct",
        "wind_mps",
        "altitude_m",
        "surface",
    ]


def test_the_reference_day_is_that_of_the_lap_table():
    # "20 °C air, 30 °C track, 50 % humidity, the standard atmosphere's pressure at the circuit's
    # altitude, calm, dry": pressure and altitude are the circuit's, so they are not in it.
    assert Conditions(20, 30, None, 50, 0, None, "dry") == REFERENCE


def test_conditions_cannot_be_changed():
    with pytest.raises(FrozenInstanceError):
        REFERENCE.surface = "wet"


@pytest.mark.parametrize("name", [name for name in conditions.__all__ if name.islower()])
def test_every_door_leads_to_the_function_of_its_subject(name):
    homes = [module for module in (air, atmosphere, power) if hasattr(module, name)]
    assert getattr(conditions, name) in [getattr(home, name) for home in homes]
    assert getattr(conditions, name).__doc__
