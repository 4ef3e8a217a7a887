"""Which class an entry belongs to under the rules, and what becomes of small classes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.entries import MODIFICATIONS
from benchmark.intake.rules import Rules, When
from benchmark.trade.classes import AREAS, CLASSES, TYRE_CATEGORIES, modification_class

NO_CLASS = "no class of the rules fits this car, or its class has too few entries"


def complete_levels(facts: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
    """Take a level that nobody recorded as the most common one of that model (the lower on a tie).

    `known` has `model` and the six levels; a model it does not name counts as standard.
    """
    facts = facts.copy()
    for column in MODIFICATIONS:
        missing = facts[column].isna()
        if missing.any():
            usual = known.dropna(subset=[column]).groupby("model")[column].agg(_most_common)
            facts[column] = (
                facts[column].astype(float).where(~missing, facts["model"].map(usual).astype(float))
            )
        facts[column] = facts[column].fillna(0).astype(int)
    return facts


def _most_common(levels: pd.Series) -> float:
    return float(levels.mode().min())


def declared_classes(facts: pd.DataFrame, rules: Rules, pct: np.ndarray | None) -> list[str | None]:
    """Class of each entry by the rules, before small classes are pooled; None fits no class.

    Parameters
    ----------
    facts : with `model`, `tyre_category` and the six levels, all known.
    pct : expected pace of the declared car, as `classes.boundaries_pct` has it; needed where
        classes go by pace.
    """
    by = rules.classes["by"]
    if by == "pace":
        assert pct is not None  # noqa: S101 - the caller looks at `by` too
        bounds = list(rules.classes["boundaries_pct"])
        return [rules.classes["names"][k] for k in np.searchsorted(bounds, pct, side="right")]
    return [_class_of(row, rules) for row in facts.to_dict("records")]


def _class_of(row: Mapping[Any, Any], rules: Rules) -> str | None:
    by = rules.classes["by"]
    if by == "tyre":
        return str(row["tyre_category"])
    if by == "model":
        return str(row["model"])
    modification = modification_class({a: int(row[f"mod_{a}"]) for a in AREAS})
    if by == "modification":
        return modification
    for rule in rules.declared:
        if not rule.when or any(_meets(row, way, modification) for way in rule.when):
            return rule.name
    return None


def _meets(row: Mapping[Any, Any], way: When, modification: str) -> bool:
    asked = (
        (way.tyres, row["tyre_category"]),
        (way.models, row["model"]),
        (way.modification, modification),
        *((levels, int(row[f"mod_{area}"])) for area, levels in way.areas.items()),
    )
    return all(value in legal for legal, value in asked if legal)


def class_order(rules: Rules, classes: Sequence[str | None]) -> list[str]:
    """Order of the classes: as the rules give it, else slow to quick by custom, else by name."""
    found = {c for c in classes if c is not None}
    given: Sequence[str] = {
        "modification": CLASSES,
        "tyre": TYRE_CATEGORIES,
        "pace": tuple(reversed(rules.classes["names"])),
        "declared": tuple(rule.name for rule in rules.declared),
        "model": tuple(sorted(found)),
    }[rules.classes["by"]]
    return [c for c in given if c in found]


def pools(rules: Rules, classes: Sequence[str | None], pace: np.ndarray) -> dict[str, str | None]:
    """Say under which name each class scores: its own, a pool's, or None where it is left out.

    Parameters
    ----------
    classes : of the entries known before the freeze.
    pace : expected log time of their declared cars, to find the neighbour of nearest pace.

    Returns
    -------
    A name for each class that has an entry. A class below `classes.minimum` is joined to the
    class before or after it whose mean pace is nearer, the smallest first, until all are large
    enough or one is left.
    """
    order = class_order(rules, classes)
    number = {c: sum(k == c for k in classes) for c in order}
    least, small = rules.classes["minimum"], rules.classes["small"]
    if small != "pool":
        out = small == "leave-out"
        return {c: None if out and number[c] < least else c for c in order}
    mean = {c: float(np.mean([p for p, k in zip(pace, classes, strict=True) if k == c]))
            for c in order}  # fmt: skip
    groups = [[c] for c in order]
    while len(groups) > 1:
        sizes = [sum(number[c] for c in group) for group in groups]
        at = int(np.argmin(sizes))
        if sizes[at] >= least:
            break
        _join(groups, at, number, mean)
    return {c: "+".join(group) for group in groups for c in group}


def _join(
    groups: list[list[str]], at: int, number: Mapping[str, int], mean: Mapping[str, float]
) -> None:
    def pace_of(group: list[str]) -> float:
        return float(np.average([mean[c] for c in group], weights=[number[c] for c in group]))

    beside = [k for k in (at - 1, at + 1) if 0 <= k < len(groups)]
    near = min(beside, key=lambda k: abs(pace_of(groups[k]) - pace_of(groups[at])))
    first, second = sorted((at, near))
    groups[first] += groups.pop(second)
