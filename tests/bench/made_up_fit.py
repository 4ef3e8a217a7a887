"""A fit of any size whose draws are made up, to measure what answers cost beside fitting.

The structure is that of real use: some twenty builds a session, eight laps a run, circuits, builds
and drivers that mostly stay in their region. Every name and number is invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchmark.model.design import GROUPS, LAP_FEATURES, RUN_FEATURES
from benchmark.model.fit import Draws, Fit
from benchmark.model.frame import MODS
from benchmark.model.structure import keys_of, spec_texts
from benchmark.trade.classes import DRIVER_LEVELS, DRY_TYRES, INDUCTIONS

LAPS_OF_A_RUN = 8
BUILDS_OF_A_SESSION = 20
RUNS_OF_A_BUILD = 50
SESSIONS_OF_A_DAY = 4
BUILDS_OF_A_REGION = 400
CIRCUITS_OF_A_REGION = 4
UNKNOWN = ("log_density", "track_c", "cycles", "log_treadwear", "driver_level", "natural", "levels")
# Draws of what is one a run, or nearly, are more than a large store can hold: left out.
OF_A_RUN = ("build_day", "outing")


def made_up_fit(laps: int, draws: int = 1000, seed: int = 1) -> Fit:
    """Return a fit on about so many laps."""
    rng = np.random.default_rng(seed)
    runs = _runs(max(laps // LAPS_OF_A_RUN, BUILDS_OF_A_SESSION), rng)
    circuits = runs[["circuit", "layout"]].drop_duplicates().set_index(["circuit", "layout"])
    circuits = circuits.assign(median_s=rng.uniform(70, 130, len(circuits)))
    circuits = circuits.assign(pressure_hpa=1000.0, altitude_m=100.0, log_density=0.17)
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
        laps=_laps(runs, circuits, rng),
        circuits=circuits,
        left_out={},
        levels=levels,
        unknown_names={name: [] for name in UNKNOWN},
        posterior=_draws(levels, draws, rng),
        diagnostics={},
        warnings=(),
    )


def _runs(n: int, rng: np.random.Generator) -> pd.DataFrame:
    builds = max(n // RUNS_OF_A_BUILD, BUILDS_OF_A_SESSION)
    regions = max(builds // BUILDS_OF_A_REGION, 1)
    session = np.arange(n) // BUILDS_OF_A_SESSION
    region = rng.integers(regions, size=session[-1] + 1)[session]
    of_region = rng.integers(BUILDS_OF_A_REGION, size=n)
    build = (region * BUILDS_OF_A_REGION + of_region) % builds
    of_session = rng.integers(CIRCUITS_OF_A_REGION, size=session[-1] + 1)[session]
    place = region * CIRCUITS_OF_A_REGION + of_session
    day = session // SESSIONS_OF_A_DAY // max(regions, 1)
    days = day * 3650 // max(day.max(), 1)
    dates = np.datetime64("2016-01-01") + days.astype("timedelta64[D]")
    model = rng.integers(max(builds // 30, 3), size=builds)[build]
    late = (dates > np.datetime64("2021-01-01")).astype(int)
    levels = (rng.integers(3, size=(builds, len(MODS)))[build] + late[:, None]) % 4
    air = rng.uniform(5, 30, session[-1] + 1)[session]
    text = {
        "circuit": _names("circuit", place),
        "layout": np.full(n, "full", dtype=object),
        "date": dates.astype(str).astype(object),
        "session": _names("S", session % SESSIONS_OF_A_DAY),
        "build": _names("build", build),
        "driver": _names("driver", (build + (rng.random(n) < 0.1)) % builds),
        "start_time": np.full(n, "09:30", dtype=object),
        "model": _names("model", model),
        "induction": np.array(INDUCTIONS, dtype=object)[model % 2],
        "driver_level": np.array(DRIVER_LEVELS, dtype=object)[build % len(DRIVER_LEVELS)],
        "tyre_category": np.array(DRY_TYRES, dtype=object)[(build + late) % len(DRY_TYRES)],
        "surface": np.full(n, "dry", dtype=object),
    }
    numbers = {
        **{name: levels[:, k].astype(float) for k, name in enumerate(MODS)},
        "treadwear": np.full(n, 200.0),
        "tyre_heat_cycles": rng.integers(1, 20, n).astype(float),
        "air_temp_c": air,
        "track_temp_c": air + 8,
        "pressure_hpa": 1000.0,
        "humidity_pct": 50.0,
        "wind_mps": 1.0,
        "altitude_m": 100.0,
        "log_density": -0.0035 * (air - 20),
        "log_density_sd": 0.0,
        "track_c": air + 8,
        "track_c_sd": 0.0,
    }
    table = pd.DataFrame({**text, "run": 1, **numbers})
    table["run"] = table.groupby(["circuit", "date", "session", "build"]).cumcount() + 1
    return table.rename_axis("run_id")


def _names(what: str, number: np.ndarray) -> np.ndarray:
    """Name things by number, each name one object however often it stands."""
    names = np.array([f"{what} {k}" for k in range(int(number.max()) + 1)], dtype=object)
    return np.asarray(names[number])


def _laps(runs: pd.DataFrame, circuits: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    run_id = np.repeat(np.arange(len(runs)), LAPS_OF_A_RUN)
    places = pd.MultiIndex.from_frame(runs[["circuit", "layout"]])
    median = circuits["median_s"].reindex(places).to_numpy()
    pace = median * (1 + 0.03 * rng.standard_normal(len(runs)))
    noise = 1 + 0.01 * rng.standard_exponential(len(run_id))
    lap = np.tile(np.arange(2, LAPS_OF_A_RUN + 2), len(runs))
    times = np.round(pace[run_id] * noise, 3)
    return pd.DataFrame({"run_id": run_id, "lap": lap, "lap_time_s": times, "timing_u_s": 0.002})


def _levels(runs: pd.DataFrame) -> dict[str, list[tuple[str, ...]]]:
    spec = spec_texts(runs[list(MODS)].to_numpy(dtype=float))
    named = runs.assign(spec=spec, run_id=runs.index)
    kept = [group for group in GROUPS if group not in OF_A_RUN]
    levels = {group: list(dict.fromkeys(keys_of(named, group))) for group in kept}
    return {**levels, "wet_session": [], **{group: [] for group in OF_A_RUN}}


def _draws(levels: dict[str, list[tuple[str, ...]]], n: int, rng: np.random.Generator) -> Draws:
    def draws(columns: int, sd: float) -> np.ndarray:
        return (sd * rng.standard_normal((n, columns), dtype=np.float32)).astype(np.float32)

    groups = {group: draws(len(names), 0.01) for group, names in levels.items()}
    drivers = len(levels["driver"])
    noise = {
        "sigma": np.full(n, 0.004),
        "tau": np.abs(draws(drivers, 0.004)) + 0.001,
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
