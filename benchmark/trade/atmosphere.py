"""The standard atmosphere: pressure and height, sea-level and station pressure, density altitude.

Heights are geopotential metres. At 1000 m a geometric height differs by 0.16 m, which is 0.017 hPa;
nobody surveys a circuit that well, so `altitude_m` of a lap table is taken as it is.
"""

from __future__ import annotations

import numpy as np

from benchmark.trade.air import PRESSURE_HPA, ZERO_CELSIUS_K, vapour_pressure
from benchmark.trade.quantity import FloatArray, Floats, within

# ISO 2533 and ICAO Doc 7488, troposphere.
SEA_LEVEL_K = 288.15
SEA_LEVEL_HPA = 1013.25
LAPSE_K_M = 0.0065
GRAVITY = 9.80665  # m/s²
DRY_AIR_J_KG_K = 287.05287
EXPONENT = DRY_AIR_J_KG_K * LAPSE_K_M / GRAVITY  # 0.190263
SEA_LEVEL_KG_M3 = 100 * SEA_LEVEL_HPA / (DRY_AIR_J_KG_K * SEA_LEVEL_K)  # 1.2250

VAPOUR_J_KG_K = 461.495  # gas constant of water vapour, R / 18.0153 g/mol

ALTITUDE_M = (-430.0, 5000.0)  # the shore of the Dead Sea to above any circuit
QNH_HPA = (850.0, 1100.0)  # the lowest and highest ever seen are 870 and 1085


def standard_pressure(altitude_m: Floats) -> Floats:
    """Pressure of the standard atmosphere at a height [hPa].

    Parameters
    ----------
    altitude_m : height above mean sea level; NaN passes through. [m]

    Raises
    ------
    BadValue
        A height outside -430 to 5000 m.

    References
    ----------
    ISO 2533:1975, Standard Atmosphere, equation 12.
    """
    return station_pressure(SEA_LEVEL_HPA, altitude_m)


def station_pressure(qnh_hpa: Floats, altitude_m: Floats) -> Floats:
    """Pressure at a circuit, from the sea-level pressure of an aerodrome nearby [hPa].

    QNH is station pressure reduced by the standard atmosphere, so the way back to another height
    is exact; `SLP` of a remark is reduced with the day's temperature and must not be put in here.

    Parameters
    ----------
    qnh_hpa : sea-level pressure as reported (the Q or A group). [hPa]
    altitude_m : height of the circuit, not of the aerodrome, above mean sea level. [m]
        Both broadcast; NaN passes through.

    Raises
    ------
    BadValue
        A pressure outside 850 to 1100 hPa, or a height outside -430 to 5000 m.

    References
    ----------
    ICAO Doc 7488, Manual of the ICAO Standard Atmosphere: pressure and height in the troposphere.
    """
    sea_level = within("sea-level pressure", qnh_hpa, *QNH_HPA, "hPa")
    return (sea_level**EXPONENT - _height_term(altitude_m)) ** (1 / EXPONENT)


def qnh(station_pressure_hpa: Floats, altitude_m: Floats) -> Floats:
    """Sea-level pressure, from the pressure at a circuit: the inverse of `station_pressure` [hPa].

    Parameters
    ----------
    station_pressure_hpa : pressure measured at the circuit. [hPa]
    altitude_m : height of the circuit above mean sea level. [m]
        Both broadcast; NaN passes through.

    Raises
    ------
    BadValue
        A pressure outside 450 to 1170 hPa, or a height outside -430 to 5000 m.
    """
    station = within("pressure", station_pressure_hpa, 450, 1170, "hPa")
    return (station**EXPONENT + _height_term(altitude_m)) ** (1 / EXPONENT)


def pressure_altitude(pressure_hpa: Floats) -> Floats:
    """Height at which the standard atmosphere has this pressure [m].

    Parameters
    ----------
    pressure_hpa : station pressure; NaN passes through. [hPa]

    Raises
    ------
    BadValue
        A pressure outside 500 to 1100 hPa.
    """
    pressure = within("pressure", pressure_hpa, *PRESSURE_HPA, "hPa")
    return SEA_LEVEL_K / LAPSE_K_M * (1 - (pressure / SEA_LEVEL_HPA) ** EXPONENT)


def density_altitude(temp_c: Floats, pressure_hpa: Floats, humidity_pct: Floats = 0.0) -> Floats:
    """Height at which the standard atmosphere has the density of this air [m].

    The density is the ideal gas's, as in the standard atmosphere, so that standard air is exactly
    at its own height; it is within 0.06 % of `air_density`, or 6 m.

    Parameters
    ----------
    temp_c : air temperature. [°C]
    pressure_hpa : station pressure. [hPa]
    humidity_pct : relative humidity; the usual charts are for dry air. [%]
        All three broadcast; NaN passes through.

    Raises
    ------
    BadValue
        A temperature outside -50 to 60 °C, a pressure outside 500 to 1100 hPa, or a humidity
        outside 0 to 100 %.
    """
    pressure = within("pressure", pressure_hpa, *PRESSURE_HPA, "hPa")
    vapour = vapour_pressure(temp_c, humidity_pct)
    kelvin = np.asarray(temp_c, dtype=np.float64) + ZERO_CELSIUS_K
    density = 100 * ((pressure - vapour) / DRY_AIR_J_KG_K + vapour / VAPOUR_J_KG_K) / kelvin
    ratio: Floats = (density / SEA_LEVEL_KG_M3) ** (EXPONENT / (1 - EXPONENT))
    return SEA_LEVEL_K / LAPSE_K_M * (1 - ratio)


def _height_term(altitude_m: Floats) -> FloatArray:
    """Give what a height takes off a pressure that is raised to the exponent."""
    height = within("altitude", altitude_m, *ALTITUDE_M, "m")
    return np.asarray(height * (SEA_LEVEL_HPA**EXPONENT * LAPSE_K_M / SEA_LEVEL_K))
