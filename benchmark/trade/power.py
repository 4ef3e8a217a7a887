"""What the air does to an engine's power, by the correction factors of named standards.

A factor is what the power measured in this air is multiplied by to give the power at the
standard's reference: above 1 wherever the air is hotter or thinner. An engine makes 1 / factor of
its reference power.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from benchmark.errors import BadValue
from benchmark.trade.air import PRESSURE_HPA, TEMP_C, ZERO_CELSIUS_K, vapour_pressure
from benchmark.trade.quantity import FloatArray, Floats, within

REFERENCE_DRY_HPA = 990.0  # SAE J1349 and ISO 1585: 100 kPa with 1 kPa of vapour
REFERENCE_K = 298.0  # both standards count 25 °C as 298 K, and so °C + 273 everywhere
STANDARD_ZERO_K = 273.0

# 1.18 and 0.18 stand for 1/0.85 and 0.15/0.85: a mechanical efficiency of 85 % is assumed.
SAE_FRICTION = 0.18

# Lowest engine factor of a turbocharged diesel. A choice of ours for all boosted engines: no
# standard has a factor for boosted spark ignition with unknown control (UN R85 takes none where
# the engine compensates by itself). 10 °C then cost such an engine 1.5 % (a natural one 2.0 %),
# 10 hPa 0.2 % (1.2 %): its charge air still heats up, while the turbocharger makes up for thin air.
BOOSTED_ENGINE_FACTOR = 0.3

POWER_STANDARDS: Mapping[str, str] = MappingProxyType(
    {
        "natural": "SAE J1349, spark ignition, 85 % mechanical efficiency",
        "boosted": "ISO 1585 turbocharged compression-ignition form, engine factor 0.3 "
        "(a choice of ours: no standard covers boosted spark ignition with unknown control)",
    }
)

# Engine factor f_m = 0.036 q_c - 1.14 between these bounds of q_c, in mg per litre and cycle.
ENGINE_FACTOR_BOUNDS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"UN R85": (40.0, 65.0), "ISO 1585": (37.2, 65.0)}
)
ENGINE_FACTOR_FLOOR: Mapping[str, float] = MappingProxyType({"UN R85": 0.3, "ISO 1585": 0.2})
ENGINE_FACTOR_TOP = 1.2


def power_correction(
    temp_c: Floats, pressure_hpa: Floats, humidity_pct: Floats, induction: str
) -> Floats:
    """Power correction factor of the air a car breathes, by how its engine breathes [-].

    Natural: SAE J1349. Boosted: the turbocharged diesel form of ISO 1585 with its lowest engine
    factor, a choice of ours. `POWER_STANDARDS` has the words for an answer.

    Parameters
    ----------
    temp_c : air temperature. [°C]
    pressure_hpa : station pressure, total (vapour included). [hPa]
    humidity_pct : relative humidity, 0 to 100. [%]
        All three broadcast; NaN passes through.
    induction : "natural" or "boosted".

    Raises
    ------
    BadValue
        Another induction, or a quantity outside the range of `air_density`.
    """
    dry_hpa = dry_pressure(temp_c, pressure_hpa, humidity_pct)
    if induction == "natural":
        return sae_j1349(temp_c, dry_hpa)
    if induction == "boosted":
        return iso_1585_diesel(temp_c, dry_hpa, BOOSTED_ENGINE_FACTOR, turbocharged=True)
    raise BadValue(f'"{induction}" is no induction; use natural or boosted')


def dry_pressure(temp_c: Floats, pressure_hpa: Floats, humidity_pct: Floats) -> Floats:
    """Pressure of the dry part of the air, which is the part that burns [hPa].

    Parameters
    ----------
    temp_c : air temperature. [°C]
    pressure_hpa : station pressure, total. [hPa]
    humidity_pct : relative humidity, 0 to 100. [%]

    Raises
    ------
    BadValue
        A quantity outside the range of `air_density`.
    """
    total = within("pressure", pressure_hpa, *PRESSURE_HPA, "hPa")
    return total - vapour_pressure(temp_c, humidity_pct)


def sae_j1349(temp_c: Floats, dry_hpa: Floats) -> Floats:
    """Correction by SAE J1349 (1990 and after), spark ignition; 1 at 25 °C and 990 hPa dry [-].

    Meant for corrections of up to 7 %; beyond, it is still the best there is, and a stretch.

    Parameters
    ----------
    temp_c : air temperature. [°C]
    dry_hpa : pressure of the dry air. [hPa]
    """
    thinner = _pressure_ratio(dry_hpa) * np.sqrt(_temperature_ratio(temp_c))
    return 1 + (1 + SAE_FRICTION) * (thinner - 1)


def iso_1585_spark(temp_c: Floats, dry_hpa: Floats) -> Floats:
    """Correction by ISO 1585 and UN R85, spark ignition; 1 at 25 °C and 990 hPa dry [-].

    Meant for factors of 0.93 to 1.07.

    Parameters
    ----------
    temp_c : air temperature. [°C]
    dry_hpa : pressure of the dry air. [hPa]
    """
    return _pressure_ratio(dry_hpa) ** 1.2 * _temperature_ratio(temp_c) ** 0.6


def iso_1585_diesel(
    temp_c: Floats, dry_hpa: Floats, engine_factor: float, *, turbocharged: bool
) -> Floats:
    """Correction by ISO 1585 and UN R85, compression ignition; 1 at 25 °C and 990 hPa dry [-].

    Meant for factors of 0.9 to 1.1.

    Parameters
    ----------
    temp_c : air temperature. [°C]
    dry_hpa : pressure of the dry air. [hPa]
    engine_factor : f_m, from `engine_factor`. [-]
    turbocharged : a turbocharger; else natural or mechanically charged.
    """
    pressure, temperature = _pressure_ratio(dry_hpa), _temperature_ratio(temp_c)
    atmospheric = pressure**0.7 * temperature**1.5 if turbocharged else pressure * temperature**0.7
    return np.asarray(atmospheric**engine_factor)[()]


def engine_factor(fuel_mg_l_cycle: float, document: str = "UN R85") -> float:
    """Engine factor f_m of a diesel, from its corrected fuel delivery q_c [-].

    Parameters
    ----------
    fuel_mg_l_cycle : q_c, milligrams of fuel per litre of displacement and cycle.
    document : "UN R85" (0.3 below q_c 40) or "ISO 1585" (0.2 below 37.2); they differ there.

    Raises
    ------
    BadValue
        Another document.
    """
    if document not in ENGINE_FACTOR_BOUNDS:
        raise BadValue(f'"{document}" has no engine factor; use {", ".join(ENGINE_FACTOR_BOUNDS)}')
    low, high = ENGINE_FACTOR_BOUNDS[document]
    if fuel_mg_l_cycle < low:
        return ENGINE_FACTOR_FLOOR[document]
    return ENGINE_FACTOR_TOP if fuel_mg_l_cycle > high else 0.036 * fuel_mg_l_cycle - 1.14


def din_70020(temp_c: Floats, pressure_hpa: Floats) -> Floats:
    """Correction by the old DIN 70020; 1 at 20 °C and 1013.25 hPa total [-].

    Parameters
    ----------
    temp_c : air temperature. [°C]
    pressure_hpa : station pressure, total: humidity does not count here. [hPa]
    """
    total = within("pressure", pressure_hpa, *PRESSURE_HPA, "hPa")
    kelvin = within("temperature", temp_c, *TEMP_C, "°C") + STANDARD_ZERO_K
    return 1013.25 / total * np.sqrt(kelvin / 293)


def sae_j607(temp_c: Floats, dry_hpa: Floats) -> Floats:
    """Correction by SAE J607 ("STD"); 1 at 60 °F and 29.92 inHg dry, so 4 % above J1349 [-].

    Parameters
    ----------
    temp_c : air temperature. [°C]
    dry_hpa : pressure of the dry air. [hPa]
    """
    kelvin = within("temperature", temp_c, *TEMP_C, "°C") + ZERO_CELSIUS_K
    return 1013.25 / REFERENCE_DRY_HPA * _pressure_ratio(dry_hpa) * np.sqrt(kelvin / 288.71)


def _pressure_ratio(dry_hpa: Floats) -> FloatArray:
    return REFERENCE_DRY_HPA / within("dry pressure", dry_hpa, 300, PRESSURE_HPA[1], "hPa")


def _temperature_ratio(temp_c: Floats) -> FloatArray:
    return (within("temperature", temp_c, *TEMP_C, "°C") + STANDARD_ZERO_K) / REFERENCE_K
