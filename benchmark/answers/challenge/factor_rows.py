"""The table of factors as it is published.

A factor is rounded to four decimals, so that raw time times printed factor is the scored time.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from benchmark.answers.challenge.factors import Table
from benchmark.model.posterior import interval

FACTOR_DECIMALS = 4
FIELDS = ("class", "factor", "low", "high", "builds", "kind", "build", "note")


def factor_rows(table: Table, level: float = 0.9) -> pd.DataFrame:
    """Give the table of factors with intervals, as it is published before the first round.

    Columns `FIELDS`. The interval of a class factor is the spread of what would be solved if the
    true pace of every entry were known; that of the other kinds is the interval of the pace.
    """
    if table.kind in ("none", "class"):
        return _class_rows(table, level)
    entries = table.entries
    handicap, _ = table.handicaps(entries, table.classes)
    specified = table.kind == "specification"
    draws = -(table.declared_draws() if specified else table.own_relative(entries)).T
    rows: list[Mapping[str, object]] = []
    for i, build in enumerate(entries["build"]):
        moved = handicap[i] - np.median(draws[i])
        low, high = interval(draws[i][:, None] + moved, level)
        name = table.classes[i]
        rows.append(
            {
                "class": name,
                "factor": published(handicap[i]),
                "low": published(low[0]),
                "high": published(high[0]),
                "builds": 1,
                "kind": table.kind,
                "build": build,
                "note": _note(table, i, moved),
            }
        )
    return pd.DataFrame(rows, columns=list(FIELDS))


def _note(table: Table, i: int, moved: float) -> str | None:
    if table.classes[i] is None:
        return "left out: its class has too few entries, or no class fits"
    if table.kind == "personal" and moved > 1e-9:  # beyond rounding
        return "held by the floor of its declared specification"
    return None


def _class_rows(table: Table, level: float) -> pd.DataFrame:
    names = table.class_names
    low = high = centre = np.zeros(len(names))
    if table.kind == "class":
        centre = table.class_handicap
        draws = table.class_handicap_draws()
        low, high = interval(draws - np.median(draws, axis=0) + centre, level)
    count = np.bincount(table.group, minlength=len(names))
    return pd.DataFrame(
        {
            "class": names,
            "factor": [published(x) for x in centre],
            "low": [published(x) for x in low],
            "high": [published(x) for x in high],
            "builds": count,
            "kind": table.kind,
            "build": None,
            "note": None,
        }
    )


def published(handicap: float) -> float:
    """Give the factor of a handicap as it is published."""
    return round(float(np.exp(handicap)), FACTOR_DECIMALS)
