"""Who took part in a round, with which car, and which of their laps count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.challenge.basis import FACTS, Basis
from benchmark.answers.challenge.classing import complete_levels
from benchmark.answers.challenge.counting import counted_time, second_best
from benchmark.intake.rules import Round, Rules
from benchmark.model.entry import entries
from benchmark.model.frame import RUN_KEY, ModelFrame, model_frame

DRIVEN = ["session", "run", "lap"]
OF_THE_LAPS = ("laps", "best_s", "raw_s", "second_s", "order", "reason")


@dataclass(frozen=True)
class Season:
    """All counted laps, framed once for all rounds; one row a lap with the facts of its run."""

    frame: ModelFrame
    laps: pd.DataFrame

    @classmethod
    def of(cls, laps: pd.DataFrame) -> Season:
        """Frame the counted laps of the store, keeping what the rules ask of each lap."""
        frame = model_frame(laps)
        table = frame.laps.merge(frame.runs, left_on="run_id", right_index=True)
        own = laps.copy()
        own["date"] = pd.to_datetime(own["date"]).dt.strftime("%Y-%m-%d")
        for column in ("timing", "evidence"):
            if column not in own:
                own[column] = None
        key = [*RUN_KEY, "lap"]
        return cls(frame, table.merge(own[[*key, "timing", "evidence"]], on=key, how="left"))


def entrants(basis: Basis, season: Season, at: Round) -> pd.DataFrame:
    """One row a car that ran in the round, whether or not it is placed.

    Columns `FACTS` as they stood in that round (the driver is the one of the best lap), `laps`
    (that count under the rules), `best_s` (the best of them), `raw_s` (the time that counts by the
    rule for laps), `second_s`, `order` (of the best lap in the day) and `reason` (words, where it
    is left out).
    """
    day = at.date.isoformat()
    laps = season.laps
    here = laps[
        (laps["circuit"] == at.circuit)
        & (laps["layout"] == at.layout)
        & (laps["date"] == day)
        & (laps["surface"] == basis.surface)
    ]
    if here.empty:
        return pd.DataFrame(columns=[*FACTS, *OF_THE_LAPS])
    here = here.sort_values(DRIVEN, kind="stable").assign(
        order=lambda table: np.arange(len(table)), equal_s=lambda table: _equal(basis, table)
    )
    standing = _standing(season, day).set_index("build")
    rows = [_entrant(build, own, standing, basis.rules) for build, own in here.groupby("build")]
    return complete_levels(pd.DataFrame(rows), season.frame.runs)


def _standing(season: Season, day: str) -> pd.DataFrame:
    """Each build as it stood on that day."""
    runs = season.frame.runs
    runs = runs[runs["date"] <= day]
    laps = season.frame.laps
    return entries(runs, laps[laps["run_id"].isin(runs.index)])


def _entrant(build: Any, own: pd.DataFrame, standing: pd.DataFrame, rules: Rules) -> dict[str, Any]:
    legal, why = _legal(own, build, rules)
    taken = legal if len(legal) else own
    best = taken.iloc[int(taken["lap_time_s"].argmin())]
    now = standing.loc[build]
    row: dict[str, Any] = {name: now[name] for name in FACTS if name != "build"}
    row |= {name: best[name] for name in ("driver", "driver_level", "tyre_category", "treadwear")}
    row |= {"build": build, "laps": len(legal), "reason": why, "order": int(best["order"])}
    if why is not None:
        return row | {"best_s": np.nan, "raw_s": np.nan, "second_s": np.nan}
    times = legal["lap_time_s"].to_numpy(dtype=float)
    counts = legal["equal_s"].to_numpy() if rules.laps["count"] == "equal-conditions" else times
    counted = counted_time(counts, rules.laps["count"], rules.laps["k"])
    return row | {
        "best_s": float(times.min()),
        "raw_s": float(counted),
        "second_s": second_best(counts),
    }


def _legal(own: pd.DataFrame, build: str, rules: Rules) -> tuple[pd.DataFrame, str | None]:
    """Laps that count under the rules, and why the entry is left out where too few do."""
    asked = rules.entries
    all_of = pd.Series(data=True, index=own.index)
    if asked["builds"] and build not in asked["builds"]:
        return own.head(0), "it is not among the entries of the rules"
    legal = own
    for column, legal_values, words in (
        ("tyre_category", asked["tyres"], "on tyres that the rules do not allow"),
        ("timing", asked["timing"], "timed in a way that the rules do not take"),
        ("evidence", (), "without evidence on record"),
    ):
        if column == "evidence":
            held = own["evidence"].notna() if asked["evidence"] else all_of
        else:
            held = own[column].isin(legal_values) if legal_values else all_of
        legal = legal[held.loc[legal.index]]
        if legal.empty:
            return legal, f"all its laps were {words}"
    least = rules.laps["minimum"]
    if len(legal) < least:
        return legal, f"{len(legal)} of its laps count, the rules ask for {least}"
    return legal, None


def _equal(basis: Basis, laps: pd.DataFrame) -> np.ndarray:
    """Lap times brought to reference weather, tyre wear and lap of the run [s].

    By what the laps before the freeze say of these; what was not recorded is left as it is.
    """
    times = laps["lap_time_s"].to_numpy(dtype=float)
    if basis.rules.laps["count"] != "equal-conditions":
        return times
    fit = basis.known
    same = ["lap", "tyre_heat_cycles", "air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct"]
    rows = laps[[*FACTS, "circuit", "layout", "surface", *same]].assign(build=None, driver=None)
    seen = [key in fit.circuits.index for key in zip(rows["circuit"], rows["layout"], strict=True)]
    if not all(seen):
        most = fit.circuits.index[0]
        rows = rows.assign(circuit=most[0], layout=most[1])
    now, then = fit.parts(rows), fit.parts(rows.drop(columns=same))
    names = ("conditions", "tyre_state", "lap")
    worth = sum(np.median(now[name] - then[name], axis=0) for name in names)
    return np.asarray(times * np.exp(-worth))
