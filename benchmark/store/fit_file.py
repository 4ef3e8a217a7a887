"""A large fit in a file beside the store, so that an answer reads its own circuit alone.

DuckDB reads a blob with the two thousand rows around it, and holds it in its limit of memory: a fit
of ten million laps has more draws than that limit. Runs lie in the file circuit by circuit, laps
with their runs, and the draws of each effect in the order in which these runs need them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from benchmark.model.design import GROUPS
from benchmark.model.fit import Fit
from benchmark.model.fit_columns import (
    BY_NAME,
    ENTRY_NUMBERS,
    ENTRY_TEXTS,
    RUN_NUMBERS,
    RUN_TEXTS,
    UNITS,
    UNITS_BY_RUN,
)
from benchmark.model.frame import MODS
from benchmark.model.structure import spec_texts
from benchmark.model.weighted import numbers_of_runs
from benchmark.store.array_file import ArrayWriter
from benchmark.trade.classes import AREAS, SURFACES, TYRE_CATEGORIES

FORMAT = 2
ROWS_AT_ONCE = 2_000  # of draws, while they are put in order


def write_fit(fit: Fit, worked_out: Mapping[str, Mapping[str, np.ndarray]], path: Path) -> str:
    """Write a fit, and what answers have worked out of it; give the digest of the file.

    Parameters
    ----------
    worked_out : arrays by the name of the answer.
    """
    with ArrayWriter(path) as out:
        _write_head(out, fit)
        names = {column: _names(fit.runs[column]) for column in RUN_TEXTS}
        order = np.lexsort((fit.runs.index, _codes(fit.runs["circuit"], names["circuit"])))
        runs = fit.runs.iloc[order]
        codes = {column: _codes(runs[column], names[column]) for column in RUN_TEXTS}
        _write_runs(out, runs, names, codes)
        _write_laps(out, fit.laps, runs.index)
        _write_entries(out, fit, names)
        _write_groups(out, fit, order, names)
        _write_unknown(out, fit, order, names)
        for answer, arrays in worked_out.items():
            for name, array in arrays.items():
                out.add(f"kept/{answer}/{name}", array)
    return out.digest


def _write_head(out: ArrayWriter, fit: Fit) -> None:
    meta = {
        "format": FORMAT,
        "meta": fit.meta(),
        "whole": fit.whole.to_plain(),
        "circuits": fit.circuits.reset_index().to_dict("list"),
    }
    out.add("head", np.frombuffer(json.dumps(meta).encode(), np.uint8))
    out.add("usual_delay", fit.usual_delay)
    arrays = fit.posterior.arrays()
    for name, values in arrays.items():
        if not name.startswith(("groups/", "unknown/")) and name != "noise/tau":
            out.add(f"draws/{name}", values)


def _names(column: pd.Series) -> np.ndarray:
    """Sorted names of a column, as UTF-8."""
    return np.unique(np.char.encode(np.asarray(column.dropna().unique(), dtype=str), "utf-8"))


def _codes(column: pd.Series, names: np.ndarray) -> np.ndarray:
    """Number of each row's name, -1 where there is none."""
    code, found = pd.factorize(column)
    if not len(found):
        return code.astype(np.int32)
    place = np.searchsorted(names, np.char.encode(np.asarray(found, dtype=str), "utf-8"))
    return np.append(place, -1)[code].astype(np.int32)


def _small(values: np.ndarray) -> np.ndarray:
    """Numbers in single precision where that loses nothing."""
    narrow = values.astype(np.float32)
    return narrow if np.array_equal(narrow, values, equal_nan=True) else values


def _write_runs(
    out: ArrayWriter, runs: pd.DataFrame, names: dict[str, np.ndarray], codes: dict[str, np.ndarray]
) -> None:
    out.add("run/id", runs.index.to_numpy(dtype=np.int64))
    for column in RUN_TEXTS:
        out.add(f"names/{column}", names[column])
        out.add(f"run/{column}", codes[column])
    for column in RUN_NUMBERS:
        out.add(f"run/{column}", _small(runs[column].to_numpy(dtype=float)))
    places = np.arange(len(names["circuit"]) + 1)
    out.add("circuit/start", np.searchsorted(codes["circuit"], places))
    for who in ("build", "driver"):
        order = np.argsort(codes[who], kind="stable")
        starts = np.searchsorted(codes[who][order], np.arange(len(names[who]) + 1))
        out.add(f"{who}/runs", order.astype(np.int32))
        out.add(f"{who}/start", starts)


def _write_laps(out: ArrayWriter, laps: pd.DataFrame, run_ids: pd.Index) -> None:
    """Laps in the order of their runs; where each run's begin."""
    place = run_ids.get_indexer(pd.Index(laps["run_id"]))
    order = np.argsort(place, kind="stable")
    out.add("lap/start", np.searchsorted(place[order], np.arange(len(run_ids) + 1)))
    out.add("lap/lap", laps["lap"].to_numpy()[order].astype(np.int32))
    out.add("lap/lap_time_s", laps["lap_time_s"].to_numpy(dtype=float)[order])
    out.add("lap/timing_u_s", laps["timing_u_s"].to_numpy(dtype=float)[order])


