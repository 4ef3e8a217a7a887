"""From draws of effects to draws of log lap time in any situation."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
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
from benchmark.model.structure import keys_of, spec_texts
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, INDUCTIONS, SURFACES, TYRE_CATEGORIES
from benchmark.trade.conditions import REFERENCE, air_density

if TYPE_CHECKING:
    from benchmark.model.fit import Fit

# Columns of a table as arrays of one length: a row at a time, pandas would cost more than the sums.
Columns = Mapping[str, np.ndarray]
AREA_OF = {f"parts:{area}": k for k, area in enumerate(AREAS)}
FEATURES_OF_PART = {
    part: [COLUMN[name] for name, its in PART_OF_FEATURE.items() if its == part]
    for part in dict.fromkeys(PART_OF_FEATURE.values())
}
BLOCK_VALUES = 32_000  # draws times rows of one part; twice this is as quick, ten times is not
MOST_DRAWN = 1_000  # names whose draws are remembered, some eight megabytes
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
    found = list(in_blocks(fit, rows))
    if len(found) == 1:
        return found[0][1]
    out = {name: np.zeros((len(rows), fit.draws)).T for name in _part_names()}
    for here, block in found:
        for name, draws in block.items():
            out[name][:, here] = draws
    return out


def in_blocks(fit: Fit, rows: pd.DataFrame) -> Iterator[tuple[slice, dict[str, np.ndarray]]]:
    """Give `Fit.parts` of some rows at a time: which rows, and their parts.

    All parts of a block fit into a processor's cache, which makes large boards three times as
    quick as all rows at once.
    """
    table = _complete(fit, rows)
    seen = _runs(fit, rows["run_id"]) if "run_id" in rows else None
    place = _place(fit, table)
    facts = _facts(table, place, seen)
    named = _with_spec(seen or table)
    size = max(BLOCK_VALUES // fit.draws, 1)
    for first in range(0, max(len(rows), 1), size):
        here = slice(first, min(first + size, len(rows)))
        own = None if seen is None else _cut(seen, here)
        some = _cut(table, here), own, _cut(place, here), facts.take(here), _cut(named, here)
        yield here, _block(fit, *some)


def _cut(table: Columns, here: slice) -> Columns:
    return {name: values[here] for name, values in table.items()}


class _Parts(dict[str, np.ndarray]):
    """Parts of some rows; each is nought until something is added to it."""

    def __init__(self, rows: int, draws: int) -> None:
        super().__init__()
        self._shape = rows, draws

    def __missing__(self, part: str) -> np.ndarray:
        self[part] = np.zeros(self._shape).T
        return self[part]

    def complete(self) -> dict[str, np.ndarray]:
        """Give every part, those that stayed nought without taking memory for them."""
        nought = np.broadcast_to(0.0, self._shape).T
        return {name: self.get(name, nought) for name in _part_names()}


def _block(
    fit: Fit, table: Columns, seen: Columns | None, place: Columns, facts: Facts, named: Columns
) -> dict[str, np.ndarray]:
    """Split the log time of some rows; a row's draws lie side by side in memory."""
    features = run_features(facts)
    effects = fit.effects
    out = _Parts(len(features), fit.draws)
    for part, columns in FEATURES_OF_PART.items():
        out[part] += (features[:, columns] @ effects[:, columns].T).T
    for part, k in AREA_OF.items():
        out[part] += fit.level_worths[k].T[facts.levels[:, k]].T
    out["circuit"] += np.log(place["median_s"])
    _add_groups(fit, named, out, seen=seen is not None)
    _add_unknown(fit, table, seen, facts, effects, out)
    lap = lap_features(table["lap"], softness(facts.tyre))
    out["lap"] += (lap @ fit.posterior.lap_effects.astype(float).T).T
    return out.complete()


def facts_of_runs(fit: Fit, places: np.ndarray) -> Facts:
    """Facts of runs that the fit has seen, by their places; what is unknown has a stand-in."""
    rows = fit.runs.iloc[places]
    table = _complete(fit, rows)
    return _facts(table, _place(fit, table), _columns(rows))


def _part_names() -> list[str]:
    return [
        *("circuit", "model", "build", "driver", *AREA_OF, "tyre", "tyre_state"),
        *("conditions", "surface", "lap", "day", "session", "build_day", "outing"),
    ]


