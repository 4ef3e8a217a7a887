"""From draws of effects to draws of log lap time in any situation."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from benchmark.model.design import (
    COLUMN,
    GROUPS,
    PART_OF_FEATURE,
    REFERENCE_CYCLES,
    REFERENCE_LAP,
    REFERENCE_TRACK_C,
    Facts,
    codes,
    lap_features,
    relative_treadwear,
    run_features,
    softness,
)
from benchmark.model.frame import MODS
from benchmark.model.structure import keys_of, spec_text
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, SURFACES, TYRE_CATEGORIES
from benchmark.trade.conditions import REFERENCE, air_density

if TYPE_CHECKING:
    from benchmark.model.fit import Fit

AREA_OF = {f"parts:{area}": k for k, area in enumerate(AREAS)}
# Which part of an explanation a group effect belongs to.
PART_OF_GROUP = {
    "circuit": "circuit",
    "model": "model",
    "model_circuit": "model",
    "build": "build",
    "build_spec": "build",
    "driver": "driver",
    "driver_circuit": "driver",
    "day": "day",
    "session": "session",
    "wet_session": "session",
    "build_day": "build_day",
    "outing": "outing",
}
# Effects of one day, session or outing: nought unless the row is a run that the fit has seen.
OF_THE_DAY = ("day", "session", "wet_session", "build_day", "outing")
COLUMNS = ("circuit", "layout", "build", "model", "induction", *MODS, "tyre_category", "treadwear",
           "tyre_heat_cycles", "driver", "driver_level", "air_temp_c", "track_temp_c",
           "pressure_hpa", "humidity_pct", "surface", "lap")  # fmt: skip
NUMBERS = (*MODS, "treadwear", "tyre_heat_cycles", "air_temp_c", "track_temp_c", "pressure_hpa",
           "humidity_pct", "lap")  # fmt: skip


def parts(fit: Fit, rows: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return `Fit.parts`."""
    rows = _complete(fit, rows)
    seen = "run_id" in rows
    facts = _facts(fit, rows)
    features = run_features(facts)
    effects = fit.posterior.run_effects.astype(float)
    out = {name: np.zeros((fit.draws, len(rows))) for name in _part_names()}
    for name, k in COLUMN.items():
        if name in PART_OF_FEATURE:
            out[PART_OF_FEATURE[name]] += effects[:, k, None] * features[:, k]
    _add_areas(out, facts.levels, effects)
    _add_groups(fit, rows, out, seen=seen)
    _add_unknown(fit, rows, facts, effects, out, seen=seen)
    lap = lap_features(rows["lap"].to_numpy(dtype=float), softness(facts.tyre))
    out["lap"] = fit.posterior.lap_effects.astype(float) @ lap.T
    return out


def _part_names() -> list[str]:
    return [
        *("circuit", "model", "build", "driver", *AREA_OF, "tyre", "tyre_state"),
        *("conditions", "surface", "lap", "day", "session", "build_day", "outing"),
    ]


def _complete(fit: Fit, rows: pd.DataFrame) -> pd.DataFrame:
    """Give every column; what is missing is None or NaN, but for surface, layout and lap."""
    table = rows.reset_index(drop=True)
    for column in COLUMNS:
        if column not in table:
            table[column] = np.nan if column in NUMBERS else None
        elif column in NUMBERS:
            table[column] = pd.to_numeric(table[column]).astype(float)
        else:
            table[column] = table[column].astype(object).where(table[column].notna(), None)
    table["lap"] = table["lap"].fillna(REFERENCE_LAP)
    table["surface"] = table["surface"].fillna("dry")
    table["layout"] = table["layout"].fillna("full")
    entry = fit.entries.set_index("build")
    table["model"] = table["model"].fillna(table["build"].map(entry["model"]))
    table["induction"] = table["induction"].fillna(table["build"].map(entry["induction"]))
    levels = fit.entries.drop_duplicates("driver").set_index("driver")["driver_level"]
    known = fit.runs.groupby("driver")["driver_level"].last().combine_first(levels)
    table["driver_level"] = table["driver_level"].fillna(table["driver"].map(known))
    return table


