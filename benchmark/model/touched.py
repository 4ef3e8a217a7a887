"""What new laps touch since the last fit: the runs and the levels that a quick fit works out anew.

Whoever ran, and every day and session that was run, when laps came, went or were corrected: the
effects of these builds, drivers, days and sessions, and of names that the last fit never saw. Their
runs, new ones and old ones, tell these effects; all other effects stay as they were drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.model.design import GROUPS
from benchmark.model.fit import Fit
from benchmark.model.frame import MODS, RUN_KEY, TEXT_FACTS
from benchmark.model.structure import Structure, keys_of
from benchmark.model.weather import DENSITY_KNOWN

# What a run was, as far as it was recorded: if it changes, so may what the run tells.
TOLD = (*TEXT_FACTS, *MODS, "treadwear", "tyre_heat_cycles", "air_temp_c", "track_temp_c",
        "pressure_hpa", "humidity_pct")  # fmt: skip
OF_NAME = ("build", "driver")  # groups whose first column this is are of one of these
OF_DAY = ("day", "session", "wet_session")


@dataclass(frozen=True)
class Touched:
    """What is worked out anew.

    Attributes
    ----------
    was : place of each run among those of the last fit, -1 for a new one, (runs,).
    free : for each group but the outings, True on levels to be worked out anew, (levels,).
    near : places of the runs that have such a level, ascending; their outings are worked out too.
    """

    was: np.ndarray
    free: dict[str, np.ndarray]
    near: np.ndarray


def touched(s: Structure, laps: pd.DataFrame, circuits: pd.DataFrame, last: Fit) -> Touched:
    """Compare runs and their laps with those of the last fit.

    Parameters
    ----------
    laps, circuits : of the frame that `s` was made from.
    """
    was = _places(s.runs, last.runs)
    now, before = _digests(s.runs, laps), _digests(last.runs, last.laps)
    same = (was >= 0) & (now == before[was])
    stayed = np.zeros(len(before), dtype=bool)
    stayed[was[same]] = True
    changed = pd.concat([s.runs[~same], last.runs[~stayed]])
    free = {
        group: _free(group, names, changed, last) for group, names in s.levels.items()
        if group != "outing"
    }  # fmt: skip
    free["circuit"] |= _moved(s.levels["circuit"], circuits, last.circuits)
    near = np.zeros(s.n_runs, dtype=bool)
    for group, chosen in free.items():
        code = s.code[group]
        near |= (code >= 0) & np.append(chosen, False)[code]
    return Touched(was, free, np.flatnonzero(near))


def _places(runs: pd.DataFrame, last: pd.DataFrame) -> np.ndarray:
    """Place of each run among the last ones, -1 for none."""
    keys = list(RUN_KEY)
    places = last[keys].reset_index(drop=True)
    found = runs[keys].merge(places.assign(was=np.arange(len(last))), on=keys, how="left")
    return found["was"].fillna(-1).to_numpy(dtype=np.int64)


def _digests(runs: pd.DataFrame, laps: pd.DataFrame) -> np.ndarray:
    """One number for all that a run was and for its laps, (runs,)."""
    facts = pd.DataFrame({name: runs[name].to_numpy() for name in TOLD})
    texts = list(TEXT_FACTS)
    facts[texts] = facts[texts].astype(object).fillna("")
    facts[[*TOLD[len(texts) :]]] = facts[[*TOLD[len(texts) :]]].astype(float)
    at = runs.index.get_indexer(pd.Index(laps["run_id"]))
    columns = ("lap", "lap_time_s", "timing_u_s")
    each = pd.DataFrame({name: laps[name].to_numpy(dtype=float) for name in columns})
    of_lap = pd.util.hash_pandas_object(each, index=False).to_numpy()
    of_run = np.zeros(len(runs), dtype=np.uint64)
    np.add.at(of_run, at, of_lap)  # sums that run over are as good a digest
    facts["laps"] = of_run
    return pd.util.hash_pandas_object(facts, index=False).to_numpy()


def _free(group: str, names: list[tuple[str, ...]], changed: pd.DataFrame, last: Fit) -> np.ndarray:
    """Say which levels of a group are worked out anew."""
    known = last.level_numbers[group]
    if GROUPS[group][0] in OF_NAME:
        who = set(changed[GROUPS[group][0]])
        return np.array([name[0] in who or name not in known for name in names], dtype=bool)
    days = set(keys_of(changed, group)) if group in OF_DAY else ()
    return np.array([name in days or name not in known for name in names], dtype=bool)


def _moved(names: list[tuple[str, ...]], circuits: pd.DataFrame, last: pd.DataFrame) -> np.ndarray:
    """Say of which circuits the reference air is no longer what it was, by what is recorded."""
    now = circuits["log_density"].reindex(names).to_numpy()
    before = last["log_density"].reindex(names).to_numpy()
    return np.asarray(np.abs(now - before) > DENSITY_KNOWN)
