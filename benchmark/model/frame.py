"""Counted laps turned into the frame that the model is fitted to: runs, laps and their facts.

Order matters twice here. The answer must not depend on the order of the rows handed in, nor
on what builds and drivers are called, so runs are put in an order of their content (times,
laps, date) and names are only the last tie-break.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from benchmark.errors import FitFailed
from benchmark.model.weather import fill_weather
from benchmark.trade.classes import AREAS
from benchmark.trade.timing import lap_uncertainty

MODS = tuple(f"mod_{area}" for area in AREAS)
RUN_KEY = ("circuit", "layout", "date", "session", "build", "run", "driver")
WEATHER = ("air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps", "altitude_m")
TEXT_FACTS = ("start_time", "model", "induction", "driver_level", "tyre_category", "surface")
NUMBER_FACTS = (*MODS, "treadwear", "tyre_heat_cycles", *WEATHER)
RUN_COLUMNS = (*RUN_KEY, *TEXT_FACTS, *NUMBER_FACTS)
PLACE = ["circuit", "layout"]
# Runs are numbered by these; names come last.
CONTENT = ("best", "n", "laps", "date", "session", "run", "build", "driver")
DEFAULTS: dict[str, str | int] = {"layout": "full", "surface": "dry", "run": 1, "lap_kind": "timed"}


@dataclass(frozen=True)
class ModelFrame:
    """Laps as the model sees them.

    Attributes
    ----------
    runs : one row an outing, with its facts after filling; the index is the `run_id`. Beside the
        columns of the lap table it has `log_density` (log air density over the circuit's
        reference), `track_c`, and the standard deviations of both where they were not recorded.
    laps : one row a counted lap: `run_id`, `lap`, `lap_time_s`, `timing_u_s`. [s]
    circuits : one row a circuit and layout: `median_s`, `pressure_hpa`, `altitude_m`.
    left_out : number of laps not used, by reason.
    digest : of everything above that the fit depends on.
    """

    runs: pd.DataFrame
    laps: pd.DataFrame
    circuits: pd.DataFrame
    left_out: dict[str, int]
    digest: str


def model_frame(laps: pd.DataFrame) -> ModelFrame:
    """Return the model frame of counted laps (columns of the lap table, `lap_time_s` in seconds).

    Raises
    ------
    FitFailed
        There is no counted lap at all.
    """
    table, left_out = _usable(laps)
    if table.empty:
        raise FitFailed("there is no counted lap to fit: import laps of kind `timed` first")
    table = _in_content_order(table)
    laps = table[["run_id", "lap", "lap_time_s"]].reset_index(drop=True)
    laps["timing_u_s"] = _uncertainties(table)
    medians = table.groupby(PLACE)["lap_time_s"].median()
    return frame_of_runs(_runs(table), laps, medians, left_out)


def frame_of_runs(
    runs: pd.DataFrame, laps: pd.DataFrame, medians: pd.Series, left_out: dict[str, int]
) -> ModelFrame:
    """Return the model frame of laps that have been gathered into runs.

    Parameters
    ----------
    runs : as recorded, in the order of their content, with `RUN_COLUMNS`; the index is `run_id`.
    laps : `run_id`, `lap`, `lap_time_s`, `timing_u_s`, sorted by the first three. [s]
    medians : median lap time of each circuit and layout. [s]
    left_out : number of laps not used, by reason.
    """
    runs, circuits = fill_weather(fill_specification(runs), medians)
    return ModelFrame(runs, laps, circuits, left_out, _digest(runs, laps))


def subset(frame: ModelFrame, laps: pd.DataFrame) -> ModelFrame:
    """Return the frame of some of its laps only, runs numbered anew in the same order."""
    kept = np.unique(laps["run_id"].to_numpy())
    runs = frame.runs.loc[kept].reset_index(drop=True).rename_axis("run_id")
    numbered = laps.assign(run_id=np.searchsorted(kept, laps["run_id"].to_numpy()))
    return replace(frame, runs=runs, laps=numbered.reset_index(drop=True))


def _usable(laps: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    """Give every column of the lap table, and count the laps that cannot be used by reason."""
    table = laps.copy()
    for column, default in DEFAULTS.items():
        table[column] = table[column].fillna(default) if column in table else default
    for column in TEXT_FACTS:
        values = table[column] if column in table else pd.Series(index=table.index, dtype=object)
        table[column] = values.astype(object).where(values.notna(), None)
    for column in NUMBER_FACTS:
        missing = 0.0 if column in MODS else np.nan
        table[column] = pd.to_numeric(table[column]).astype(float) if column in table else missing
    table["lap_time_s"] = pd.to_numeric(table["lap_time_s"]).astype(float)
    table["date"] = pd.to_datetime(table["date"]).dt.strftime("%Y-%m-%d")
    for column in ("circuit", "layout", "session", "build", "driver", "model"):
        table[column] = table[column].astype(str)
    kind = table["lap_kind"] == "timed"
    finite = np.isfinite(table["lap_time_s"]) & (table["lap_time_s"] > 0)
    left_out = {
        "not a timed flying lap": int((~kind).sum()),
        "no lap time": int((kind & ~finite).sum()),
    }
    return table[kind & finite], {k: n for k, n in left_out.items() if n}


def _in_content_order(table: pd.DataFrame) -> pd.DataFrame:
    """Number the runs (`run_id`) by their times, and sort the laps by run and lap."""
    groups = table.groupby(list(RUN_KEY), sort=True, observed=True)
    # Relative to the circuit's median, so that the unit of time changes nothing.
    medians = table.groupby(PLACE, observed=True)["lap_time_s"].transform("median")
    keys = pd.DataFrame(
        {
            "best": (table["lap_time_s"] / medians)
            .round(12)
            .groupby([table[k] for k in RUN_KEY], observed=True)
            .min(),
            "n": groups.size(),
            "laps": groups["lap"].sum(),
        }
    ).reset_index()
    keys = keys.sort_values(list(CONTENT))
    keys["run_id"] = np.arange(len(keys))
    table = table.merge(keys[[*RUN_KEY, "run_id"]], on=list(RUN_KEY), how="left", validate="m:1")
    return table.sort_values(["run_id", "lap", "lap_time_s"], kind="stable").reset_index(drop=True)


def _runs(table: pd.DataFrame) -> pd.DataFrame:
    """One row a run; a fact that several rows give is taken from the first that gives it."""
    return table.groupby("run_id", sort=True)[list(RUN_COLUMNS)].first()


def fill_specification(runs: pd.DataFrame) -> pd.DataFrame:
    """Take missing facts of car and driver from their other runs.

    Modification levels and treadwear come from the same build's other runs that day; induction
    from the build's other days too, and a driver's level from that driver's other runs.
    """
    runs = runs.copy()
    day = ["build", "date"]
    for column in (*MODS, "induction"):
        runs[column] = runs[column].fillna(runs.groupby(day)[column].transform("first"))
    tyre = [*day, "tyre_category"]
    runs["treadwear"] = runs["treadwear"].fillna(runs.groupby(tyre)["treadwear"].transform("first"))
    runs["induction"] = runs["induction"].fillna(_usual(runs, "build", "induction"))
    runs["driver_level"] = runs["driver_level"].fillna(_usual(runs, "driver", "driver_level"))
    for column in TEXT_FACTS:
        runs[column] = runs[column].astype(object).where(runs[column].notna(), None)
    return runs


def _usual(runs: pd.DataFrame, who: str, column: str) -> pd.Series:
    """Return for each run the value of `column` that its `who` has most often, or missing."""
    known = runs.dropna(subset=[column])
    counts = known.groupby([who, column]).size().reset_index(name="n")
    usual = counts.sort_values([who, "n", column]).groupby(who)[column].last()
    return runs[who].map(usual).astype(object)


def _uncertainties(table: pd.DataFrame) -> np.ndarray:
    """Standard uncertainty of each lap time from its timing method, or as given. [s]"""
    if "timing" in table:
        timing = table["timing"].astype(object).where(table["timing"].notna(), None)
    else:
        timing = pd.Series([None] * len(table), table.index, dtype=object)
    defaults = {method: lap_uncertainty(method, None) for method in set(timing)}
    by_method = np.array([defaults[method] for method in timing])
    if "timing_u_s" not in table:
        return by_method
    given = pd.to_numeric(table["timing_u_s"]).astype(float).to_numpy()
    return np.where(np.isfinite(given), given, by_method)


def _digest(runs: pd.DataFrame, laps: pd.DataFrame) -> str:
    """Digest of runs and laps, for telling whether a fit belongs to these laps."""
    sha = hashlib.sha256()
    for frame in (runs, laps):
        sha.update(" ".join(frame.columns).encode())
        sha.update(pd.util.hash_pandas_object(frame, index=False).to_numpy().tobytes())
    return sha.hexdigest()
