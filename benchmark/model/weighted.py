"""Weighted sums of the parts of many outings, from sums over effects instead of over outings.

A part is a sum of effects, so a weighted sum over a million outings needs only the summed weights
of each effect's level. Outings with a fact that nobody recorded are not so simple: their draws
differ from one to the next, and they are taken one by one as `Fit.parts` does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from scipy.sparse import csr_array

from benchmark.model import predict
from benchmark.model.design import GROUPS, USUAL_TREADWEAR, run_features
from benchmark.model.fit import Fit
from benchmark.model.frame import MODS
from benchmark.model.structure import spec_texts

OUTINGS_AT_ONCE = 50_000
CLOSE_AT_ONCE = 500  # of those that are taken one by one
LEVELS = 4
RECORDED = (*MODS, "tyre_heat_cycles", "driver_level", "induction")

Weights = Callable[[slice], np.ndarray]


def weighted_parts(fit: Fit, weights: Weights, parts: Sequence[str]) -> dict[str, np.ndarray]:
    """Return, for each part, draws of its weighted sums over the outings of a fit.

    Parameters
    ----------
    weights : gives for a slice of the outings their weights, shape (outings, sums).
    parts : names of parts as in `Fit.parts`, none of them "circuit", "lap" or "outing".

    Returns
    -------
    By part the draws, shape (draws, sums), in log seconds.
    """
    n_sums = weights(slice(0, 0)).shape[1]
    out = {part: np.zeros((fit.draws, n_sums)) for part in parts}
    plain = _plain(fit)
    totals = _Totals(fit, parts, n_sums)
    for first in range(0, len(fit.runs), OUTINGS_AT_ONCE):
        some = slice(first, first + OUTINGS_AT_ONCE)
        own = weights(some)
        used = np.any(own != 0, axis=1)
        together, apart = used & plain[some], used & ~plain[some]
        totals.add(first + np.flatnonzero(together), own[together])
        _add_closely(fit, out, first + np.flatnonzero(apart), own[apart])
    totals.add_to(out)
    return out


def _plain(fit: Fit) -> np.ndarray:
    """Whether every fact of an outing is on record, or is one that its tyre does not have."""
    runs = fit.runs
    plain = (runs["log_density_sd"].to_numpy() == 0) & (runs["track_c_sd"].to_numpy() == 0)
    for column in RECORDED:
        plain &= runs[column].notna().to_numpy()
    graded = runs["tyre_category"].isin(USUAL_TREADWEAR).to_numpy()
    return np.asarray(plain & (runs["treadwear"].notna().to_numpy() | ~graded))


def _add_closely(
    fit: Fit, out: dict[str, np.ndarray], places: np.ndarray, weights: np.ndarray
) -> None:
    for first in range(0, len(places), CLOSE_AT_ONCE):
        some = slice(first, first + CLOSE_AT_ONCE)
        found = fit.parts(fit.runs.iloc[places[some]].rename_axis("run_id").reset_index())
        for part in out:
            out[part] += found[part] @ weights[some]


class _Totals:
    """Weights summed over outings, by feature, by level of an area, by level of a group."""

    def __init__(self, fit: Fit, parts: Sequence[str], n_sums: int) -> None:
        self._fit = fit
        self._features = np.zeros((fit.posterior.run_effects.shape[1], n_sums))
        self._areas = np.zeros((len(MODS), LEVELS, n_sums))
        self._level = {
            group: _levels_of_runs(fit, group)
            for group, part in predict.PART_OF_GROUP.items()
            if part in parts
        }
        self._groups = {group: np.zeros((len(fit.levels[group]), n_sums)) for group in self._level}

    def add(self, places: np.ndarray, weights: np.ndarray) -> None:
        """Add the weights of these outings."""
        facts = predict.facts_of_runs(self._fit, places)
        self._features += run_features(facts).T @ weights
        for area, levels in enumerate(facts.levels.T):
            self._areas[area] += _by_level(levels, LEVELS, weights)
        for group, level in self._level.items():
            self._groups[group] += _by_level(level[places], len(self._groups[group]), weights)

    def add_to(self, out: dict[str, np.ndarray]) -> None:
        """Multiply the sums with the draws."""
        effects = self._fit.posterior.run_effects.astype(float)
        for part, columns in predict.FEATURES_OF_PART.items():
            if part in out:
                out[part] += effects[:, columns] @ self._features[columns]
        for part, area in predict.AREA_OF.items():
            if part in out:
                out[part] += predict.level_worths(effects, area) @ self._areas[area]
        for group, total in self._groups.items():
            if total.any():
                values = self._fit.posterior.groups[group]
                out[predict.PART_OF_GROUP[group]] += values.astype(float) @ total


def _by_level(level: np.ndarray, n: int, weights: np.ndarray) -> np.ndarray:
    """Sum weights by level; -1 is no level."""
    known = np.flatnonzero(level >= 0)
    chosen = csr_array((np.ones(len(known)), (level[known], known)), shape=(n, len(level)))
    return np.asarray(chosen @ weights)


def _levels_of_runs(fit: Fit, group: str) -> np.ndarray:
    """Return the number of each outing's level in a group, -1 where it has none."""
    level = numbers_of_runs(fit, GROUPS[group], fit.level_numbers[group])
    if group == "wet_session":  # a session may have dry runs as well
        level[fit.runs["surface"].to_numpy() == "dry"] = -1
    return level


def numbers_of_runs(
    fit: Fit, columns: Sequence[str], number: Mapping[tuple[str, ...], int]
) -> np.ndarray:
    """Return the number of what some columns of each run name together, -1 where it has none."""
    if not number:
        return np.full(len(fit.runs), -1, dtype=np.int64)
    if columns == ("run_id",):
        return np.array([number.get((str(k),), -1) for k in fit.runs.index], dtype=np.int64)
    key = np.zeros(len(fit.runs), dtype=np.int64)
    for column in columns:
        code, names = _codes(fit, column)
        key = key * (names + 1) + code
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    rows = {column: _texts(fit, column, first) for column in columns}
    named = zip(*rows.values(), strict=True)
    return np.array([number.get(name, -1) for name in named], dtype=np.int64)[inverse]


def _codes(fit: Fit, column: str) -> tuple[np.ndarray, int]:
    if column != "spec":
        code, names = fit.lookup.codes(column)
        return code, len(names)
    levels = fit.runs[list(MODS)].to_numpy(dtype=float)
    digits = np.where(np.isnan(levels), LEVELS, levels).astype(np.int64)
    return digits @ (LEVELS + 1) ** np.arange(len(MODS)), (LEVELS + 1) ** len(MODS)


def _texts(fit: Fit, column: str, places: np.ndarray) -> list[str]:
    runs = fit.runs.iloc[places]
    if column == "spec":
        return spec_texts(runs[list(MODS)].to_numpy(dtype=float))
    return [str(value) for value in runs[column]]