def _columns(table: pd.DataFrame) -> Columns:
    return {str(name): table[name].to_numpy() for name in table}


def _runs(fit: Fit, run_id: pd.Series) -> Columns:
    """Return the recorded runs of these numbers."""
    return {**_columns(fit.runs.loc[run_id]), "run_id": run_id.to_numpy()}


def _complete(fit: Fit, rows: pd.DataFrame) -> Columns:
    """Give every column; what is missing is None or NaN, but for surface, layout and lap."""
    table = {name: _column(rows, name) for name in COLUMNS}
    given = table["build"], table["driver"]
    defaults = {
        "surface": ["dry"] * len(rows),
        "layout": ["full"] * len(rows),
        "model": [fit.recorded.model.get(build) for build in given[0]],
        "induction": [fit.recorded.induction.get(build) for build in given[0]],
        "driver_level": [fit.recorded.driver_level.get(driver) for driver in given[1]],
    }
    for name, values in defaults.items():
        missing = pd.isna(table[name])
        table[name][missing] = np.array(values, dtype=object)[missing]
    table["lap"][np.isnan(table["lap"])] = REFERENCE_LAP
    return table


def _column(rows: pd.DataFrame, name: str) -> np.ndarray:
    """Return a copy of a column: floats with NaN, or texts with None, where it is missing."""
    if name in NUMBERS:
        if name not in rows:
            return np.full(len(rows), np.nan)
        return pd.to_numeric(rows[name]).to_numpy(dtype=float, na_value=np.nan, copy=True)
    if name not in rows:
        return np.full(len(rows), None, dtype=object)
    values = np.array(rows[name], dtype=object)
    values[pd.isna(values)] = None
    return values


def _place(fit: Fit, table: Columns) -> Columns:
    """Each row's circuit and layout: reference pressure, density and typical lap."""
    if "places" not in fit.memory:
        number = {name: k for k, name in enumerate(fit.circuits.index)}
        fit.memory["places"] = number, _columns(fit.circuits)
    number, columns = fit.memory["places"]
    pairs = zip(table["circuit"].tolist(), table["layout"].tolist(), strict=True)
    at = np.array([number.get(pair, -1) for pair in pairs], dtype=np.int64)
    known = {name: values[at].astype(float) for name, values in columns.items()}
    return {name: np.where(at < 0, np.nan, values) for name, values in known.items()}


def _facts(table: Columns, place: Columns, seen: Columns | None) -> Facts:
    """Facts of the rows; what only the draws know holds a legal stand-in."""
    levels = np.column_stack([table[name] for name in MODS])
    level = codes(table["driver_level"], DRIVER_LEVELS)
    natural = codes(table["induction"], INDUCTIONS)
    treadwear = relative_treadwear(table["treadwear"], table["tyre_category"])
    density, track = _weather(table, place, seen)
    return Facts(
        np.where(np.isnan(levels), 0, levels).astype(np.int64),
        codes(table["tyre_category"], TYRE_CATEGORIES),
        np.where(level < 0, DRIVER_LEVELS.index("club"), level),
        np.where(natural == INDUCTIONS.index("boosted"), 0.0, 1.0),
        density,
        track,
        _or(table["tyre_heat_cycles"], REFERENCE_CYCLES),
        np.where(np.isnan(treadwear), 0.0, treadwear),
        codes(table["surface"], SURFACES),
    )


def _weather(table: Columns, place: Columns, seen: Columns | None) -> tuple[np.ndarray, np.ndarray]:
    """Log density over the circuit's reference, and track temperature. [-, °C]"""
    if seen is not None:
        return seen["log_density"].astype(float), seen["track_c"].astype(float)
    density = air_density(
        _or(table["air_temp_c"], REFERENCE.air_temp_c),
        _or(table["pressure_hpa"], place["pressure_hpa"]),
        _or(table["humidity_pct"], REFERENCE.humidity_pct),
    )
    return np.log(density) - place["log_density"], _or(table["track_temp_c"], REFERENCE_TRACK_C)


def _or(values: np.ndarray, default: np.ndarray | float | None) -> np.ndarray:
    return np.where(np.isnan(values), default, values)  # type: ignore[arg-type]


