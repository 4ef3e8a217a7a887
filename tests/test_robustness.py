"""A few bad laps, many laps of one outing, hardly any laps: none of it upsets the answer."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmark.model import pace
from benchmark.model.fit import Fit
from benchmark.model.pace import adjusted_rows, fit
from benchmark.model.plan import NORTH, SeasonPlan
from benchmark.model.posterior import interval
from benchmark.model.simulate import simulate
from benchmark.model.truth import Track
from tests.conftest import FEW_DRAWS, MANY_DRAWS

pytestmark = pytest.mark.slow

SHORT = Track("Invented Short", "sprint", 21.0, 15.0)


def adjusted(found: Fit) -> pd.DataFrame:
    """Mean and width of the 90 % interval of every entry's adjusted time [log s], by build."""
    rows = adjusted_rows(found)
    draws = found.log_time(rows)
    low, high = interval(draws)
    table = pd.DataFrame(
        {"build": rows["build"], "mean": draws.mean(axis=0), "low": low, "width": high - low}
    )
    return table.set_index("build").sort_index()


@pytest.fixture(scope="module")
def laps(first_season) -> pd.DataFrame:
    season, _ = first_season
    return season.counted()


@pytest.fixture(scope="module")
def usual(first_season) -> pd.DataFrame:
    _, found = first_season
    return adjusted(found)


@pytest.fixture(scope="module")
def target(laps) -> str:
    """The build with the most laps, so that a fifth of them is several."""
    return str(laps["build"].value_counts().sort_index(kind="stable").idxmax())


def moved(usual: pd.DataFrame, new: pd.DataFrame, build: str) -> float:
    """How far an entry moved [%]."""
    return 100 * abs(float(new.loc[build, "mean"] - usual.loc[build, "mean"]))


def test_one_lap_far_too_quick_hardly_moves_an_entry(laps, usual, target):
    own = laps[laps["build"] == target].sort_values("lap_time_s")
    middle = own.index[len(own) // 2]
    times = laps["lap_time_s"].where(laps.index != middle, 0.93 * laps["lap_time_s"])
    new = adjusted(fit(laps.assign(lap_time_s=times), draws=MANY_DRAWS))
    print(f"\none lap 7 % too quick moves its entry by {moved(usual, new, target):.3f} %")
    assert moved(usual, new, target) < 0.15


def test_a_fifth_of_slow_laps_hardly_moves_an_entry(laps, usual, target):
    own = laps.index[laps["build"] == target]
    slow = own[::5]
    factor = pd.Series(1.0, laps.index)
    factor[slow] = 1 + np.linspace(0.03, 0.10, len(slow))
    new = adjusted(fit(laps.assign(lap_time_s=laps["lap_time_s"] * factor), draws=MANY_DRAWS))
    print(f"\n{len(slow)} of {len(own)} laps slowed: entry moved {moved(usual, new, target):.3f} %")
    assert len(slow) >= 4
    assert moved(usual, new, target) < 0.30


def test_many_laps_of_one_outing_are_not_as_good_as_many_outings(laps, usual, target):
    own = laps[laps["build"] == target]
    key = ["date", "session", "run"]
    outing = own.groupby(key)["lap"].transform("size")
    one = own[outing == outing.max()]
    one = one[one[key].eq(one[key].iloc[0]).all(axis=1)]
    again = [one.assign(lap=one["lap"] + 20 * k) for k in range(1, 7)]
    more = pd.concat([laps, *again], ignore_index=True)
    new = adjusted(fit(more, draws=2 * FEW_DRAWS))
    kept = float(new.loc[target, "width"] / usual.loc[target, "width"])
    print(f"\nseven times the laps of one outing: {100 * kept:.0f} % of the width is left")
    assert len(more) == len(laps) + 6 * len(one)
    assert kept >= 0.7


@pytest.fixture
def short_chains(monkeypatch):
    """For tests of what comes out at all: the numbers need no settled chain."""
    monkeypatch.setattr(pace, "WARM_UP", 40)


@pytest.mark.usefixtures("short_chains")
def test_nobody_is_dropped_on_a_short_circuit():
    laps = simulate(SeasonPlan(2, 6, 5, (SHORT,), 2, 2, 0.8), 2).counted()
    assert laps["lap_time_s"].median() < 25
    found = fit(laps, draws=40)
    assert not found.left_out
    assert found.laps_used == len(laps)
    assert set(adjusted(found).index) == set(laps["build"])


@pytest.mark.usefixtures("short_chains")
@pytest.mark.parametrize("count", [1, 2, 5, 10])
def test_hardly_any_laps_give_wide_intervals_and_no_crash(count):
    laps = simulate(SeasonPlan(2, 6, 5, (NORTH,), 3, 2, 0.8), 4).counted()
    few = laps.sample(count, random_state=count)
    found = fit(few, draws=100)
    table = adjusted(found)
    assert found.laps_used == count
    assert np.isfinite(table.to_numpy()).all()
    # Not even the car's own day is told from its pace by laps of a single outing: their spread
    # (some 0.5 % for the session alone, common practice) is the least an interval can be.
    assert (table["width"] > 0.01).all()
