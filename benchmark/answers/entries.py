"""Who is in a question's scope, and the situation in which they are compared.

An entry is one build as it stands: its latest specification, its latest tyre category on the
question's surface and its usual driver. Every answer that compares entries starts here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from benchmark.errors import BadQuestion
from benchmark.model.fit import Fit
from benchmark.trade.classes import (
    AREAS,
    CLASSES,
    SURFACES,
    TYRE_CATEGORIES,
    modification_class,
)

ADJUSTMENTS = ("conditions", "conditions,tyre", "conditions,tyre,driver")
EQUAL_TYRE = "track-day"  # the category that `tyre` sets for all: the middle of the five dry ones
EQUAL_DRIVER_LEVEL = "club"  # the level that `driver` sets for all
MODIFICATIONS = tuple(f"mod_{area}" for area in AREAS)
LAP_ORDER = ["date", "session", "run", "lap"]


def check_known(kind: str, name: str, known: Iterable[str]) -> None:
    """Refuse a name that is not among the known ones.

    Raises
    ------
    BadQuestion
        Naming the nearest known names.
    """
    names = known if isinstance(known, Mapping) else list(known)
    if name not in names:
        raise BadQuestion.unknown(kind, name, names)


def check_place(fit: Fit, circuit: str, layout: str) -> None:
    """Refuse a circuit without a counted lap, or a layout that the circuit does not have.

    Raises
    ------
    BadQuestion
        Naming the nearest circuits, or the nearest layouts of this circuit.
    """
    check_known("circuit", circuit, fit.circuits.index.unique(0))
    layouts = [name for place, name in fit.circuits.index if place == circuit]
    check_known(f"layout of {circuit}", layout, layouts)


def check_choices(
    fit: Fit, *, model: str | None, in_class: str | None, tyre: str | None, surface: str
) -> None:
    """Refuse a filter that no entry could ever meet: an unknown name, not an empty choice.

    Raises
    ------
    BadQuestion
        Naming the nearest legal values.
    """
    check_known("surface", surface, SURFACES)
    if model is not None:
        check_known("model", model, fit.whole.names["model"])
    if in_class is not None:
        check_known("class", in_class, [*CLASSES, *fit.whole.classes])
    if tyre is not None:
        check_known("tyre category", tyre, TYRE_CATEGORIES)


def adjustment(adjust: str) -> str:
    """Give the adjustment as one of `ADJUSTMENTS`, whatever the order and spaces.

    Raises
    ------
    BadQuestion
        Anything but the three legal sets.
    """
    asked = {part.strip() for part in adjust.split(",")}
    for legal in ADJUSTMENTS:
        if asked == set(legal.split(",")):
            return legal
    raise BadQuestion(
        f'no adjustment "{adjust}": use one of {", ".join(f"`{legal}`" for legal in ADJUSTMENTS)}'
    )


def check_level(level: float) -> None:
    """Refuse an interval level that is no probability between 0 and 1.

    Raises
    ------
    BadQuestion
        A level of 0, 1 or beyond.
    """
    if not 0 < level < 1:
        raise BadQuestion(f"level {level:g}: write a number between 0 and 1, such as 0.9")


def runs_in_scope(fit: Fit, circuit: str, layout: str, surface: str) -> np.ndarray:
    """Places of the runs at one circuit, layout and surface, ascending; each has a counted lap."""
    return np.sort(fit.lookup.runs_where(circuit=circuit, layout=layout, surface=surface))


def builds_of(fit: Fit, runs: np.ndarray) -> list[str]:
    """Names of the builds that drove these runs."""
    code, names = fit.lookup.codes("build")
    known = list(names)
    return [known[k] for k in np.unique(code[runs])]


def entries_of(fit: Fit, builds: Iterable[str], surface: str) -> pd.DataFrame:
    """The entries of these builds, with the latest tyre category on this surface."""
    chosen = fit.entries[fit.entries["build"].isin(list(builds))].reset_index(drop=True)
    tyres = [by_surface.get(surface, latest) for by_surface, latest in _tyres(chosen)]
    # The treadwear on record is that of the latest tyre, whatever the surface.
    same = chosen["tyre_category"] == pd.Series(tyres, index=chosen.index, dtype=object)
    return chosen.assign(tyre_category=tyres, treadwear=chosen["treadwear"].where(same))


def usual_levels(fit: Fit, model: str) -> dict[str, int]:
    """The most common recorded level of each area of a model, the lower on a tie, else 0."""
    return {area: fit.whole.usual_level(model, k) for k, area in enumerate(AREAS)}


def class_of(facts: Mapping[Any, Any] | pd.Series, usual: Mapping[str, int]) -> str:
    """Class of a specification, an area that is not recorded taken as most common.

    Parameters
    ----------
    facts : the six `mod_*` columns among others; None or NaN is not recorded.
    usual : from `usual_levels`, by area.
    """
    levels = {
        area: usual[area] if pd.isna(facts[f"mod_{area}"]) else int(facts[f"mod_{area}"])
        for area in AREAS
    }
    return modification_class(levels)


def _tyres(entries: pd.DataFrame) -> Iterable[tuple[dict[str, str], str]]:
    return zip(entries["tyre_by_surface"], entries["tyre_category"], strict=True)


def reference_rows(
    entries: pd.DataFrame,
    circuit: str,
    layout: str,
    *,
    surface: str = "dry",
    adjust: str = "conditions",
) -> pd.DataFrame:
    """One row an entry: the entry at the circuit's reference conditions.

    What is left out of a row takes the reference of `Fit.log_time`.
    """
    facts = ["build", "model", "induction", *MODIFICATIONS, "tyre_category", "treadwear"]
    rows = entries[[*facts, "driver", "driver_level"]].copy()
    rows = rows.assign(circuit=circuit, layout=layout, surface=surface)
    if "tyre" in adjust:
        rows = rows.assign(tyre_category=EQUAL_TYRE, treadwear=None)
    if "driver" in adjust:
        rows = rows.assign(driver=None, driver_level=EQUAL_DRIVER_LEVEL)
    return rows


def reference(
    fit: Fit, circuit: str, layout: str, *, surface: str = "dry", adjust: str = "conditions"
) -> dict[str, object]:
    """The conditions that times are adjusted to, with what `adjust` sets besides."""
    stated: dict[str, object] = {**fit.reference(circuit, layout), "surface": surface}
    stated["adjust"] = adjustment(adjust)
    if "tyre" in adjust:
        stated["tyre_category"] = EQUAL_TYRE
    if "driver" in adjust:
        stated["driver_level"] = EQUAL_DRIVER_LEVEL
    return stated


def basis(fit: Fit, stated: dict[str, object]) -> dict[str, object]:
    """What an answer rests on, as its fields: the reference, the fit and the fit's mode."""
    return {"reference": stated, "fit": fit.fit_id, "mode": fit.mode}