def level_worths(effects: np.ndarray, area: int) -> np.ndarray:
    """Worth of each level of an area against standard, shape (draws, 4), in log time."""
    name = AREAS[area]
    slope = effects[:, COLUMN["steps"]] + effects[:, COLUMN[f"area:{name}"]]
    steps = effects[:, [COLUMN[f"step:{name}:{level}"] for level in (1, 2, 3)]]
    total = np.cumsum(slope[:, None] + steps, axis=1)
    return np.hstack([np.zeros((len(effects), 1)), total])


def _with_spec(table: Columns) -> Columns:
    """Add the specification as one text, which some groups are named by."""
    levels = np.column_stack([table[name] for name in MODS]).astype(float)
    return {**table, "spec": np.array(spec_texts(levels), dtype=object)}


def _add_groups(fit: Fit, named: Columns, out: dict[str, np.ndarray], *, seen: bool) -> None:
    """Add the group effects: seen levels from the draws, new names from their population."""
    wet = named["surface"] != "dry"
    for group, part in PART_OF_GROUP.items():
        if group in OF_THE_DAY and not (seen and fit.levels[group]):
            continue  # a large store keeps no effects of single outings; their median is nought
        asked = wet if group == "wet_session" else np.ones(len(wet), dtype=bool)
        if asked.any():
            _add_group(fit, group, named, asked, out[part])


def _add_group(fit: Fit, group: str, table: Columns, asked: np.ndarray, out: np.ndarray) -> None:
    """Add the effects of one group to every row that is asked about, shape (draws, rows)."""
    number = fit.level_numbers[group]
    values = fit.posterior.groups[group]
    for column in GROUPS[group]:
        asked = asked & ~pd.isna(table[column])
    names = keys_of(table, group)
    places = np.array([number.get(name, -1) for name in names])
    for k in np.flatnonzero(asked & (places < 0)):
        out[:, k] += fit.sds[group] * _standard_normal(fit, (group, *names[k]))
    known = np.flatnonzero(asked & (places >= 0))
    out.T[known] += values.T[places[known]]


def _standard_normal(fit: Fit, name: tuple[str, ...]) -> np.ndarray:
    """One Normal draw a posterior draw, always the same for the same name."""
    drawn: dict[tuple[str, ...], np.ndarray] = fit.memory.setdefault("drawn", {})
    if name not in drawn:
        if len(drawn) >= MOST_DRAWN:
            drawn.clear()
        drawn[name] = _drawn(fit, name)
    return drawn[name]


def _drawn(fit: Fit, name: tuple[str, ...]) -> np.ndarray:
    digest = hashlib.sha256(chr(31).join((str(fit.seed), *name)).encode()).digest()
    seed = np.frombuffer(digest, np.uint8).astype(np.uint32)  # as `list(digest)`, at a fourth of it
    return np.random.default_rng(seed).standard_normal(fit.draws)


def fresh(fit: Fit, group: str, n: int) -> np.ndarray:
    """Draw effects of a group for n new days, sessions or outings, shape (draws, n)."""
    columns = [_standard_normal(fit, ("fresh", group, str(k))) for k in range(n)]
    return np.asarray(fit.sds[group][:, None] * np.column_stack(columns))


def _add_unknown(
    fit: Fit,
    table: Columns,
    seen: Columns | None,
    facts: Facts,
    effects: np.ndarray,
    out: dict[str, np.ndarray],
) -> None:
    """Replace the stand-ins of facts that nobody recorded by the fit's own draws of them."""
    _add_unknown_levels(fit, table, effects, out)
    _add_unknown_drivers(fit, table, effects, out)
    natural = _unknown_natural(fit, table)
    if seen is not None:
        _add_unknown_treadwear(fit, table, effects, out)
        _add_unknown_cycles(fit, table, seen, facts, effects, out)
        _add_unknown_weather(fit, seen, facts, effects, natural, out)
    worth = effects[:, COLUMN["density_natural"]] - effects[:, COLUMN["density_boosted"]]
    for k, drawn in natural.items():
        out["conditions"][:, k] += (drawn - 1.0) * worth * facts.log_density[k]


