"""What must not change an answer does not: order, names, units, empty columns, other layouts.

The chains here are far too short to have settled, on purpose: a property that holds to rounding
holds at every sweep, and one that fails shows at once. `ROUNDING` allows for the logarithms of
scaled times; a sampler that took another turn would differ by some 0.1 %.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmark.model import pace
from benchmark.model.frame import model_frame
from benchmark.model.pace import adjusted_rows, fit
from benchmark.model.plan import NORTH, SOUTH, SeasonPlan
from benchmark.model.simulate import simulate

PLAN = SeasonPlan(2, 6, 5, (NORTH, SOUTH), 2, 2, 0.8)
ROUNDING = 1e-9


def adjusted(laps: pd.DataFrame, seed: int = 1) -> pd.Series:
    """Posterior mean of the adjusted time of every entry at every layout [s]."""
    found = fit(laps, draws=16, seed=seed, mode="full")
    rows = adjusted_rows(found)
    rows["adjusted_s"] = np.exp(found.log_time(rows)).mean(axis=0)
    return rows.set_index(["circuit", "layout", "build"])["adjusted_s"].sort_index()


@pytest.fixture(scope="module", autouse=True)
def short_chains():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pace, "WARM_UP", 5)
        yield


@pytest.fixture(scope="module")
def laps() -> pd.DataFrame:
    """Laps that state their timing uncertainty in seconds, so that it can be scaled with them."""
    counted = simulate(PLAN, 3).counted()
    usual = model_frame(counted).laps["timing_u_s"].max()
    return counted.assign(timing_u_s=usual)


@pytest.fixture(scope="module")
def times(laps) -> pd.Series:
    return adjusted(laps)


def scaled(laps: pd.DataFrame, factor: float, where: pd.Series | bool = True) -> pd.DataFrame:
    columns = ["lap_time_s", "timing_u_s"]
    return laps.assign(
        **{c: laps[c].where(~np.broadcast_to(where, len(laps)), laps[c] * factor) for c in columns}
    )


def backwards(names: pd.Series) -> dict[str, str]:
    """New names that sort the other way round."""
    return {name: f"Renamed {99 - k}" for k, name in enumerate(sorted(names.unique()))}


def test_the_season_has_what_the_properties_are_about(laps):
    assert laps["build"].nunique() == PLAN.n_builds
    assert laps["circuit"].nunique() == 2
    assert laps["tyre_category"].nunique() > 1


def test_the_same_seed_gives_the_same_answer(laps, times):
    pd.testing.assert_series_equal(adjusted(laps), times, check_exact=True)


def test_another_seed_gives_other_draws(laps, times):
    assert not np.allclose(adjusted(laps, seed=2), times, rtol=ROUNDING)


def test_the_order_of_the_rows_changes_nothing(laps, times):
    mixed = laps.sample(frac=1, random_state=5)
    pd.testing.assert_series_equal(adjusted(mixed), times, check_exact=True)


@pytest.mark.parametrize("who", ["build", "driver", "model"])
def test_names_change_nothing(laps, times, who):
    names = backwards(laps[who])
    new = adjusted(laps.assign(**{who: laps[who].map(names)}))
    if who == "build":
        new = new.rename(index={new: old for old, new in names.items()}).sort_index()
    pd.testing.assert_series_equal(new, times, check_exact=True)


def test_an_empty_optional_column_changes_nothing(laps, times):
    assert laps["evidence"].isna().all()
    for table in (laps.drop(columns="evidence"), laps.assign(wind_mps=laps["wind_mps"], note=None)):
        pd.testing.assert_series_equal(adjusted(table), times, check_exact=True)


def test_a_constant_factor_on_all_times_is_that_factor_on_every_answer(laps, times):
    new = adjusted(scaled(laps, 1.1))
    pd.testing.assert_series_equal(new, 1.1 * times, check_exact=False, rtol=ROUNDING)


def test_the_scale_of_one_layout_changes_nothing_on_another(laps, times):
    south = laps["circuit"] == SOUTH.circuit
    new = adjusted(scaled(laps, 1.3, south))
    there = new.index.get_level_values("circuit") == SOUTH.circuit
    assert there.any()
    assert not there.all()
    np.testing.assert_allclose(new[~there], times[~there], rtol=ROUNDING)
    np.testing.assert_allclose(new[there], 1.3 * times[there], rtol=ROUNDING)
