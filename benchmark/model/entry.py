"""Each build as it stands: latest specification, latest tyres and usual driver."""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchmark.model.frame import MODS
from benchmark.trade.classes import AREAS, modification_class


def entries(runs: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    """Return one row a build, sorted by name.

    Columns: `build`, `model`, `induction`, the six `mod_*` (missing where nobody ever recorded
    that area), `class`, `tyre_category` (latest on any surface), `tyre_by_surface` (a dict),
    `treadwear` (of the latest tyre), `driver` (most counted laps; on a tie the latest),
    `driver_level` and `notes` (words, where the class rests on a level nobody recorded).
    """
    order = ["date", "start_time", "session", "run"]
    known = runs.assign(
        start_time=runs["start_time"].fillna(""), laps=laps.groupby("run_id").size()
    )
    known = known.sort_values(order, kind="stable")
    by_build = known.groupby("build", sort=True)
    columns = ["model", "induction", *MODS, "tyre_category"]
    table = by_build[columns].last()  # the latest that is recorded, column by column
    table["tyre_by_surface"] = _tyres(known, table.index)
    latest_tyre = known.merge(
        table["tyre_category"].rename("now"), left_on="build", right_index=True
    )
    on_now = latest_tyre[latest_tyre["tyre_category"] == latest_tyre["now"]]
    table["treadwear"] = on_now.groupby("build")["treadwear"].last()
    table["driver"] = _usual_drivers(known)
    levels = known.groupby("driver")["driver_level"].last()
    table["driver_level"] = table["driver"].map(levels)
    table = table.reset_index()
    return table.join(_classes(table))


def _tyres(known: pd.DataFrame, builds: pd.Index) -> pd.Series:
    """Latest tyre category of each build on each surface, as a dict."""
    latest = known.groupby(["build", "surface"])["tyre_category"].last()
    by_build: dict[str, dict[str, str]] = {build: {} for build in builds}
    for build, surface, tyre in latest.reset_index().itertuples(index=False):
        by_build[str(build)][str(surface)] = str(tyre)
    return pd.Series(by_build)


def _usual_drivers(known: pd.DataFrame) -> pd.Series:
    """Driver with the most counted laps in each build; on a tie the one who drove last."""
    known = known.assign(last=range(len(known)))
    totals = known.groupby(["build", "driver"]).agg(laps=("laps", "sum"), last=("last", "max"))
    totals = totals.reset_index().sort_values(["build", "laps", "last"])
    return totals.groupby("build")["driver"].last()


def _classes(table: pd.DataFrame) -> pd.DataFrame:
    """Class of each build, a missing level taken as the most common one of its model."""
    usual = {
        (model, column): most_common_level(group[column])
        for model, group in table.groupby("model")
        for column in MODS
    }
    classes, notes = [], []
    for row in table.to_dict("records"):
        missing = [a for a in AREAS if pd.isna(row[f"mod_{a}"])]
        levels = {
            a: int(usual[row["model"], f"mod_{a}"] if a in missing else row[f"mod_{a}"])
            for a in AREAS
        }
        classes.append(modification_class(levels))
        taken = ", ".join(f"{a} as {levels[a]}" for a in missing)
        notes.append(
            f"not recorded, so taken as most common for this model: {taken}" if taken else ""
        )
    return pd.DataFrame({"class": classes, "notes": notes}, index=table.index)


def most_common_level(levels: pd.Series) -> int:
    """Most common recorded level, the lower on a tie; 0 where none is recorded."""
    known = levels.dropna().to_numpy(dtype=int)
    return int(np.bincount(known).argmax()) if len(known) else 0
