"""Run rows turned into sparse cross products: the equations of a crossed mixed model.

log(lap time) = circuit + levels of six areas + tyre + temperature + lap (ordinary coefficients)
+ model + build + driver + session (pooled) + Normal noise. Every row is one level of each group
and a handful of numbers, so its products are counted group by group; no row of a matrix is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import block_array, coo_array, csc_array

from benchmark.model.mixed_equations import FIXED
from benchmark.model.run_rows import MODS, RunRows
from benchmark.model.sparse_equations import Equations

POOLED = ("model", "build", "driver", "session")  # sessions are eliminated first
REFERENCE_AIR_C = 20.0
REFERENCE_LAP = 2.0
CHUNK = 200_000  # rows whose numbers are held at once

Groups = dict[str, tuple[np.ndarray, int]]


@dataclass(frozen=True)
class Named:
    """The equations and what their columns are.

    Attributes
    ----------
    equations : with the groups of `POOLED` as blocks 0 to 3.
    groups : level of each row, and how many levels, of each group.
    columns : names of the ordinary coefficients that are no circuit.
    """

    equations: Equations
    groups: Groups
    columns: tuple[str, ...]


def equations_of(rows: RunRows) -> Named:
    """Multiply out the run rows."""
    groups: Groups = {
        "model": rows.group("model"),
        "build": rows.group("build"),
        "driver": rows.group("driver"),
        "session": rows.group("circuit", "layout", "date", "session"),
        "circuit": rows.group("circuit", "layout"),
    }
    features, centred = _features(rows), _about_circuits(rows.sums, *groups["circuit"])
    inner = ("model", "build", "driver", "circuit")
    numbers = _Numbers(features, centred)
    n = centred[:, 0]
    by_group = {name: numbers.by(*groups[name]) for name in (*inner, "session")}
    pairs = [
        [_pairs(groups[a], groups[b], n) if j <= i else None for j, b in enumerate(inner)]
        for i, a in enumerate(inner)
    ]
    blocks = [[*row, None] for row in pairs]
    blocks.append([*(csc_array(by_group[name].T) for name in inner), csc_array(numbers.products())])
    lower = csc_array(block_array(blocks, format="csc"))
    lower_strict = lower - csc_array(_diagonal(lower))
    rest = csc_array(lower + lower_strict.T)
    coupling = [_pairs(groups[name], groups["session"], n) for name in inner]
    stacked = block_array([[part] for part in [*coupling, csc_array(by_group["session"].T)]])
    block = np.concatenate(
        [np.full(groups[name][1], k) for k, name in enumerate(POOLED[:3])]
        + [np.full(groups["circuit"][1] + len(features) + 1, FIXED)]
    )
    sessions = np.bincount(groups["session"][0], n, minlength=groups["session"][1])
    equations = Equations(sessions, csc_array(stacked), rest, 3, block, len(POOLED), float(n.sum()))
    return Named(equations, groups, (*(name for name, _ in features), "lap"))


Features = list[tuple[str, Callable[[slice], np.ndarray]]]
ALL = slice(None)


def _features(rows: RunRows) -> Features:
    """Numbers of a row that its laps share: levels, tyre, temperature; those that vary at all."""
    features: Features = []
    for name in MODS:
        if name in rows.numbers:
            levels = rows.numbers[name]
            known = sorted({int(level) for level in np.unique(levels) if level > 0})
            features += [(f"{name} {level}", _equal(levels, level)) for level in known]
    tyres = rows.names["tyre_category"]
    common = int(np.bincount(rows.codes["tyre_category"]).argmax())
    features += [
        (f"tyre {name}", _equal(rows.codes["tyre_category"], k))
        for k, name in enumerate(tyres)
        if k != common
    ]
    air = rows.numbers.get("air_temp_c", np.zeros(0))
    if np.isfinite(air).any() and np.nanmin(air) < np.nanmax(air):
        features.append(("air_temp_c", _degrees(air)))
    return features


def _equal(values: np.ndarray, value: int) -> Callable[[slice], np.ndarray]:
    return lambda part: (values[part] == value).astype(float)


def _degrees(air: np.ndarray) -> Callable[[slice], np.ndarray]:
    """Degrees over the reference; a row without a temperature stands at the mean of the others."""
    usual = float(np.nanmean(air))
    return lambda part: np.where(np.isnan(air[part]), usual, air[part]) - REFERENCE_AIR_C


def _about_circuits(sums: np.ndarray, circuit: np.ndarray, n_circuits: int) -> np.ndarray:
    """Take the response about its circuit's mean, and the lap about the reference lap.

    Both shift ordinary coefficients only; without it squares of a large response would cancel.
    """
    n, lap, lap_lap, y, lap_y, y_y = sums.T
    counts = np.bincount(circuit, n, minlength=n_circuits)
    mean = (np.bincount(circuit, y, minlength=n_circuits) / counts)[circuit]
    lap_lap = lap_lap - 2 * REFERENCE_LAP * lap + n * REFERENCE_LAP**2
    y_y = y_y - 2 * mean * y + n * mean**2
    lap_y = lap_y - mean * lap - REFERENCE_LAP * (y - n * mean)
    return np.column_stack([n, lap - n * REFERENCE_LAP, lap_lap, y - n * mean, lap_y, y_y])


class _Numbers:
    """The ordinary columns that are numbers of a row, then the lap and the response."""

    def __init__(self, features: Features, sums: np.ndarray) -> None:
        self.features, self.sums = features, sums

    def by(self, code: np.ndarray, levels: int) -> np.ndarray:
        """Sum each column over the laps of each level of a group, (levels, columns)."""
        n = self.sums[:, 0]
        out = np.empty((levels, len(self.features) + 2))
        for k, (_, column) in enumerate(self.features):
            out[:, k] = np.bincount(code, n * column(ALL), minlength=levels)
        for k, values in ((-2, self.sums[:, 1]), (-1, self.sums[:, 3])):
            out[:, k] = np.bincount(code, values, minlength=levels)
        return out

    def products(self) -> np.ndarray:
        """Cross products of the columns with each other, (columns, columns), lower half."""
        d = len(self.features)
        out = np.zeros((d + 2, d + 2))
        for begin in range(0, len(self.sums), CHUNK):
            part = slice(begin, begin + CHUNK)
            n, lap, _, y, *_ = self.sums[part].T
            x = np.column_stack([column(part) for _, column in self.features] or [n[:, None]])
            x = x[:, :d]
            out[:d, :d] += x.T @ (n[:, None] * x)
            out[d, :d] += lap @ x
            out[d + 1, :d] += y @ x
        out[d, d], out[d + 1, d], out[d + 1, d + 1] = self.sums[:, [2, 4, 5]].sum(axis=0)
        return np.tril(out)


def _pairs(a: tuple[np.ndarray, int], b: tuple[np.ndarray, int], n: np.ndarray) -> csc_array:
    """Count the laps of each pair of levels, (levels of a, levels of b)."""
    coo = coo_array((n, (a[0].astype(np.int32), b[0].astype(np.int32))), shape=(a[1], b[1]))
    return csc_array(coo)


def _diagonal(matrix: csc_array) -> coo_array:
    at = np.arange(matrix.shape[0])
    return coo_array((matrix.diagonal(), (at, at)), shape=matrix.shape)