def _add_unknown_levels(
    fit: Fit, table: Columns, effects: np.ndarray, out: dict[str, np.ndarray]
) -> None:
    names = fit.unknown_numbers["levels"]
    for part, area in AREA_OF.items():
        for k in np.flatnonzero(np.isnan(table[MODS[area]])):
            unit = names.get((str(table["build"][k]), AREAS[area]))
            if unit is not None:
                drawn = fit.posterior.unknown["levels"][:, unit]
                worth = level_worths(effects, area)
                out[part][:, k] += np.take_along_axis(worth, drawn[:, None].astype(int), 1)[:, 0]


def _add_unknown_drivers(
    fit: Fit, table: Columns, effects: np.ndarray, out: dict[str, np.ndarray]
) -> None:
    names = fit.unknown_numbers["driver_level"]
    worth = np.zeros((fit.draws, len(DRIVER_LEVELS)))
    for name in ("novice", "expert", "professional"):
        worth[:, DRIVER_LEVELS.index(name)] = effects[:, COLUMN[name]]
    for k in np.flatnonzero(pd.isna(table["driver_level"])):
        unit = names.get((str(table["driver"][k]),))
        if unit is not None:
            drawn = fit.posterior.unknown["driver_level"][:, unit]
            out["driver"][:, k] += np.take_along_axis(worth, drawn[:, None].astype(int), 1)[:, 0]


def _unknown_natural(fit: Fit, table: Columns) -> dict[int, np.ndarray]:
    """Draws of 1 (natural) and 0 (boosted) for each row whose induction nobody recorded."""
    names = fit.unknown_numbers["natural"]
    out = {}
    for k in np.flatnonzero(pd.isna(table["induction"])):
        unit = names.get((str(table["build"][k]),))
        if unit is not None:
            out[int(k)] = fit.posterior.unknown["natural"][:, unit].astype(float)
    return out


def _add_unknown_treadwear(
    fit: Fit, table: Columns, effects: np.ndarray, out: dict[str, np.ndarray]
) -> None:
    names = fit.unknown_numbers["log_treadwear"]
    for k in np.flatnonzero(np.isnan(table["treadwear"])):
        unit = names.get((str(table["build"][k]), str(table["tyre_category"][k])))
        if unit is not None:
            drawn = fit.posterior.unknown["log_treadwear"][:, unit].astype(float)
            out["tyre"][:, k] += effects[:, COLUMN["treadwear"]] * drawn


def _add_unknown_cycles(
    fit: Fit,
    table: Columns,
    seen: Columns,
    facts: Facts,
    effects: np.ndarray,
    out: dict[str, np.ndarray],
) -> None:
    names = fit.unknown_numbers["cycles"]
    soft = softness(facts.tyre)
    for k in np.flatnonzero(np.isnan(table["tyre_heat_cycles"])):
        drawn = fit.posterior.unknown["cycles"][:, names[(str(seen["run_id"][k]),)]].astype(float)
        slope = effects[:, COLUMN["cycles"]] + soft[k] * effects[:, COLUMN["cycles_soft"]]
        out["tyre_state"][:, k] += slope * (drawn - REFERENCE_CYCLES) / 10


def _add_unknown_weather(
    fit: Fit,
    seen: Columns,
    facts: Facts,
    effects: np.ndarray,
    natural: dict[int, np.ndarray],
    out: dict[str, np.ndarray],
) -> None:
    """Add what the drawn weather of a seen session is worth beyond its stand-in."""
    sessions = keys_of(seen, "session")
    soft = softness(facts.tyre)
    for name, change in (("log_density", _density_change), ("track_c", _heat_change)):
        number = fit.unknown_numbers[name]
        for k in np.flatnonzero(seen[f"{name}_sd"] > 0):
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
    number = fit.level_numbers["driver"]
    tau = np.empty((fit.draws, len(drivers)))
    for k, driver in enumerate(drivers):
        place = number.get((str(driver),))
        if place is not None:
            tau[:, k] = noise["tau"][:, place]
        else:
            spread = noise["tau_spread"] * _standard_normal(fit, ("tau", str(driver)))
            tau[:, k] = noise["tau_centre"] * np.exp(spread)
    shape = (fit.draws, len(drivers), laps)
    spread = noise["sigma"].astype(float)[:, None, None] * rng.standard_normal(shape)
    return np.asarray(spread + tau[:, :, None] * rng.standard_exponential(shape))
