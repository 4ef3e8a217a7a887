"""Moist air: vapour pressure, dew point and humidity, density."""

from __future__ import annotations

import numpy as np

from benchmark.errors import BadValue
from benchmark.trade.quantity import FloatArray, Floats, within

ZERO_CELSIUS_K = 273.15
GAS_CONSTANT = 8.314472  # J/(mol K), CODATA 2006 as CIPM-2007 takes it
DRY_AIR_KG_MOL = 28.96546e-3  # at 400 µmol/mol of carbon dioxide, CIPM-2007
WATER_KG_MOL = 18.01528e-3  # CIPM-2007

# Magnus over water, World Meteorological Organization: 6.112 hPa exp(17.62 t / (243.12 + t)).
MAGNUS_HPA = 6.112
MAGNUS_SLOPE = 17.62
MAGNUS_OFFSET_C = 243.12

# Where an answer is still given: wider than any track day, narrow enough to catch a unit mistake.
TEMP_C = (-50.0, 60.0)
DEW_POINT_C = (-100.0, 60.0)  # dry air of 1 % at 0 °C has its dew point at -50 °C
PRESSURE_HPA = (500.0, 1100.0)
HUMIDITY_PCT = (0.0, 100.0)


def saturation_vapour_pressure(temp_c: Floats) -> Floats:
    """Vapour pressure of saturated air over water, by the equation of CIPM-2007 [hPa].

    Parameters
    ----------
    temp_c : air temperature; NaN passes through. [°C]

    Raises
    ------
    BadValue
        A temperature outside -50 to 60 °C.

    References
    ----------
    Picard, Davis, Gläser, Fujii, Metrologia 45 (2008) 149-155, equation A1.1.
    """
    kelvin = _temperature(temp_c) + ZERO_CELSIUS_K
    pascals = np.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6343.1645 / kelvin
    )
    return pascals / 100


def magnus_vapour_pressure(temp_c: Floats) -> Floats:
    """Vapour pressure of saturated air over water, by the Magnus form of the WMO [hPa].

    Up to 0.32 % below the equation of CIPM-2007 between 0 and 40 °C. It has an inverse in closed
    form, so it is the one for dew points, where only the ratio of two pressures counts.

    Parameters
    ----------
    temp_c : air temperature or dew point; NaN passes through. [°C]

    Raises
    ------
    BadValue
        A temperature outside -100 to 60 °C.

    References
    ----------
    WMO-No. 8, Guide to Instruments and Methods of Observation, annex on humidity formulae.
    """
    celsius = within("dew point", temp_c, *DEW_POINT_C, "°C")
    return MAGNUS_HPA * np.exp(MAGNUS_SLOPE * celsius / (MAGNUS_OFFSET_C + celsius))


def humidity_from_dew_point(temp_c: Floats, dew_point_c: Floats) -> Floats:
    """Relative humidity of air, from its temperature and dew point (Magnus) [%].

    Parameters
    ----------
    temp_c : air temperature; NaN passes through. [°C]
    dew_point_c : dew point; NaN passes through. [°C]

    Raises
    ------
    BadValue
        A temperature outside -50 to 60 °C, or a dew point that is below -100 °C or above the
        temperature.
    """
    if np.any(np.asarray(dew_point_c) > np.asarray(temp_c)):
        raise BadValue("the dew point is above the air temperature, which cannot be")
    saturated = magnus_vapour_pressure(_temperature(temp_c))
    return 100 * magnus_vapour_pressure(dew_point_c) / saturated


def dew_point(temp_c: Floats, humidity_pct: Floats) -> Floats:
    """Dew point of air, from its temperature and relative humidity (Magnus) [°C].

    Parameters
    ----------
    temp_c : air temperature; NaN passes through. [°C]
    humidity_pct : relative humidity, above 0 to 100; NaN passes through. [%]

    Raises
    ------
    BadValue
        A temperature outside -50 to 60 °C, or a humidity outside 0.1 to 100 %: dry air has no
        dew point.
    """
    share = within("humidity", humidity_pct, 0.1, 100, "%") / 100
    log_ratio = np.log(share * magnus_vapour_pressure(_temperature(temp_c)) / MAGNUS_HPA)
    return MAGNUS_OFFSET_C * log_ratio / (MAGNUS_SLOPE - log_ratio)


