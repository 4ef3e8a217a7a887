"""Laps reduced to run rows: one row for each run and whatever else its laps share.

Laps of one run share all but their place in the run, so six sums hold all that a Normal model of
log lap time needs of them. One SQL statement makes them in one pass over the laps, before any
matrix exists; it is plain SQL, so that another engine can run the same text.

The response is log(lap time / 100 s) in whole steps of 1e-10, far finer than any timing, so sums
are exact and the same in any order. (Steps of 1e-8 moved the criterion of 3,000 laps by 2e-5.)
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from benchmark.errors import BadQuestion, FitFailed

STEP = 1e-10  # of the response, log
WHOLE = "DECIMAL(19, 0)"  # their products fit 38 digits, the most that engines sum exactly
SUMS = ("n", "sum_lap", "sum_lap_lap", "sum_y", "sum_lap_y", "sum_y_y")
NEEDED = ("circuit", "date", "session", "model", "build", "driver", "tyre_category", "lap")
TIMES = ("lap_time_s", "lap_time")  # the store's name, the lap table's
MODS = tuple(
    f"mod_{area}" for area in ("engine", "drivetrain", "suspension", "aero", "weight", "brakes")
)
# Columns that rows are told apart by; those a table lacks are left out.
KEYS = (
    *("circuit", "layout", "date", "session", "model", "induction", "build", "driver"),
    *("driver_level", *MODS, "tyre_category", "treadwear", "tyre_heat_cycles", "air_temp_c"),
    *("track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps", "altitude_m", "surface", "run"),
)


def run_rows_sql(source: str, columns: Collection[str]) -> str:
    """Write the one statement that reduces laps to run rows.

    Parameters
    ----------
    source : a table, a view, or what the engine reads files by; its rows are laps.
    columns : the names of its columns.

    Raises
    ------
    BadQuestion
        A column is missing that every lap needs.
    """
    time = next((name for name in TIMES if name in columns), None)
    missing = [name for name in NEEDED if name not in columns]
    if missing or time is None:
        names = ", ".join([*missing, *(["lap_time"] if time is None else [])])
        raise BadQuestion(f"{source} has no column {names}: a lap table needs it")
    keys = [name for name in KEYS if name in columns]
    listed = ", ".join(keys)
    timed = "WHERE lap_kind = 'timed'" if "lap_kind" in columns else ""
    response = f"CAST(ROUND(LN(CAST({time} AS DOUBLE) / 100) * {1 / STEP:.0f}) AS {WHOLE})"
    return f"""
SELECT
    {listed},
    COUNT(*) AS n,
    CAST(SUM(lap) AS DOUBLE) AS sum_lap,
    CAST(SUM(lap * lap) AS DOUBLE) AS sum_lap_lap,
    CAST(SUM(y) AS DOUBLE) AS sum_y,
    CAST(SUM(lap * y) AS DOUBLE) AS sum_lap_y,
    CAST(SUM(y * y) AS DOUBLE) AS sum_y_y
FROM (
    SELECT {listed}, CAST(lap AS {WHOLE}) AS lap, {response} AS y
    FROM {source}
    {timed}
) AS timed_lap
GROUP BY {listed}
"""


@dataclass(frozen=True)
class RunRows:
    """Run rows as arrays.

    Attributes
    ----------
    codes : for each text column, which of its names each row has (-1: none), int32.
    names : these names, in order of first appearance.
    numbers : for each column of numbers, its values; NaN where not recorded.
    sums : the six sums of `SUMS`, (rows, 6); the response in log(lap time / 100 s).
    """

    codes: dict[str, np.ndarray]
    names: dict[str, list[str]]
    numbers: dict[str, np.ndarray]
    sums: np.ndarray

    def __len__(self) -> int:
        """Number of rows."""
        return len(self.sums)

    @property
    def laps(self) -> float:
        """Number of laps."""
        return float(self.sums[:, 0].sum())

    def take(self, rows: np.ndarray) -> RunRows:
        """Return some of the rows; names that are no longer met stay listed."""
        return RunRows(
            {name: code[rows] for name, code in self.codes.items()},
            self.names,
            {name: values[rows] for name, values in self.numbers.items()},
            self.sums[rows],
        )

    def group(self, *columns: str) -> tuple[np.ndarray, int]:
        """Number the combinations of some text columns: number of each row, how many."""
        known = [name for name in columns if name in self.codes]
        key = np.zeros(len(self), dtype=np.int64)
        for name in known:
            key = key * (len(self.names[name]) + 1) + self.codes[name] + 1
        code, levels = pd.factorize(key)
        return code, len(levels)


class _Words:
    """Numbers for the names of one column, batch after batch."""

    def __init__(self) -> None:
        self.number: dict[str, int] = {}
        self.parts: list[np.ndarray] = []

    def add(self, column: pa.Array) -> None:
        encoded = column if pa.types.is_dictionary(column.type) else pc.dictionary_encode(column)
        number = self.number
        mine = [number.setdefault(name, len(number)) for name in encoded.dictionary.to_pylist()]
        codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        self.parts.append(np.append(np.array(mine, dtype=np.int32), np.int32(-1))[codes])


def gather(batches: Iterable[pa.RecordBatch]) -> RunRows:
    """Turn the batches that `run_rows_sql` gives into arrays.

    Raises
    ------
    FitFailed
        There is not one row.
    """
    words: dict[str, _Words] = {}
    numbers: dict[str, list[np.ndarray]] = {}
    for batch in batches:
        for name, column in zip(batch.schema.names, batch.columns, strict=True):
            if pa.types.is_date(column.type):
                column = column.cast(pa.string())  # noqa: PLW2901
            text = pa.types.is_string(column.type) or pa.types.is_dictionary(column.type)
            if text or pa.types.is_large_string(column.type):
                words.setdefault(name, _Words()).add(column)
            else:
                kind = np.float64 if name not in MODS else np.float32
                values = column.cast(pa.float64()).to_numpy(zero_copy_only=False)
                numbers.setdefault(name, []).append(values.astype(kind))
    if not numbers.get("n"):
        raise FitFailed("there is no counted lap to fit: import laps of kind `timed` first")
    found = {}
    for name in list(numbers):
        found[name] = np.concatenate(numbers.pop(name))
    sums = np.column_stack([found.pop(name) for name in SUMS])
    sums[:, [3, 4]] *= STEP
    sums[:, 5] *= STEP**2
    codes = {}
    for name, word in words.items():
        codes[name] = np.concatenate(word.parts)
        word.parts = []
    return RunRows(codes, {name: list(w.number) for name, w in words.items()}, found, sums)
