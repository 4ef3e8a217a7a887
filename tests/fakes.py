"""A fit whose answer can be worked out by hand: every effect is a round number.

Seconds are exp(log time); a lap of the invented circuit Foxdale takes 100 s at the reference, and
each effect below adds to its logarithm. 100 draws differ by `spread` for each build.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from benchmark.model.lookup import Lookup
from benchmark.model.whole import Whole, whole_of

BASE_S = 100.0
DRAWS = 100
PER_DEGREE = 0.001  # an air temperature of 10 °C less is worth 1 %
TYRES = {"touring": 0.02, "sport": 0.01, "track-day": 0.0, "semi-slick": -0.02, "slick": -0.04,
         "wet": 0.03}  # fmt: skip
DRIVERS = {"Ada": 0.0, "Bo": 0.0, "Pro": -0.02}
LEVELS = {"club": 0.0, "professional": -0.02}
STANDARD = {f"mod_{area}": 0 for area in
            ("engine", "drivetrain", "suspension", "aero", "weight", "brakes")}  # fmt: skip


class FakeFit:
    """The part of a fit that answers use."""

    fit_id, mode, mode_note = "fake0001", "full", "Everything was integrated."
    data_version, created, seed, laps_used = 1, "2025-06-01T10:00:00", 1, 6
    draws = DRAWS

    def __init__(
        self,
        runs: list[dict[str, Any]],
        laps: list[tuple[int, int, float]],
        entries: list[dict[str, Any]],
        builds: dict[str, float],
        spread: float = 0.001,
    ) -> None:
        self.runs = pd.DataFrame(runs)
        self.laps = pd.DataFrame(laps, columns=["run_id", "lap", "lap_time_s"])
        self.entries = pd.DataFrame(entries)
        self.builds, self.spread = builds, spread
        self.left_out: dict[str, int] = {}
        self.warnings: list[str] = []
        self.memory: dict[str, Any] = {}
        self.circuits = self.runs[["circuit", "layout"]].drop_duplicates()
        self.circuits = self.circuits.set_index(["circuit", "layout"])

    @property
    def lookup(self) -> Lookup:
        return Lookup(self.runs, self.laps)  # made anew: tests change the laps

    def kept(self, what: str) -> None:
        return None

    @property
    def whole(self) -> Whole:
        return whole_of(self.runs, self.laps, self.entries)

    def parts_in_blocks(self, rows: pd.DataFrame) -> Iterator[tuple[slice, dict[str, np.ndarray]]]:
        yield slice(0, len(rows)), self.parts(rows)

    def reference(self, circuit: str, layout: str) -> dict[str, Any]:
        return {"air_temp_c": 20.0, "track_temp_c": 30.0, "humidity_pct": 50.0}

    def parts(self, rows: pd.DataFrame) -> dict[str, np.ndarray]:
        def every(values: Any) -> np.ndarray:
            return np.tile(np.asarray(list(values), dtype=float), (DRAWS, 1))

        air = rows["air_temp_c"] if "air_temp_c" in rows else pd.Series(np.nan, rows.index)
        named = rows["driver"].map(DRIVERS)
        driver = named.fillna(rows["driver_level"].map(LEVELS)).fillna(0.0)
        return {
            "circuit": every(np.full(len(rows), np.log(BASE_S))),
            "build": self._build_draws(rows),
            "conditions": every(PER_DEGREE * (air.fillna(20.0).to_numpy(dtype=float) - 20.0)),
            "tyre": every(rows["tyre_category"].map(TYRES)),
            "driver": every(driver),
            "parts:engine": every(-0.01 * rows["mod_engine"].to_numpy(dtype=float)),
        }

    def _build_draws(self, rows: pd.DataFrame) -> np.ndarray:
        rng = np.random.default_rng(1)
        noise = {build: rng.permutation(np.linspace(-1, 1, DRAWS)) for build in sorted(self.builds)}
        columns = [self.builds[b] + self.spread * noise[b] for b in rows["build"]]
        return np.column_stack(columns)

    def log_time(self, rows: pd.DataFrame, *, chance: tuple[str, ...] = ()) -> np.ndarray:
        return np.asarray(sum(self.parts(rows).values()))


def run(build: str, **facts: Any) -> dict[str, Any]:
    """One outing at Foxdale on a reference day, but for the facts given."""
    return {
        "circuit": "Foxdale",
        "layout": "full",
        "surface": "dry",
        "date": "2025-05-01",
        "session": "S1",
        "run": 1,
        "build": build,
        "driver": "Ada",
        "driver_level": "club",
        "model": "Invented Wren",
        "tyre_category": "track-day",
        "tyre_heat_cycles": 2,
        "air_temp_c": 20.0,
        "track_temp_c": 30.0,
        **STANDARD,
        **facts,
    }


def entry(build: str, **facts: Any) -> dict[str, Any]:
    """One build as it stands: standard, on track-day tyres, driven by Ada."""
    return {
        "build": build,
        "model": "Invented Wren",
        "induction": "natural",
        "class": "standard",
        "tyre_category": "track-day",
        "tyre_by_surface": {},
        "treadwear": None,
        "driver": "Ada",
        "driver_level": "club",
        "notes": "",
        **STANDARD,
        **facts,
    }


def cool_morning_fit() -> FakeFit:
    """Three cars; Cool is slowest at equal conditions, but its lap was driven at 5 °C.

    At the reference: Quick 100.0 s, Middle 100.5 s (e^0.005), Cool 101.0 s (e^0.01). At 5 °C a
    lap is 1.5 % quicker, so Cool's lap of 99.4 s is the quickest as timed.
    """
    return FakeFit(
        runs=[run("Quick"), run("Middle"), run("Cool", air_temp_c=5.0, track_temp_c=9.0)],
        laps=[(0, 2, 99.9), (0, 3, 100.2), (1, 2, 100.4), (2, 2, 99.4), (2, 3, 99.6)],
        entries=[entry("Quick"), entry("Middle"), entry("Cool")],
        builds={"Quick": 0.0, "Middle": 0.005, "Cool": 0.01},
    )


def as_fit(fake: FakeFit) -> Any:
    """Hand the fake over where a fit is expected."""
    return fake