def _facts(fit: Fit, rows: pd.DataFrame) -> Facts:
    """Facts of the rows; what only the draws know holds a legal stand-in."""
    levels = rows[list(MODS)].to_numpy(dtype=float)
    level = codes(rows["driver_level"], DRIVER_LEVELS)
    natural = rows["induction"].map({"natural": 1.0, "boosted": 0.0}).to_numpy(dtype=float)
    treadwear = relative_treadwear(rows["treadwear"], rows["tyre_category"])
    density, track = _weather(fit, rows)
    return Facts(
        np.where(np.isnan(levels), 0, levels).astype(np.int64),
        codes(rows["tyre_category"], TYRE_CATEGORIES),
        np.where(level < 0, DRIVER_LEVELS.index("club"), level),
        np.where(np.isnan(natural), 1.0, natural),
        density,
        track,
        rows["tyre_heat_cycles"].fillna(REFERENCE_CYCLES).to_numpy(dtype=float),
        np.where(np.isnan(treadwear), 0.0, treadwear),
        codes(rows["surface"], SURFACES),
    )


def _weather(fit: Fit, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Log density over the circuit's reference, and track temperature. [-, °C]"""
    if "run_id" in rows:
        runs = fit.runs.loc[rows["run_id"]]
        return runs["log_density"].to_numpy(dtype=float), runs["track_c"].to_numpy(dtype=float)
    place = rows[["circuit", "layout"]].merge(
        fit.circuits, left_on=["circuit", "layout"], right_index=True, how="left"
    )
    density = air_density(
        rows["air_temp_c"].fillna(REFERENCE.air_temp_c).to_numpy(dtype=float),
        rows["pressure_hpa"].fillna(place["pressure_hpa"]).to_numpy(dtype=float),
        rows["humidity_pct"].fillna(REFERENCE.humidity_pct).to_numpy(dtype=float),
    )
    track = rows["track_temp_c"].fillna(REFERENCE_TRACK_C).to_numpy(dtype=float)
    return np.log(density) - place["log_density"].to_numpy(), track


def level_worths(effects: np.ndarray, area: int) -> np.ndarray:
    """Worth of each level of an area against standard, shape (draws, 4), in log time."""
    name = AREAS[area]
    slope = effects[:, COLUMN["steps"]] + effects[:, COLUMN[f"area:{name}"]]
    steps = effects[:, [COLUMN[f"step:{name}:{level}"] for level in (1, 2, 3)]]
    total = np.cumsum(slope[:, None] + steps, axis=1)
    return np.hstack([np.zeros((len(effects), 1)), total])


def _add_areas(out: dict[str, np.ndarray], levels: np.ndarray, effects: np.ndarray) -> None:
    for part, k in AREA_OF.items():
        out[part] += level_worths(effects, k)[:, levels[:, k]]


def _add_groups(fit: Fit, rows: pd.DataFrame, out: dict[str, np.ndarray], *, seen: bool) -> None:
    """Add the group effects: seen levels from the draws, new names from their population."""
    if seen:
        named = fit.runs.loc[rows["run_id"]].assign(run_id=rows["run_id"].to_numpy())
        named["spec"] = spec_text(named)
    else:
        named = rows.assign(spec=spec_text(rows))
    for group, part in PART_OF_GROUP.items():
        if group in OF_THE_DAY and not seen:
            continue
        if group == "wet_session" and not (named["surface"] != "dry").any():
            continue
        out[part] += _group(fit, group, named)
    out["circuit"] += _medians(fit, rows)


def _medians(fit: Fit, rows: pd.DataFrame) -> np.ndarray:
    place = rows[["circuit", "layout"]].merge(
        fit.circuits, left_on=["circuit", "layout"], right_index=True, how="left"
    )
    return np.log(place["median_s"].to_numpy())


def _group(fit: Fit, group: str, rows: pd.DataFrame) -> np.ndarray:
    """Effects of one group for every row, shape (draws, rows)."""
    number = {name: k for k, name in enumerate(fit.levels[group])}
    values = fit.posterior.groups[group]
    out = np.zeros((fit.draws, len(rows)))
    missing = rows[[c for c in GROUPS[group] if c in rows]].isna().any(axis=1).to_numpy()
    dry = (rows["surface"] == "dry").to_numpy()
    for k, name in enumerate(keys_of(rows, group)):
        if missing[k] or (group == "wet_session" and dry[k]):
            continue
        if name in number:
            out[:, k] = values[:, number[name]]
        else:
            out[:, k] = fit.sds[group] * _standard_normal(fit, (group, *name))
    return out


def _standard_normal(fit: Fit, name: tuple[str, ...]) -> np.ndarray:
    """One Normal draw a posterior draw, always the same for the same name."""
    digest = hashlib.sha256(chr(31).join((str(fit.seed), *name)).encode()).digest()
    return np.random.default_rng(list(digest)).standard_normal(fit.draws)


def fresh(fit: Fit, group: str, n: int) -> np.ndarray:
    """Draw effects of a group for n new days, sessions or outings, shape (draws, n)."""
    columns = [_standard_normal(fit, ("fresh", group, str(k))) for k in range(n)]
    return np.asarray(fit.sds[group][:, None] * np.column_stack(columns))


def _add_unknown(
    fit: Fit,
    rows: pd.DataFrame,
    facts: Facts,
    effects: np.ndarray,
    out: dict[str, np.ndarray],
    *,
    seen: bool,
) -> None:
    """Replace the stand-ins of facts that nobody recorded by the fit's own draws of them."""
    _add_unknown_levels(fit, rows, effects, out)
    _add_unknown_drivers(fit, rows, effects, out)
    natural = _unknown_natural(fit, rows)
    if seen:
        _add_unknown_treadwear(fit, rows, effects, out)
        _add_unknown_cycles(fit, rows, facts, effects, out)
        _add_unknown_weather(fit, rows, facts, effects, natural, out)
    worth = effects[:, COLUMN["density_natural"]] - effects[:, COLUMN["density_boosted"]]
    for k, drawn in natural.items():
        out["conditions"][:, k] += (drawn - 1.0) * worth * facts.log_density[k]


def _add_unknown_levels(
    fit: Fit, rows: pd.DataFrame, effects: np.ndarray, out: dict[str, np.ndarray]
) -> None:
    names = {name: k for k, name in enumerate(fit.unknown_names["levels"])}
    for part, area in AREA_OF.items():
        for k in np.flatnonzero(rows[MODS[area]].isna()):
            unit = names.get((str(rows["build"][k]), AREAS[area]))
            if unit is not None:
                drawn = fit.posterior.unknown["levels"][:, unit]
                worth = level_worths(effects, area)
                out[part][:, k] += np.take_along_axis(worth, drawn[:, None].astype(int), 1)[:, 0]


def _add_unknown_drivers(
    fit: Fit, rows: pd.DataFrame, effects: np.ndarray, out: dict[str, np.ndarray]
) -> None:
    names = {name: k for k, name in enumerate(fit.unknown_names["driver_level"])}
    worth = np.zeros((fit.draws, len(DRIVER_LEVELS)))
    for name in ("novice", "expert", "professional"):
        worth[:, DRIVER_LEVELS.index(name)] = effects[:, COLUMN[name]]
    for k in np.flatnonzero(rows["driver_level"].isna()):
        unit = names.get((str(rows["driver"][k]),))
        if unit is not None:
            drawn = fit.posterior.unknown["driver_level"][:, unit]
            out["driver"][:, k] += np.take_along_axis(worth, drawn[:, None].astype(int), 1)[:, 0]


def _unknown_natural(fit: Fit, rows: pd.DataFrame) -> dict[int, np.ndarray]:
    """Draws of 1 (natural) and 0 (boosted) for each row whose induction nobody recorded."""
    names = {name: k for k, name in enumerate(fit.unknown_names["natural"])}
    out = {}
    for k in np.flatnonzero(rows["induction"].isna()):
        unit = names.get((str(rows["build"][k]),))
        if unit is not None:
            out[int(k)] = fit.posterior.unknown["natural"][:, unit].astype(float)
    return out


def _add_unknown_treadwear(
    fit: Fit, rows: pd.DataFrame, effects: np.ndarray, out: dict[str, np.ndarray]
) -> None:
    names = {name: k for k, name in enumerate(fit.unknown_names["log_treadwear"])}
    for k in np.flatnonzero(rows["treadwear"].isna()):
        unit = names.get((str(rows["build"][k]), str(rows["tyre_category"][k])))
        if unit is not None:
            drawn = fit.posterior.unknown["log_treadwear"][:, unit].astype(float)
            out["tyre"][:, k] += effects[:, COLUMN["treadwear"]] * drawn


def _add_unknown_cycles(
    fit: Fit,
    rows: pd.DataFrame,
    facts: Facts,
    effects: np.ndarray,
    out: dict[str, np.ndarray],
) -> None:
    names = {name: k for k, name in enumerate(fit.unknown_names["cycles"])}
    soft = softness(facts.tyre)
    for k in np.flatnonzero(rows["tyre_heat_cycles"].isna()):
        drawn = fit.posterior.unknown["cycles"][:, names[(str(rows["run_id"][k]),)]].astype(float)
        slope = effects[:, COLUMN["cycles"]] + soft[k] * effects[:, COLUMN["cycles_soft"]]
        out["tyre_state"][:, k] += slope * (drawn - REFERENCE_CYCLES) / 10


def _add_unknown_weather(
    fit: Fit,
    rows: pd.DataFrame,
    facts: Facts,
    effects: np.ndarray,
    natural: dict[int, np.ndarray],
    out: dict[str, np.ndarray],
) -> None:
    """Add what the drawn weather of a seen session is worth beyond its stand-in."""
    runs = fit.runs.loc[rows["run_id"]]
    sessions = keys_of(runs, "session")
    soft = softness(facts.tyre)
    for name, change in (("log_density", _density_change), ("track_c", _heat_change)):
        number = {unit: k for k, unit in enumerate(fit.unknown_names[name])}
        uncertain = runs[f"{name}_sd"].to_numpy() > 0
        for k in np.flatnonzero(uncertain):
            drawn = fit.posterior.unknown[name][:, number[sessions[k]]].astype(float)
            stand_in = float(getattr(facts, name)[k])
            boost = natural.get(int(k), np.full(fit.draws, facts.natural[k]))
            if facts.surface[k] == 0 or name == "log_density":
                out["conditions"][:, k] += change(effects, drawn, stand_in, boost, float(soft[k]))


def _density_change(
    effects: np.ndarray, drawn: np.ndarray, stand_in: float, natural: np.ndarray, soft: float
) -> np.ndarray:
    del soft  # air does not care what the tyre is
    worth = np.where(
        natural > 0, effects[:, COLUMN["density_natural"]], effects[:, COLUMN["density_boosted"]]
    )
    return np.asarray(worth * (drawn - stand_in))


def _heat_change(
    effects: np.ndarray, drawn: np.ndarray, stand_in: float, natural: np.ndarray, soft: float
) -> np.ndarray:
    del natural  # the surface does not care what the engine is
    hot, was = (drawn - REFERENCE_TRACK_C) / 10, (stand_in - REFERENCE_TRACK_C) / 10
    slope = effects[:, COLUMN["heat"]] + soft * effects[:, COLUMN["heat_soft"]]
    curve = effects[:, COLUMN["heat_curve"]] + soft * effects[:, COLUMN["heat_curve_soft"]]
    return np.asarray(slope * (hot - was) + curve * (hot**2 - was**2))


def lap_noise(
    fit: Fit, drivers: list[str | None], rng: np.random.Generator, laps: int
) -> np.ndarray:
    """Return `Fit.lap_noise`."""
    noise = fit.posterior.noise
    number = {name[0]: k for k, name in enumerate(fit.levels["driver"])}
    tau = np.empty((fit.draws, len(drivers)))
    for k, driver in enumerate(drivers):
        if driver in number:
            tau[:, k] = noise["tau"][:, number[driver]]
        else:
            spread = noise["tau_spread"] * _standard_normal(fit, ("tau", str(driver)))
            tau[:, k] = noise["tau_centre"] * np.exp(spread)
    shape = (fit.draws, len(drivers), laps)
    spread = noise["sigma"].astype(float)[:, None, None] * rng.standard_normal(shape)
    return np.asarray(spread + tau[:, :, None] * rng.standard_exponential(shape))
