"""Who ran where: the groups of the model as whole numbers, and the facts of each run as arrays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.model.design import GROUPS, Facts, codes, relative_treadwear
from benchmark.model.frame import MODS, ModelFrame
from benchmark.model.noise import LapNoise
from benchmark.trade.classes import DRIVER_LEVELS, SURFACES, TYRE_CATEGORIES

# Nested in the others, so that they can be integrated out run by run; the rest is solved jointly.
NESTED = ("build_day", "outing")
Name = tuple[str, ...]  # of one level of a group
UNKNOWN_DIGIT = 9  # no level is written so
JOINT = tuple(group for group in GROUPS if group not in NESTED)


def spec_texts(levels: np.ndarray) -> list[str]:
    """Write each row's six modification levels as one text, "?" where NaN; shape (rows, 6)."""
    # A store of a decade has a million rows and some hundreds of texts.
    digits = np.where(np.isnan(levels), UNKNOWN_DIGIT, levels).astype(np.int64)
    places = 10 ** np.arange(levels.shape[1])[::-1]
    codes_found, which = np.unique(digits @ places, return_inverse=True)
    texts = [f"{code:0{levels.shape[1]}d}" for code in codes_found]
    said = np.array([text.replace(str(UNKNOWN_DIGIT), "?") for text in texts], dtype=object)
    return list(said[which])


def keys_of(table: Mapping[str, Iterable[object]] | pd.DataFrame, group: str) -> list[Name]:
    """Name the level of `group` that each row belongs to."""
    # Columns of text from a database are slow to walk through as they are.
    columns = (np.asarray(table[c], dtype=object) for c in GROUPS[group])
    return list(zip(*(map(str, column) for column in columns), strict=True))


@dataclass(frozen=True)
class Structure:
    """The frame as arrays.

    Attributes
    ----------
    levels : the names of each group's levels, in order of first appearance.
    code : for each group, the level of each run (-1: none).
    facts : facts of each run; what was not recorded holds -1 or NaN until it is drawn.
    run, lap : run number and lap number of each lap.
    log_time : log lap time less the log of the circuit's median.
    laps : what the noise needs of each lap.
    """

    runs: pd.DataFrame
    levels: dict[str, list[tuple[str, ...]]]
    code: dict[str, np.ndarray]
    facts: Facts
    run: np.ndarray
    lap: np.ndarray
    log_time: np.ndarray
    laps: LapNoise

    @property
    def n_runs(self) -> int:
        """Number of runs."""
        return len(self.runs)

    def quick_laps(self) -> np.ndarray:
        """Return the lower quartile of each run's laps, for a robust start; log time, (runs,)."""
        order = np.lexsort((self.log_time, self.run))
        counts = np.bincount(self.run, minlength=self.n_runs)
        first = np.cumsum(counts) - counts
        return np.asarray(self.log_time[order][first + counts // 4])


def structure(frame: ModelFrame) -> Structure:
    """Return the arrays of a model frame."""
    spec = spec_texts(frame.runs[list(MODS)].to_numpy(dtype=float))
    runs = frame.runs.assign(spec=spec, run_id=frame.runs.index)
    levels, code = {}, {}
    for group in GROUPS:
        code[group], levels[group] = _levels(runs, group)
    wet = runs["surface"].to_numpy() != "dry"
    code["wet_session"] = np.full(len(runs), -1)
    code["wet_session"][wet], wet_sessions = pd.factorize(code["session"][wet])
    levels["wet_session"] = [levels["session"][k] for k in wet_sessions]
    run = frame.laps["run_id"].to_numpy()
    median = runs[["circuit", "layout"]].merge(
        frame.circuits, left_on=["circuit", "layout"], right_index=True, how="left"
    )["median_s"]
    time_s = frame.laps["lap_time_s"].to_numpy()
    return Structure(
        runs,
        levels,
        code,
        facts_of(runs),
        run,
        frame.laps["lap"].to_numpy(dtype=float),
        np.log(time_s) - np.log(median.to_numpy())[run],
        LapNoise(
            (frame.laps["timing_u_s"].to_numpy() / time_s) ** 2,
            code["driver"][run],
            len(levels["driver"]),
        ),
    )


def _levels(runs: pd.DataFrame, group: str) -> tuple[np.ndarray, list[Name]]:
    """Number the levels of a group by first appearance: number of each run, the names."""
    key = np.zeros(len(runs), dtype=np.int64)
    for column in GROUPS[group]:
        number, values = pd.factorize(runs[column], use_na_sentinel=False)
        key = key * len(values) + number
    code, keys = pd.factorize(key)
    first = np.unique(code, return_index=True)[1] if len(keys) else code
    return code, keys_of(runs.iloc[first], group)


def facts_of(runs: pd.DataFrame) -> Facts:
    """Return the facts of runs as arrays; -1 or NaN where not recorded."""
    natural = runs["induction"].map({"natural": 1.0, "boosted": 0.0}).to_numpy(dtype=float)
    levels = runs[list(MODS)].to_numpy(dtype=float)
    return Facts(
        np.where(np.isnan(levels), -1, levels).astype(np.int64),
        codes(runs["tyre_category"], TYRE_CATEGORIES),
        codes(runs["driver_level"], DRIVER_LEVELS),
        natural,
        runs["log_density"].to_numpy(dtype=float),
        runs["track_c"].to_numpy(dtype=float),
        runs["tyre_heat_cycles"].to_numpy(dtype=float),
        relative_treadwear(runs["treadwear"], runs["tyre_category"]),
        codes(runs["surface"], SURFACES),
    )
