"""A small season and rules of a challenge for it, with refits that are made once a process."""

from __future__ import annotations

import pandas as pd
import pytest

from benchmark.answers.challenge import events, owners
from benchmark.model import refit
from benchmark.model.plan import NORTH, SeasonPlan
from benchmark.model.simulate import Season, simulate

PLAN = SeasonPlan(2, 8, 8, (NORTH,), 5, 2, 0.9, p_wet=0.0, flying_laps=(3, 5), p_parts=0.0)
KEPT: dict[str, bytes] = {}


def kept(key, make):
    """A memory for refits."""
    if key not in KEPT:
        KEPT[key] = make()
    return KEPT[key]


def season() -> Season:
    """Eight cars on five days, every fact recorded."""
    return simulate(PLAN.recorded_fully(), 4)


def shorten(patch: pytest.MonkeyPatch) -> None:
    """Fewer sweeps and events: what is tried holds for any number of them."""
    patch.setattr(refit, "SIZES_WARM_UP", 40)
    patch.setattr(refit, "SIZES_KEEP", 40)
    patch.setattr(refit, "WARM_UP", 20)
    patch.setattr(owners, "ALONE_DRAWS", 30)
    patch.setattr(owners, "PAIR_DRAWS", 10)
    patch.setattr(events, "REPEATS", 60)


def rules_text(laps: pd.DataFrame, **changes: str) -> str:
    days = sorted(laps["date"].astype(str).str[:10].unique())[-2:]
    rounds = "".join(
        f'[[rounds]]\nname = "R{k}"\ncircuit = "{NORTH.circuit}"\ndate = {day}\n'
        for k, day in enumerate(days, 1)
    )
    factor = changes.get("factor", 'kind = "class"\ntolerance_pct = 1.0')
    count = changes.get("count", "best")
    return (
        f'name = "Invented Cup"\nversion = 1\n{rounds}[classes]\nminimum = 2\n'
        f'[laps]\ncount = "{count}"\n[factor]\n{factor}\n'
    )
