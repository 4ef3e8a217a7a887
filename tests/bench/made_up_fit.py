"""A fit of any size whose draws are made up, to measure what answers cost beside fitting.

Laps and runs are those of the made-up decade (`benchmark.model.decade`): about 20 builds a session,
8 laps a run, circuits, builds and drivers that mostly stay in their region. Every name and number
is invented.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa

from benchmark.model import decade
from benchmark.model.design import GROUPS, LAP_FEATURES, RUN_FEATURES
from benchmark.model.fit import Draws, Fit
from benchmark.model.frame import MODS
from benchmark.model.pace import FAST_DRAWS
from benchmark.model.structure import keys_of, spec_texts
from benchmark.trade.classes import INDUCTIONS

UNKNOWN = ("log_density", "track_c", "cycles", "log_treadwear", "driver_level", "natural", "levels")
# Draws of what is one a run, or nearly, are more than a large store can hold: left out.
OF_A_RUN = ("build_day", "outing")
OF_A_TABLE = ("circuit", "layout", "date", "session", "model", "build", "driver", "driver_level",
              "tyre_category")  # fmt: skip


def made_up_fit(laps: int, draws: int = FAST_DRAWS, seed: int = 1) -> Fit:
    """Return a fit on so many laps."""
    rng = np.random.default_rng(seed)
    runs, lap_rows = _driven(laps, seed)
    circuits = _circuits(runs, lap_rows)
    levels = _levels(runs)
    return Fit(
        fit_id="madeup",
        mode="fast",
        mode_note="",
        data_version=1,
        created="2026-11-26T00:00:00+00:00",
        seed=seed,
        prior_scale=1.0,
        runs=runs,
        laps=lap_rows,
        circuits=circuits,
        left_out={},
        levels=levels,
        unknown_names={name: [] for name in UNKNOWN},
        posterior=_draws(levels, draws, rng),
        diagnostics={},
        warnings=(),
    )


def _driven(laps: int, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Runs and laps of the decade, in the form of a model frame."""
    names: dict[str, dict[str, str]] = {}
    runs, lap_rows, first = [], [], 0
    for _, _, table in decade.tables(decade.size_of(laps), seed):
        columns = {name: _column(table[name], names.setdefault(name, {})) for name in OF_A_TABLE}
        lap = table["lap"].to_numpy()
        starts = np.flatnonzero(np.diff(lap, prepend=lap[0]) <= 0)
        run = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(lap)))
        facts = {name: values[starts] for name, values in columns.items()}
        levels = {name: table[name].to_numpy()[starts].astype(float) for name in MODS}
        air = table["air_temp_c"].to_numpy()[starts]
        runs.append(pd.DataFrame({**facts, **levels, "air_temp_c": air}))
        times = {"lap": lap.astype(np.int64), "lap_time_s": table["lap_time"].to_numpy()}
        lap_rows.append(pd.DataFrame({"run_id": run + first, **times, "timing_u_s": 0.002}))
        first += len(starts)
    told = pd.concat(runs, ignore_index=True).rename_axis("run_id")
    return _with_facts(told), pd.concat(lap_rows, ignore_index=True)


def _column(column: pa.ChunkedArray, known: dict[str, str]) -> np.ndarray:
    """Return a column as text, each name one object however often it stands."""
    if pa.types.is_date(column.type):
        column = column.cast(pa.string()).dictionary_encode()
    (words,) = column.combine_chunks().chunks if column.num_chunks > 1 else column.chunks
    names = [known.setdefault(name, name) for name in words.dictionary.to_pylist()]
    return np.array(names, dtype=object)[words.indices.to_numpy()]


def _with_facts(runs: pd.DataFrame) -> pd.DataFrame:
    """Add what the decade does not tell: weather of one circuit and day, tyres, induction."""
    n = len(runs)
    model, _ = pd.factorize(runs["model"])
    air = runs["air_temp_c"]
    facts = {
        "start_time": np.full(n, "09:30", dtype=object),
        "induction": np.array(INDUCTIONS, dtype=object)[model % 2],
        "surface": np.full(n, "dry", dtype=object),
        "treadwear": 200.0,
        "tyre_heat_cycles": (np.arange(n) % 19 + 1).astype(float),
        "track_temp_c": air + 8,
        "pressure_hpa": 1000.0,
        "humidity_pct": 50.0,
        "wind_mps": 1.0,
        "altitude_m": 100.0,
        "log_density": -0.0035 * (air - 20),
        "log_density_sd": 0.0,
        "track_c": air + 8,
        "track_c_sd": 0.0,
        "run": 1,
    }
    return runs.assign(**facts)


def _circuits(runs: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    circuit, names = pd.factorize(runs["circuit"])
    median = laps["lap_time_s"].groupby(circuit[laps["run_id"].to_numpy()]).median()
    table = pd.DataFrame({"circuit": names, "layout": "full", "median_s": median.to_numpy()})
    table = table.assign(pressure_hpa=1000.0, altitude_m=100.0, log_density=0.17)
    return table.set_index(["circuit", "layout"])


def _levels(runs: pd.DataFrame) -> dict[str, list[tuple[str, ...]]]:
    spec = spec_texts(runs[list(MODS)].to_numpy(dtype=float))
    named: Mapping[str, np.ndarray] = {
        **{name: runs[name].to_numpy() for name in runs},
        "spec": np.array(spec, dtype=object),
    }
    kept = [group for group in GROUPS if group not in (*OF_A_RUN, "wet_session")]
    levels = {group: list(dict.fromkeys(keys_of(named, group))) for group in kept}
    return {**levels, "wet_session": [], **{group: [] for group in OF_A_RUN}}


def _draws(levels: dict[str, list[tuple[str, ...]]], n: int, rng: np.random.Generator) -> Draws:
    def draws(columns: int, sd: float) -> np.ndarray:
        values = rng.standard_normal((columns, n), dtype=np.float32)
        values *= np.float32(sd)
        return values.T

    groups = {group: draws(len(names), 0.01) for group, names in levels.items()}
    drivers = len(levels["driver"])
    noise = {
        "sigma": np.full(n, 0.004),
        "tau": np.abs(draws(drivers, 0.004)) + np.float32(0.001),
        "tau_centre": np.full(n, 0.004),
        "tau_spread": np.full(n, 0.3),
        "slow": np.full(n, 0.1),
        "gross": np.full(n, 0.1),
        "shares": np.tile([0.97, 0.02, 0.01], (n, 1)),
    }
    return Draws(
        run_effects=draws(len(RUN_FEATURES), 0.01),
        lap_effects=draws(len(LAP_FEATURES), 0.002),
        groups=groups,
        sds={group: np.full(n, 0.01) for group in levels},
        noise=noise,
        unknown={name: np.zeros((n, 0)) for name in UNKNOWN},
    )
