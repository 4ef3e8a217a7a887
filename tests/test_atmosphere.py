"""The standard atmosphere, sea-level and station pressure, density altitude."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.trade.air import air_density
from benchmark.trade.atmosphere import (
    SEA_LEVEL_KG_M3,
    density_altitude,
    pressure_altitude,
    qnh,
    standard_pressure,
    station_pressure,
)
from tests.reference import air

heights = st.floats(-400, 5000)
sea_level_pressures = st.floats(870, 1085)


@pytest.mark.parametrize(("height_m", "pressure_hpa", "density"), air.STANDARD_ATMOSPHERE)
def test_the_table_of_the_standard_atmosphere_comes_out(height_m, pressure_hpa, density):
    temp_c = 15 - 0.0065 * height_m
    assert standard_pressure(height_m) == pytest.approx(pressure_hpa, abs=0.005)
    assert pressure_altitude(standard_pressure(height_m)) == pytest.approx(height_m, abs=1e-6)
    altitude_m = density_altitude(temp_c, standard_pressure(height_m))
    assert altitude_m == pytest.approx(height_m, abs=1e-6)
    # CIPM-2007 is a real gas: 0.04 % denser than the ideal one of the table.
    assert air_density(temp_c, pressure_hpa, 0) == pytest.approx(density, rel=6e-4)


def test_sea_level_density_is_the_rounded_one_of_the_standard():
    assert round(SEA_LEVEL_KG_M3, 4) == air.SEA_LEVEL_DENSITY


@pytest.mark.parametrize(("qnh_hpa", "height_m", "station_hpa"), air.STATION_PRESSURE)
def test_sea_level_pressure_gives_the_pressure_at_the_circuit(qnh_hpa, height_m, station_hpa):
    assert station_pressure(qnh_hpa, height_m) == pytest.approx(station_hpa, abs=0.005)


@pytest.mark.parametrize(
    ("altimeter_hpa", "height_m", "station_hpa"), air.PUBLISHED_STATION_PRESSURE
)
def test_published_station_pressures_come_out(altimeter_hpa, height_m, station_hpa):
    assert station_pressure(altimeter_hpa, height_m) == pytest.approx(station_hpa, abs=0.015)


@given(sea_level_pressures, heights)
def test_sea_level_and_station_pressure_are_inverses(qnh_hpa, height_m):
    station = station_pressure(qnh_hpa, height_m)
    assert qnh(station, height_m) == pytest.approx(qnh_hpa, abs=1e-9)


def test_at_sea_level_nothing_is_added():
    # Some readers add 0.3 hPa, an old national convention; QNH has no such term.
    assert station_pressure(1013.25, 0) == pytest.approx(1013.25, abs=1e-9)


@given(sea_level_pressures, st.floats(0, 2990))
def test_pressure_falls_with_height(qnh_hpa, height_m):
    assert station_pressure(qnh_hpa, height_m + 10) < station_pressure(qnh_hpa, height_m)


def test_taking_sea_level_pressure_for_station_pressure_shows():
    wrong, right = air_density(30, 1008, 40.2), air_density(30, station_pressure(1008, 620), 40.2)
    assert 100 * (wrong / right - 1) == pytest.approx(7.7, abs=0.05)


def test_density_altitude_of_the_handbook_problem():
    field_ft, altimeter_inhg, temp_f, pressure_ft, density_ft = air.FAA_PROBLEM
    station = station_pressure(altimeter_inhg * air.INHG_HPA, field_ft * air.FOOT_M)
    temp_c = (temp_f - 32) / 1.8
    assert pressure_altitude(station) / air.FOOT_M == pytest.approx(pressure_ft, abs=0.5)
    assert density_altitude(temp_c, station) / air.FOOT_M == pytest.approx(density_ft, abs=50)


@pytest.mark.parametrize(("height_ft", "temp_c", "expected_ft"), air.DENSITY_ALTITUDE)
def test_density_altitude_of_hot_days(height_ft, temp_c, expected_ft):
    station = standard_pressure(height_ft * air.FOOT_M)
    assert density_altitude(temp_c, station) / air.FOOT_M == pytest.approx(expected_ft, abs=0.6)


def test_damp_air_is_higher_than_dry_air():
    assert density_altitude(30, 1000, 80) > density_altitude(30, 1000, 0)


@pytest.mark.parametrize(("temp_c", "humidity_pct"), [(0.0, 0.0), (20.0, 50.0), (40.0, 90.0)])
def test_density_altitude_belongs_to_the_density(temp_c, humidity_pct):
    height_m = density_altitude(temp_c, 1000, humidity_pct)
    standard_air = air_density(15 - 0.0065 * height_m, standard_pressure(height_m), 0)
    assert standard_air == pytest.approx(air_density(temp_c, 1000, humidity_pct), rel=6e-4)


def test_columns_with_gaps_are_computed_in_one_go():
    station = station_pressure(np.array([1018.0, np.nan]), np.array([150.0, 200.0]))
    assert station == pytest.approx([1000.042, np.nan], abs=0.005, nan_ok=True)
    assert np.isnan(density_altitude(20, station, 50)[1])
    assert isinstance(station_pressure(1018, 150), float)


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda: station_pressure(29.92, 100), "sea-level pressure 29.92 hPa is outside 850 to"),
        (lambda: station_pressure(1013, 5100), "altitude 5100 m is outside -430 to 5000 m"),
        (lambda: standard_pressure(-500), "altitude -500 m is outside"),
        (lambda: qnh(101325, 0), "pressure 101325 hPa is outside 450 to 1170 hPa"),
        (lambda: pressure_altitude(0), "pressure 0 hPa is outside 500 to 1100 hPa"),
        (lambda: density_altitude(20, 1013, 120), "humidity 120 % is outside 0 to 100 %"),
    ],
)
def test_what_cannot_be_a_pressure_or_height_is_refused(ask, message):
    with pytest.raises(BadValue, match=message):
        ask()
