"""The model finds what made the laps. `pytest tests/test_recovery.py -s` prints the figures.

The full study is `python -m tests.studies.calibration`; these are its quick versions.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchmark.intake.laptable import read_lap_table
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.model.posterior import interval
from tests.studies.calibration import score

FOLDER = Path(__file__).parents[1] / "datasets"


@pytest.fixture(scope="module")
def demo_board() -> pd.DataFrame:
    """Truth and posterior of every adjusted time of the demo season, in log seconds."""
    files = [read_lap_table(path).laps for path in sorted(FOLDER.glob("laps-*.csv"))]
    laps = pd.concat(files, ignore_index=True)
    laps = laps[laps["lap_kind"] == "timed"].assign(lap_time_s=laps["lap_time_s"].astype(float))
    with pytest.MonkeyPatch.context() as patch:
        # Few sweeps are enough for the order.
        patch.setattr("benchmark.model.pace.LARGE_WARM_UP", 100)
        found = fit(laps, draws=200)
    truth = pd.DataFrame(json.loads((FOLDER / "truth.json").read_text("utf-8"))["adjusted"])
    return truth.join(posterior(found, truth))


def posterior(found: Fit, truth: pd.DataFrame) -> pd.DataFrame:
    """Mean and 90 % interval of entries at the usual grade of their tyre [log s]."""
    place = truth[["circuit", "layout", "build", "tyre_category"]]
    own = found.entries.drop(columns=["tyre_category", "treadwear"])
    draws = found.log_time(place.merge(own, on="build", how="left", validate="m:1"))
    low, high = interval(draws)
    return pd.DataFrame({"mean": draws.mean(axis=0), "low": low, "high": high})


def test_the_demo_season_is_put_in_its_true_order(demo_board):
    # A rank correlation of 0.95 leaves a typical entry of 40 within some two places of its own.
    for place, board in demo_board.groupby(["circuit", "layout"]):
        rank = board["mean"].corr(board["true_rank"], method="spearman")
        raw = board["raw_rank"].corr(board["true_rank"], method="spearman")
        print(f"\n{' '.join(place)}: rank correlation {rank:.3f} (best laps alone {raw:.3f})")
        assert rank >= 0.95


def test_the_demo_season_has_its_truth_in_the_intervals(demo_board):
    true_log = np.log(demo_board["adjusted_s"])
    held = true_log.between(demo_board["low"], demo_board["high"]).mean()
    error = (demo_board["mean"] - true_log).pow(2).mean() ** 0.5
    print(f"\n90 % intervals hold {100 * held:.1f} % of {len(demo_board)} true adjusted times")
    print(f"typical error of an adjusted time {100 * error:.2f} %")
    # Entries share circuits and drivers: as many as some 40 independent ones at least, of which
    # 90 % ± 3 * 4.7 % are held where the intervals are right.
    assert held >= 0.76


@pytest.fixture(scope="module")
def scored(small_seasons) -> pd.DataFrame:
    parts = [
        score(season, found).assign(season=k, kind=kind)
        for k, (season, fits) in enumerate(small_seasons)
        for kind, found in fits.items()
    ]
    return pd.concat(parts, ignore_index=True)


@pytest.mark.slow
def test_intervals_of_small_seasons_hold_the_truth(scored):
    # 18 entries that share three circuits' errors count as about 9 independent ones; 90 % of
    # them less three standard errors of 10 % is 60 %.
    held = scored[scored["kind"] == "full"]["held"]
    print(f"\n90 % intervals hold {100 * held.mean():.0f} % of {len(held)} entries")
    assert len(held) >= 15
    assert held.mean() >= 0.6


@pytest.mark.slow
def test_intervals_of_small_seasons_are_no_wider_than_they_need_be(scored):
    # Gneiting and Raftery's interval score; an oracle's is the least to be had on average.
    means = scored.groupby("kind")["interval_score"].mean()
    print(f"\ninterval score, full over oracle: {means['full'] / means['oracle']:.2f}")
    assert means["full"] <= 1.6 * means["oracle"]


@pytest.mark.slow
def test_the_error_is_near_that_of_an_oracle(scored):
    square = (scored["mean_log"] - scored["true_log"]) ** 2
    error = np.sqrt(square.groupby(scored["kind"]).mean())
    ratio = error["full"] / error["oracle"]
    print(f"\nerror {100 * error['full']:.2f} %, oracle {100 * error['oracle']:.2f} %: {ratio:.2f}")
    assert ratio <= 1.4
