"""Draws of the last fit, carried over to the levels and units that the laps have now."""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchmark.model.chain import Arrays, snapshot, unknown_names
from benchmark.model.fit import Fit
from benchmark.model.gibbs import Gibbs
from benchmark.model.structure import Structure
from benchmark.model.touched import Touched

Name = tuple[str, ...]


def carried(
    s: Structure, start: Gibbs, circuits: pd.DataFrame, last: Fit, new: Touched, n: int
) -> Arrays:
    """Return n draws of everything, in the form of `model.chain.run_chain`.

    What is to be worked out anew holds nought; a fact that nobody recorded and that is new has its
    most likely value, a new driver the mean delay in the middle of all drivers.
    """
    which = np.linspace(0, last.draws - 1, n).round().astype(np.int64)
    past = last.posterior
    out: Arrays = {"run_effects": past.run_effects[which], "lap_effects": past.lap_effects[which]}
    ids = last.runs.index.to_numpy()
    # Runs are numbered anew in each fit; one that is new had no name.
    runs: list[Name] = [(str(ids[k]),) if k >= 0 else () for k in new.was]
    for group, names in s.levels.items():
        places = _places(runs if group == "outing" else names, last.level_numbers[group])
        nought = np.broadcast_to(np.float32(0), (n, len(names)))
        if group == "outing":
            places[new.near] = -1
        else:
            places[new.free[group]] = -1
        out[f"groups/{group}"] = _taken(past.groups[group], which, places, nought)
    shift = _shift(s.levels["circuit"], circuits, last.circuits)
    out["groups/circuit"] += np.where(new.free["circuit"], np.float32(0), shift)
    out.update({f"sds/{group}": sd[which] for group, sd in past.sds.items()})
    out.update({f"noise/{k}": past.noise[k][which] for k in past.noise if k != "tau"})
    drivers = _places(s.levels["driver"], last.level_numbers["driver"])
    middle = np.broadcast_to(past.noise["tau_centre"][which][:, None], (n, len(drivers)))
    out["noise/tau"] = _taken(past.noise["tau"], which, drivers, middle)
    return out | _unknown(s, start, last, runs, which)


def _unknown(s: Structure, start: Gibbs, last: Fit, runs: list[Name], which: np.ndarray) -> Arrays:
    """Draws of facts that nobody recorded."""
    likely, out = snapshot(start), {}
    for kind, names in unknown_names(s, start).items():
        if f"unknown/{kind}" not in likely:
            continue  # recorded of every run
        known = last.unknown_numbers.get(kind, {})
        asked = [runs[int(run)] for (run,) in names] if kind == "cycles" else names
        places = _places(asked, known)
        fill = likely[f"unknown/{kind}"]
        past = last.posterior.unknown.get(kind, np.empty((last.draws, 0), fill.dtype))
        out[f"unknown/{kind}"] = _taken(past, which, places, fill)
    return out


def _places(names: list[Name], known: dict[Name, int]) -> np.ndarray:
    """Place of each name in the last fit, -1 for none."""
    return np.array([known.get(name, -1) for name in names], dtype=int)


def _taken(past: np.ndarray, which: np.ndarray, places: np.ndarray, fill: np.ndarray) -> np.ndarray:
    """Columns of past draws; where there is none, `fill`, of shape (columns,) or (draws, columns).

    What is the same in every draw stays kept once.
    """
    once = past.strides[0] == 0 and fill.ndim == 1
    rows = past[which[:1] if once else which]
    if not rows.shape[1]:
        out = np.empty((len(rows), len(places)), dtype=fill.dtype)
    else:
        out = np.take(rows, np.maximum(places, 0), axis=1).astype(fill.dtype, copy=False)
    new = places < 0
    out[:, new] = fill[..., new]
    return np.broadcast_to(out, (len(which), len(places))) if once else out


def _shift(names: list[Name], circuits: pd.DataFrame, last: pd.DataFrame) -> np.ndarray:
    """Say what each circuit's effect changes by since its median lap, that it is counted from."""
    ratio = last["median_s"].reindex(names).to_numpy() / circuits["median_s"].reindex(names)
    return np.nan_to_num(np.log(ratio.to_numpy())).astype(np.float32)
