"""Weather of each run: what was recorded, what neighbours tell, and how unsure the rest is.

A missing value comes from the same session's other runs, then from the same day, then from
what the circuit usually has. The first counts as recorded; the others carry a standard
deviation, and the model then estimates the value together with everything else.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchmark.trade.conditions import REFERENCE, air_density, standard_pressure

SESSION = ["circuit", "layout", "date", "session"]
DAY = ["circuit", "date"]

# How far a session may lie from its day, and a day from what is usual. Choices of ours:
# doubling them widens the answers of sessions without weather and changes no other.
AIR_IN_DAY_C, AIR_ANY_C = 3.0, 7.0
TRACK_IN_DAY_C, TRACK_FROM_AIR_C, TRACK_ANY_C = 5.0, 6.0, 10.0
TRACK_OVER_AIR_C = 10.0  # common practice, no published source
PRESSURE_IN_DAY_HPA, PRESSURE_ANY_HPA = 2.0, 8.0
HUMIDITY_IN_DAY_PCT, HUMIDITY_ANY_PCT = 10.0, 20.0
SEA_LEVEL_HPA = 1013.25
# Relative change of density: per °C, per hPa, per point of humidity (check: 25 °C, 1000 hPa).
PER_C, PER_HPA, PER_PCT = 0.00372, 0.00101, 0.00012
# Below this standard deviation the log density counts as known: it moves a lap by under 0.01 %.
DENSITY_KNOWN = 0.001


def fill_weather(runs: pd.DataFrame, medians: pd.Series) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return runs with weather, `log_density`, `track_c` and their `_sd`, and the circuits.

    `medians` are the median lap times of circuits and layouts. [s]

    `log_density` is the log of air density over the circuit's reference density; `_sd` is 0
    where the value was recorded (in that session).
    """
    runs = runs.copy()
    for column in ("air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps"):
        runs[column] = runs[column].fillna(runs.groupby(SESSION)[column].transform("mean"))
    runs["altitude_m"] = runs["altitude_m"].fillna(
        runs.groupby("circuit")["altitude_m"].transform("median")
    )
    circuits = _circuits(runs, medians)
    reference = runs[["circuit", "layout"]].merge(
        circuits, left_on=["circuit", "layout"], right_index=True, how="left"
    )
    reference.index = runs.index
    air, air_sd = _air(runs)
    pressure, pressure_sd = _from_day(
        runs, "pressure_hpa", reference["pressure_hpa"], PRESSURE_IN_DAY_HPA, PRESSURE_ANY_HPA
    )
    humidity, humidity_sd = _from_day(
        runs,
        "humidity_pct",
        pd.Series(float(REFERENCE.humidity_pct or 50), runs.index),
        HUMIDITY_IN_DAY_PCT,
        HUMIDITY_ANY_PCT,
    )
    density = np.log(air_density(air, pressure, humidity))
    runs["log_density"] = density - reference["log_density"].to_numpy()
    sd = np.sqrt(
        (PER_C * air_sd) ** 2 + (PER_HPA * pressure_sd) ** 2 + (PER_PCT * humidity_sd) ** 2
    )
    runs["log_density_sd"] = np.where(sd < DENSITY_KNOWN, 0.0, sd)
    runs["track_c"], runs["track_c_sd"] = _track(runs, air, air_sd)
    return runs, circuits


def _circuits(runs: pd.DataFrame, medians: pd.Series) -> pd.DataFrame:
    """One row a circuit and layout: median lap and the pressure of the reference. [s, hPa, m]"""
    circuits = medians.to_frame("median_s")
    recorded = runs.groupby("circuit")[["pressure_hpa", "altitude_m"]].median()
    circuits = circuits.join(recorded, on="circuit")
    at_altitude = standard_pressure(circuits["altitude_m"].to_numpy(dtype=float))
    circuits["pressure_hpa"] = (
        pd.Series(at_altitude, circuits.index)
        .fillna(circuits["pressure_hpa"])
        .fillna(SEA_LEVEL_HPA)
    )
    circuits["log_density"] = np.log(
        air_density(
            float(REFERENCE.air_temp_c or 20),
            circuits["pressure_hpa"].to_numpy(),
            float(REFERENCE.humidity_pct or 50),
        )
    )
    return circuits


def _from_day(
    runs: pd.DataFrame, column: str, usual: pd.Series, sd_in_day: float, sd_any: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return values and standard deviations: recorded, else the day's mean, else the usual."""
    recorded = runs[column]
    day = runs.groupby(DAY)[column].transform("mean")
    value = recorded.fillna(day).fillna(usual).to_numpy(dtype=float)
    sd = np.where(recorded.notna(), 0.0, np.where(day.notna(), sd_in_day, sd_any))
    return value, sd


def _air(runs: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Air temperature and its standard deviation; without a record, what the circuit has. [°C]"""
    usual = runs.groupby("circuit")["air_temp_c"].transform("mean")
    usual = usual.fillna(runs["air_temp_c"].mean()).fillna(float(REFERENCE.air_temp_c or 20))
    return _from_day(runs, "air_temp_c", usual, AIR_IN_DAY_C, AIR_ANY_C)


def _track(
    runs: pd.DataFrame, air: np.ndarray, air_sd: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Track temperature and its standard deviation: session, day, or from the air. [°C]"""
    over = runs["track_temp_c"] - runs["air_temp_c"]
    usual_over = float(over.mean()) if over.notna().any() else TRACK_OVER_AIR_C
    usual = pd.Series(air + usual_over, runs.index)
    value, sd = _from_day(runs, "track_temp_c", usual, TRACK_IN_DAY_C, TRACK_ANY_C)
    estimated = (sd == TRACK_ANY_C) & (air_sd < AIR_ANY_C)
    sd = np.where(estimated, np.hypot(TRACK_FROM_AIR_C, air_sd), sd)
    return value, sd
