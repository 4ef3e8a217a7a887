"""Moist air against published values and against two independent equations of state."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.trade.air import (
    air_density,
    dew_point,
    humidity_from_dew_point,
    magnus_vapour_pressure,
    saturation_vapour_pressure,
    vapour_pressure,
)
from tests.reference import air

GRID = list(
    itertools.product((0.0, 10.0, 20.0, 30.0, 40.0), (900.0, 960.0, 1013.25), (0.0, 50.0, 90.0))
)
temperatures = st.floats(-20, 45)
pressures = st.floats(700, 1080)
humidities = st.floats(0, 100)


@pytest.mark.parametrize(
    ("temp_c", "pressure_hpa", "humidity_pct", "density"), air.PUBLISHED_DENSITY
)
def test_published_densities_come_out(temp_c, pressure_hpa, humidity_pct, density):
    assert air_density(temp_c, pressure_hpa, humidity_pct) == pytest.approx(density, abs=1e-4)


@pytest.mark.parametrize(("temp_c", "pressure_hpa", "humidity_pct", "density"), air.DENSITY_LOCKS)
def test_densities_are_those_of_cipm_2007(temp_c, pressure_hpa, humidity_pct, density):
    assert air_density(temp_c, pressure_hpa, humidity_pct) == pytest.approx(density, abs=2e-6)


@pytest.mark.parametrize(("temp_c", "pressure_hpa", "humidity_pct"), GRID)
def test_density_agrees_with_coolprop(temp_c, pressure_hpa, humidity_pct):
    inputs = ("T", temp_c + 273.15, "P", pressure_hpa * 100, "R", humidity_pct / 100)
    coolprop = 1 / HAPropsSI("Vha", *inputs)  # Vda would be for a kilogram of its dry part
    assert air_density(temp_c, pressure_hpa, humidity_pct) == pytest.approx(coolprop, rel=1e-4)


def test_dry_standard_air_has_the_density_of_the_standard_atmosphere():
    assert air_density(15, 1013.25, 0) == pytest.approx(air.SEA_LEVEL_DENSITY, abs=7e-4)


@pytest.mark.parametrize(("temp", "pressure", "humidity", "percent"), air.DENSITY_SENSITIVITY)
def test_density_answers_to_weather_as_it_should(temp, pressure, humidity, percent):
    changed = air_density(25 + temp, 1000 + pressure, 50 + humidity)
    assert 100 * (changed / air_density(25, 1000, 50) - 1) == pytest.approx(percent, abs=0.001)


@given(temperatures, pressures, humidities)
def test_hotter_thinner_and_damper_air_is_lighter(temp_c, pressure_hpa, humidity_pct):
    density = air_density(temp_c, pressure_hpa, humidity_pct)
    assert air_density(temp_c + 1, pressure_hpa, humidity_pct) < density
    assert air_density(temp_c, pressure_hpa - 1, humidity_pct) < density
    assert air_density(temp_c, pressure_hpa, humidity_pct / 2) >= density


@pytest.mark.parametrize(("temp_c", "iapws_pa", "cipm_pa", "magnus_pa"), air.VAPOUR_PRESSURE)
def test_vapour_pressures_are_those_of_their_equations(temp_c, iapws_pa, cipm_pa, magnus_pa):
    ours = 100 * saturation_vapour_pressure(temp_c)
    assert ours == pytest.approx(cipm_pa, abs=0.006)
    assert ours == pytest.approx(iapws_pa, rel=1e-4)
    assert 100 * magnus_vapour_pressure(temp_c) == pytest.approx(magnus_pa, abs=0.006)


@pytest.mark.parametrize("temp_c", [1.0, 15.0, 26.85, 45.0])
def test_vapour_pressure_agrees_with_the_equation_of_state_of_water(temp_c):
    water_hpa = PropsSI("P", "T", temp_c + 273.15, "Q", 0, "Water") / 100
    assert saturation_vapour_pressure(temp_c) == pytest.approx(water_hpa, rel=1e-4)
    assert magnus_vapour_pressure(temp_c) == pytest.approx(water_hpa, rel=4e-3)


def test_vapour_pressure_at_300_kelvin_is_the_certified_one():
    assert 100 * saturation_vapour_pressure(26.85) == pytest.approx(air.IF97_300_K_PA, rel=1e-4)


@pytest.mark.parametrize(("temp_c", "dew_point_c", "humidity_pct"), air.HUMIDITY)
def test_dew_points_give_their_humidity(temp_c, dew_point_c, humidity_pct):
    assert humidity_from_dew_point(temp_c, dew_point_c) == pytest.approx(humidity_pct, abs=0.06)


def test_a_humidity_gives_its_dew_point():
    temp_c, humidity_pct, dew_point_c = air.DEW_POINT
    assert dew_point(temp_c, humidity_pct) == pytest.approx(dew_point_c, abs=0.005)


@given(temperatures, st.floats(1, 100))
def test_humidity_and_dew_point_are_inverses(temp_c, humidity_pct):
    point = np.minimum(dew_point(temp_c, humidity_pct), temp_c)  # 100 % may land a bit above
    assert humidity_from_dew_point(temp_c, point) == pytest.approx(humidity_pct, abs=1e-9)


def test_saturated_air_has_humidity_100():
    assert humidity_from_dew_point(12.0, 12.0) == 100


def test_columns_with_gaps_are_computed_in_one_go():
    temp_c = np.array([10.0, np.nan, 30.0])
    density = air_density(temp_c, 1000.0, np.array([50.0, 50.0, np.nan]))
    assert density[0] == air_density(10, 1000, 50)
    assert np.isnan(density[1:]).all()
    assert np.isnan(humidity_from_dew_point(temp_c, np.nan)).all()


def test_columns_of_a_data_frame_are_taken():
    laps = pd.DataFrame({"air_temp_c": [20.0, None], "pressure_hpa": [1013.25, 990.0]})
    density = air_density(laps["air_temp_c"], laps["pressure_hpa"], 50)
    assert density[0] == air_density(20, 1013.25, 50)
    assert np.isnan(density[1])


def test_a_number_gives_a_number():
    assert isinstance(air_density(20, 1013.25, 50), float)


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda: air_density(293.15, 1013, 50), "temperature 293.15 °C is outside -50 to 60 °C"),
        (lambda: air_density(20, 101325, 50), "pressure 101325 hPa is outside 500 to 1100 hPa"),
        (lambda: air_density(20, 29.92, 50), "pressure 29.92 hPa is outside"),
        (lambda: air_density(20, 1013, 101), "humidity 101 % is outside 0 to 100 %"),
        (lambda: air_density(np.array([20, 99.0]), 1013, 50), "temperature 99 °C is outside"),
        (lambda: air_density(np.inf, 1013, 50), "temperature inf °C is outside"),
        (lambda: vapour_pressure(20, -1), "humidity -1 % is outside 0 to 100 %"),
        (lambda: dew_point(20, 0), "humidity 0 % is outside 0.1 to 100 %"),
        (lambda: humidity_from_dew_point(283, 282), "temperature 283 °C is outside -50 to 60 °C"),
        (lambda: humidity_from_dew_point(10, -999), "dew point -999 °C is outside -100 to 60 °C"),
        (lambda: humidity_from_dew_point(10, 12), "the dew point is above the air temperature"),
    ],
)
def test_what_cannot_be_weather_is_refused(ask, message):
    with pytest.raises(BadValue, match=message):
        ask()
