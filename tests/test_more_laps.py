"""More laps do not by themselves make an entry quicker; the full study is `studies.more_laps`."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import exponnorm

from benchmark.model import pace
from benchmark.model.fit import Fit
from tests.studies.more_laps import short_fits, slope_by_laps

pytestmark = pytest.mark.slow

SIGMA, DELAY = 0.0035, 0.009  # of clean laps and of a typical delay, common practice
OUTINGS, LAPS = 8, 4
BUILDS = [f"Invented {k}" for k in range(8)]
GROWING = BUILDS[:5]  # the others keep four outings


def even_laps(rng: np.random.Generator) -> np.ndarray:
    """Noise of 8 outings of 4 laps, (outings, laps): evenly spread over its distribution.

    Each outing has one lap of each quarter, so that laps of any number are of the same kind and a
    build's luck is small from the start.
    """
    within = np.array([rng.permutation(OUTINGS) for _ in range(LAPS)]).T
    share = (np.arange(LAPS) * OUTINGS + within + 0.5) / (OUTINGS * LAPS)
    return np.asarray(rng.permuted(exponnorm.ppf(share, DELAY / SIGMA, scale=SIGMA), axis=1))


def season(outings: int, seed: int) -> pd.DataFrame:
    """Eight equal cars and drivers, of whom five have this many outings."""
    rng = np.random.default_rng(seed)
    rows = []
    for build in BUILDS:
        noise = even_laps(rng)
        for outing in range(outings if build in GROWING else 4):
            rows += [
                {
                    "circuit": "Foxdale", "date": f"2026-04-0{1 + outing % 4}",
                    "session": f"S{1 + outing // 4}", "model": "Invented Wren", "build": build,
                    "driver": f"Driver of {build}", "driver_level": "club",
                    "induction": "natural", "tyre_category": "sport", "treadwear": 250,
                    "tyre_heat_cycles": 2, "air_temp_c": 20.0, "track_temp_c": 30.0,
                    "humidity_pct": 50.0, "pressure_hpa": 1013.25, "altitude_m": 0.0, "lap": lap,
                    "lap_time_s": 90 * np.exp(noise[outing, lap - 2]), "lap_kind": "timed",
                    "timing": "transponder",
                }
                for lap in range(2, 2 + LAPS)
            ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def fits() -> list[tuple[Fit, Fit]]:
    """Pairs of fits: the growing builds have 4 laps, then 32."""
    with short_fits():
        return [
            (pace.fit(season(1, seed), draws=250), pace.fit(season(OUTINGS, seed), draws=250))
            for seed in (1, 2)
        ]


def mean_time(found: Fit) -> float:
    """Mean adjusted time of the growing builds, against those that keep their laps [log s]."""
    rows = pace.adjusted_rows(found)
    times, grows = found.log_time(rows).mean(axis=0), rows["build"].isin(GROWING).to_numpy()
    return float(times[grows].mean() - times[~grows].mean())


def test_a_doubling_of_its_laps_makes_an_entry_no_quicker(fits):
    doublings = np.log2(OUTINGS)
    change = np.mean([mean_time(after) - mean_time(before) for before, after in fits]) / doublings
    print(f"\nadjusted time by a doubling of the laps: {100 * change:+.3f} %")
    assert abs(100 * change) < 0.05


def test_the_best_lap_would_have_failed():
    # So that the test above could fail: what ranks by the best lap rewards every doubling.
    best = [season(n, 1).groupby("build")["lap_time_s"].min()[GROWING] for n in (1, OUTINGS)]
    change = np.mean(np.log(best[1] / best[0])) / np.log2(OUTINGS)
    assert 100 * change < -0.1


def test_an_error_that_grows_with_the_laps_shows_in_kept_scores():
    rng = np.random.default_rng(1)
    laps = rng.integers(4, 64, 400)
    place = {"season": np.repeat(np.arange(20), 20), "circuit": "Foxdale", "layout": "full"}
    table = pd.DataFrame({**place, "n_laps": laps, "true_log": 4.5})
    noise = 0.004 * rng.standard_normal(400) + 0.01 * rng.standard_normal(20)[table["season"]]
    for true in (0.0, -0.2):
        mean = table["true_log"] + noise + true / 100 * np.log2(laps)
        slope, error = slope_by_laps(table.assign(mean_log=mean))
        assert error < 0.05
        assert slope == pytest.approx(true, abs=3 * error)