def vapour_pressure(temp_c: Floats, humidity_pct: Floats) -> Floats:
    """Partial pressure of water vapour in air of this humidity [hPa].

    Parameters
    ----------
    temp_c : air temperature; NaN passes through. [°C]
    humidity_pct : relative humidity, 0 to 100; NaN passes through. [%]

    Raises
    ------
    BadValue
        A temperature outside -50 to 60 °C, or a humidity outside 0 to 100 %.
    """
    humidity = within("humidity", humidity_pct, *HUMIDITY_PCT, "%")
    return humidity / 100 * saturation_vapour_pressure(temp_c)


def air_density(temp_c: Floats, pressure_hpa: Floats, humidity_pct: Floats) -> Floats:
    """Density of moist air, by the formula CIPM-2007 [kg/m³].

    The formula's own relative uncertainty is 22e-6 between 15 and 27 °C and 600 and 1100 hPa.
    Outside, down to 0 and up to 40 °C, it agrees with a multi-parameter equation of state to
    5e-5, which moves a lap by nothing that can be seen.

    Parameters
    ----------
    temp_c : air temperature. [°C]
    pressure_hpa : station pressure, not reduced to sea level. [hPa]
    humidity_pct : relative humidity, 0 to 100. [%]
        All three broadcast; NaN passes through.

    Raises
    ------
    BadValue
        A temperature outside -50 to 60 °C, a pressure outside 500 to 1100 hPa, or a humidity
        outside 0 to 100 %.

    References
    ----------
    Picard, Davis, Gläser, Fujii, Metrologia 45 (2008) 149-155, equations 1 and A1.1 to A1.4.
    """
    celsius = _temperature(temp_c)
    pascals = 100 * within("pressure", pressure_hpa, *PRESSURE_HPA, "hPa")
    vapour = _vapour_fraction(celsius, pascals, humidity_pct)
    kelvin = celsius + ZERO_CELSIUS_K
    real_gas = _compressibility(celsius, pascals, vapour)
    dry = pascals * DRY_AIR_KG_MOL / (real_gas * GAS_CONSTANT * kelvin)
    return dry * (1 - vapour * (1 - WATER_KG_MOL / DRY_AIR_KG_MOL))  # equation 1


def _temperature(temp_c: Floats) -> FloatArray:
    return within("temperature", temp_c, *TEMP_C, "°C")


def _vapour_fraction(celsius: FloatArray, pascals: FloatArray, humidity_pct: Floats) -> FloatArray:
    """Mole fraction of water vapour, with the enhancement factor of equation A1.2."""
    enhancement = 1.00062 + 3.14e-8 * pascals + 5.6e-7 * celsius**2
    vapour_pascals = 100 * np.asarray(vapour_pressure(celsius, humidity_pct))
    return np.asarray(enhancement * vapour_pascals / pascals)


def _compressibility(celsius: FloatArray, pascals: FloatArray, vapour: FloatArray) -> FloatArray:
    """Compressibility factor of moist air, equation A1.4; pressure in pascals."""
    reduced = pascals / (celsius + ZERO_CELSIUS_K)
    first = (
        1.58123e-6
        + (-2.9331e-8 + 1.1043e-10 * celsius) * celsius
        + (5.707e-6 - 2.051e-8 * celsius) * vapour
        + (1.9898e-4 - 2.376e-6 * celsius) * vapour**2
    )
    second = 1.83e-11 - 0.765e-8 * vapour**2
    return np.asarray(1 - reduced * first + reduced**2 * second)
