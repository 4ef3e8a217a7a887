"""Conditions of a lap, the reference day, and the doors to what follows from them."""

from __future__ import annotations

from dataclasses import dataclass

from benchmark.trade.air import air_density
from benchmark.trade.atmosphere import standard_pressure, station_pressure
from benchmark.trade.power import power_correction

__all__ = [
    "REFERENCE",
    "Conditions",
    "air_density",
    "power_correction",
    "standard_pressure",
    "station_pressure",
]


@dataclass(frozen=True, slots=True)
class Conditions:
    """Weather and surface of a lap; None is "not recorded", never a zero.

    Parameters
    ----------
    air_temp_c : air temperature. [°C]
    track_temp_c : temperature of the track's surface. [°C]
    pressure_hpa : station pressure, not reduced to sea level. [hPa]
    humidity_pct : relative humidity, 0 to 100. [%]
    wind_mps : mean wind speed. [m/s]
    altitude_m : height of the circuit above mean sea level. [m]
    surface : "dry", "damp" or "wet".
    """

    air_temp_c: float | None = None
    track_temp_c: float | None = None
    pressure_hpa: float | None = None
    humidity_pct: float | None = None
    wind_mps: float | None = None
    altitude_m: float | None = None
    surface: str = "dry"


# Reference day of every adjusted time, as the lap table's contract has it. Its pressure is the
# standard atmosphere's at the circuit, so neither pressure nor altitude stands here.
REFERENCE = Conditions(air_temp_c=20, track_temp_c=30, humidity_pct=50, wind_mps=0, surface="dry")
