"""The terms of the model: which number each effect is multiplied by, for any run and lap.

The centre of a clean lap's log time is a sum of effects. Effects with a column here are
"fixed features" of a run or a lap; the rest are group effects (`GROUPS`), one number for each
model, build, driver, day and so on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchmark.model.priors import Priors
from benchmark.trade.classes import (
    AREAS,
    DRIVER_LEVELS,
    DRY_TYRES,
    LEVELS,
    SURFACES,
    TYRE_CATEGORIES,
)

# How soft a tyre category is, from touring (0) to slick (1); scales heat, fade and cycles.
# Common practice, no published source.
SOFTNESS = {
    "touring": 0.0,
    "sport": 0.25,
    "track-day": 0.5,
    "semi-slick": 0.75,
    "slick": 1.0,
    "wet": 0.5,
}
# The treadwear grade in the middle of each category (see trade.classes for the bounds).
USUAL_TREADWEAR = {"touring": 360.0, "sport": 250.0, "track-day": 180.0, "semi-slick": 80.0}
REFERENCE_TRACK_C = 30.0
REFERENCE_LAP = 2
REFERENCE_CYCLES = 2.0

STEPS = tuple(f"step:{area}:{level}" for area in AREAS for level in LEVELS[1:])
AREA_SLOPES = tuple(f"area:{area}" for area in AREAS)
TYRE_STEPS = tuple(f"tyre:{category}" for category in DRY_TYRES[1:])
# Features of a run, in the order of the columns of `run_features`.
RUN_FEATURES = (
    "steps",
    *AREA_SLOPES,
    *STEPS,
    *TYRE_STEPS,
    "wet_tyre",
    "wet_tyre_damp",
    "wet_tyre_wet",
    "soft_wet",
    "novice",
    "expert",
    "professional",
    "density_natural",
    "density_boosted",
    "heat",
    "heat_soft",
    "heat_curve",
    "heat_curve_soft",
    "cycles",
    "cycles_soft",
    "treadwear",
    "damp",
    "wet",
)
# Features of a lap within its run, in the order of the columns of `lap_features`.
LAP_FEATURES = ("lap_first", "lap_warm", "lap_warm_soft", "fade", "fade_soft", "fade_curve")
COLUMN = {name: i for i, name in enumerate(RUN_FEATURES)}

# Group effects, coarse to fine, and the columns of a run that name the group.
GROUPS: Mapping[str, tuple[str, ...]] = {
    "circuit": ("circuit", "layout"),
    "model": ("model",),
    "model_circuit": ("model", "circuit", "layout"),
    "build": ("build",),
    "build_spec": ("build", "spec"),
    "driver": ("driver",),
    "driver_circuit": ("driver", "circuit", "layout"),
    "day": ("circuit", "layout", "date"),
    "session": ("circuit", "layout", "date", "session"),
    "wet_session": ("circuit", "layout", "date", "session"),
    "build_day": ("build", "circuit", "layout", "date"),
    "outing": ("run_id",),
}
# What part of an explanation each feature belongs to (areas are split by `area_parts`).
PART_OF_FEATURE = {
    **dict.fromkeys((*TYRE_STEPS, "wet_tyre", "treadwear"), "tyre"),
    **dict.fromkeys(("damp", "wet", "wet_tyre_damp", "wet_tyre_wet", "soft_wet"), "surface"),
    **dict.fromkeys(("novice", "expert", "professional"), "driver"),
    **{name: "conditions" for name in RUN_FEATURES if name.startswith(("density", "heat"))},
    **dict.fromkeys(("cycles", "cycles_soft"), "tyre_state"),
}


@dataclass(frozen=True)
class Facts:
    """What the features of n runs are made from; every array has length n (levels: n x 6).

    `levels` holds 0 to 3 by area, `tyre`, `driver_level` and `surface` index the lists of the
    trade, `natural` is 1 for a naturally aspirated engine and 0 for a boosted one.
    """

    levels: np.ndarray
    tyre: np.ndarray
    driver_level: np.ndarray
    natural: np.ndarray
    log_density: np.ndarray
    track_c: np.ndarray
    cycles: np.ndarray
    log_treadwear: np.ndarray
    surface: np.ndarray

    def take(self, rows: np.ndarray | slice) -> Facts:
        """Return the facts of some rows."""
        return replace(self, **{k: v[rows] for k, v in vars(self).items()})


def codes(values: Iterable[object], legal: tuple[str, ...]) -> np.ndarray:
    """Index of each value in the list of legal ones, -1 where it is missing."""
    number: dict[object, int] = {name: k for k, name in enumerate(legal)}
    return np.array([number.get(value, -1) for value in values], dtype=np.int64)


def relative_treadwear(treadwear: Iterable[float], tyre_category: Iterable[str]) -> np.ndarray:
    """Log of the treadwear grade over the usual one of its category; NaN where not recorded."""
    usual = np.array([USUAL_TREADWEAR.get(name, np.nan) for name in tyre_category], dtype=float)
    ratio = np.log(np.array(list(treadwear), dtype=float) / usual)
    return np.where(np.isnan(usual), 0.0, ratio)


def softness(tyre: np.ndarray) -> np.ndarray:
    """Softness (0 to 1) of each tyre category index."""
    return np.array([SOFTNESS[category] for category in TYRE_CATEGORIES])[tyre]


def run_features(facts: Facts) -> np.ndarray:
    """Return the features of n runs, shape (n, number of `RUN_FEATURES`)."""
    soft = softness(facts.tyre)
    out = np.zeros((len(facts.tyre), len(RUN_FEATURES)))
    _step_features(out, facts.levels)
    wet_tyre = facts.tyre == TYRE_CATEGORIES.index("wet")
    for k, name in enumerate(TYRE_STEPS, start=1):
        out[:, COLUMN[name]] = (facts.tyre >= k) & ~wet_tyre
    damp = facts.surface == SURFACES.index("damp")
    wet = facts.surface == SURFACES.index("wet")
    out[:, COLUMN["wet_tyre"]] = wet_tyre
    out[:, COLUMN["wet_tyre_damp"]] = wet_tyre & damp
    out[:, COLUMN["wet_tyre_wet"]] = wet_tyre & wet
    out[:, COLUMN["soft_wet"]] = np.where((damp | wet) & ~wet_tyre, soft, 0.0)
    out[:, COLUMN["damp"]] = damp
    out[:, COLUMN["wet"]] = wet
    for level in ("novice", "expert", "professional"):
        out[:, COLUMN[level]] = facts.driver_level == DRIVER_LEVELS.index(level)
    for columns, make in NUMBER_COLUMNS.values():
        out[:, columns] = make(facts, soft)
    return out


def _block(first: str, last: str) -> slice:
    """Columns from one feature to another."""
    return slice(COLUMN[first], COLUMN[last] + 1)


def _step_features(out: np.ndarray, levels: np.ndarray) -> None:
    """Fill in the columns of modification steps: how many, by area, and each step on its own."""
    out[:, COLUMN["steps"]] = levels.sum(axis=1)
    for a, area in enumerate(AREAS):
        out[:, COLUMN[f"area:{area}"]] = levels[:, a]
        for level in LEVELS[1:]:
            out[:, COLUMN[f"step:{area}:{level}"]] = levels[:, a] >= level


def density_columns(facts: Facts, _soft: np.ndarray) -> np.ndarray:
    """Columns of air density: for natural engines, then for boosted ones."""
    natural = facts.natural * facts.log_density
    return np.column_stack([natural, facts.log_density - natural])


def heat_columns(facts: Facts, soft: np.ndarray) -> np.ndarray:
    """Columns of track temperature: slope, and with softness; curvature, and with softness."""
    # On a damp or wet track the surface temperature means something else; the surface has its own.
    hotter = np.where(facts.surface == 0, (facts.track_c - REFERENCE_TRACK_C) / 10, 0.0)
    return np.column_stack([hotter, soft * hotter, hotter**2, soft * hotter**2])


def cycles_columns(facts: Facts, soft: np.ndarray) -> np.ndarray:
    """Columns of heat cycles: slope, and with softness."""
    aged = (facts.cycles - REFERENCE_CYCLES) / 10
    return np.column_stack([aged, soft * aged])


def treadwear_columns(facts: Facts, _soft: np.ndarray) -> np.ndarray:
    """Column of treadwear."""
    return facts.log_treadwear[:, None]


# The columns that each number of a run fills, and how: (facts, softness) to (n, columns).
NUMBER_COLUMNS: Mapping[str, tuple[slice, Callable[[Facts, np.ndarray], np.ndarray]]] = {
    "log_density": (_block("density_natural", "density_boosted"), density_columns),
    "track_c": (_block("heat", "heat_curve_soft"), heat_columns),
    "cycles": (_block("cycles", "cycles_soft"), cycles_columns),
    "log_treadwear": (_block("treadwear", "treadwear"), treadwear_columns),
}


def lap_features(lap: np.ndarray, soft: np.ndarray) -> np.ndarray:
    """Return the features of laps within their runs, shape (n, number of `LAP_FEATURES`).

    All are nought on lap 2, the first flying lap, which is the reference.
    """
    further = np.maximum(lap - REFERENCE_LAP, 0.0)
    warm = (lap > REFERENCE_LAP).astype(float)
    return np.column_stack(
        [lap < REFERENCE_LAP, warm, soft * warm, further, soft * further, further**2 / 10]
    ).astype(float)


def effect_priors(priors: Priors) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return centre, standard deviation and kind of each run feature, then of each lap feature.

    Kind is 0 for a fixed width, 1 for an area slope and 2 for a step, whose widths are learnt.
    """
    centre, width, kind = [], [], []
    for name in (*RUN_FEATURES, *LAP_FEATURES):
        if name in AREA_SLOPES or name in STEPS:
            centre.append(0.0)
            width.append(np.nan)
            kind.append(1 if name in AREA_SLOPES else 2)
            continue
        effect = priors.effects["tyre" if name in TYRE_STEPS else name]
        centre.append(effect.centre)
        width.append(effect.width)
        kind.append(0)
    return np.array(centre), np.array(width), np.array(kind)