def _write_entries(out: ArrayWriter, fit: Fit, names: dict[str, np.ndarray]) -> None:
    """Entries in the order of the builds' names, and each driver's level."""
    entries = fit.entries.iloc[np.argsort(_codes(fit.entries["build"], names["build"]))]
    for column in ENTRY_TEXTS:
        own = _names(entries[column])
        out.add(f"entry_names/{column}", own)
        out.add(f"entry/{column}", _codes(entries[column], own))
    for column in ENTRY_NUMBERS:
        out.add(f"entry/{column}", entries[column].to_numpy(dtype=float))
    number = {tyre: k for k, tyre in enumerate(TYRE_CATEGORIES)}
    tyres = [[number.get(by.get(s, ""), -1) for s in SURFACES] for by in entries["tyre_by_surface"]]
    out.add("entry/tyre_by_surface", np.array(tyres, dtype=np.int8))
    specs = spec_texts(entries[list(MODS)].to_numpy(dtype=float))
    spec = fit.level_numbers["build_spec"]
    builds = entries["build"].astype(str)
    level = [spec.get(name, -1) for name in zip(builds, specs, strict=True)]
    out.add("entry/build_spec", np.array(level, dtype=np.int32))
    drivers = [name.decode() for name in names["driver"]]
    levels = pd.Series([fit.recorded.driver_level.get(name) for name in drivers], dtype=object)
    own = _names(levels)
    out.add("driver/told_names", own)
    out.add("driver/told", _codes(levels, own))


def _write_groups(
    out: ArrayWriter, fit: Fit, order: np.ndarray, names: dict[str, np.ndarray]
) -> None:
    """Draws of each group; levels keep their numbers, `place/` says where each lies."""
    for group in GROUPS:
        numbers = numbers_of_runs(fit, GROUPS[group], fit.level_numbers[group])
        if group == "wet_session":  # a session may have dry runs as well
            numbers[fit.runs["surface"].to_numpy() == "dry"] = -1
        values = {f"groups/{group}": fit.posterior.groups[group]}
        if group == "driver":
            values["noise/tau"] = fit.posterior.noise["tau"]
        _write_draws(out, group, values, numbers[order], len(fit.levels[group]))
        if group not in BY_NAME:
            out.add(f"run/level/{group}", numbers[order].astype(np.int32))
        else:
            known = fit.level_numbers[group]
            own = [known.get((name.decode(),), -1) for name in names[group]]
            out.add(f"{group}/level", np.array(own, dtype=np.int32))


def _write_unknown(
    out: ArrayWriter, fit: Fit, order: np.ndarray, names: dict[str, np.ndarray]
) -> None:
    """Draws of facts that nobody recorded, and which unit each run, driver and build has."""
    for kind, columns in UNITS.items():
        number = fit.unknown_numbers.get(kind, {})
        draws = fit.posterior.unknown.get(kind, np.empty((fit.draws, 0)))
        values = {f"unknown/{kind}": draws}
        if kind in UNITS_BY_RUN:
            of_run = numbers_of_runs(fit, columns, number)[order]
            out.add(f"run/level/unknown/{kind}", of_run.astype(np.int32))
            _write_draws(out, f"unknown/{kind}", values, of_run, len(number))
            continue
        units = [(area,) for area in AREAS] if kind == "levels" else [()]
        own = [
            [number.get((name.decode(), *more), -1) for more in units] for name in names[columns[0]]
        ]
        out.add(f"{columns[0]}/unknown/{kind}", np.array(own, dtype=np.int32))
        _write_draws(out, f"unknown/{kind}", values, np.empty(0, np.int64), len(number))


def _write_draws(
    out: ArrayWriter, what: str, values: dict[str, np.ndarray], of_run: np.ndarray, n: int
) -> None:
    """Write draws, one row a level, in the order in which the runs need the levels."""
    used = of_run[of_run >= 0]
    first = np.full(n, len(of_run))
    np.minimum.at(first, used, np.flatnonzero(of_run >= 0))
    order = np.argsort(first, kind="stable")
    place = np.empty(n, dtype=np.int32)
    place[order] = np.arange(n)
    out.add(f"place/{what}", place)
    for name, draws in values.items():
        # The fast mode holds some at one value in every draw: that is kept once.
        alike = n > 0 and bool((draws == draws[:1]).all())
        width = 1 if alike else len(draws)
        parts = _in_rows(draws[:width], order)
        out.add_rows(f"draws/{name}", parts, draws.dtype, [n, width])


def _in_rows(draws: np.ndarray, order: np.ndarray) -> Iterator[np.ndarray]:
    for first in range(0, len(order), ROWS_AT_ONCE):
        yield np.ascontiguousarray(draws[:, order[first : first + ROWS_AT_ONCE]].T)
