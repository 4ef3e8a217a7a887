"""The model frame: what is left out, filled in and independent of row order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmark.errors import FitFailed
from benchmark.model.frame import model_frame


def lap(build: str, number: int, time: float, **facts: object) -> dict[str, object]:
    return {"circuit": "Foxdale", "date": "2025-05-04", "session": "S1", "model": "Invented Wren",
            "build": build, "driver": "Ada", "tyre_category": "sport", "lap": number,
            "lap_time_s": time, **facts}  # fmt: skip


LAPS = pd.DataFrame(
    [
        lap("Red", 2, 100.0, mod_engine=2.0, driver_level="club", timing="stopwatch"),
        lap("Red", 3, 100.4, mod_engine=2.0, driver_level="club", timing="stopwatch"),
        lap("Red", 2, 100.8, run=2, timing="transponder"),
        lap("Blue", 2, 101.0, lap_kind="out"),
        lap("Blue", 3, 101.5, timing_u_s=0.25),
    ]
)


def test_laps_that_are_not_timed_are_counted_and_left_out() -> None:
    frame = model_frame(LAPS)
    assert frame.left_out == {"not a timed flying lap": 1}
    assert sorted(frame.laps["lap_time_s"]) == [100.0, 100.4, 100.8, 101.5]


def test_the_order_of_the_rows_changes_nothing() -> None:
    assert model_frame(LAPS).digest == model_frame(LAPS.iloc[::-1]).digest


def test_a_fact_is_filled_from_the_other_outing_of_that_day() -> None:
    runs = model_frame(LAPS).runs
    red = runs[runs["build"] == "Red"]
    assert len(red) == 2
    assert (red["mod_engine"] == 2).all()
    assert (red["driver_level"] == "club").all()


def test_an_uncertainty_that_was_given_is_kept() -> None:
    frame = model_frame(LAPS)
    given = frame.laps.loc[frame.laps["lap_time_s"] == 101.5, "timing_u_s"]
    assert given.tolist() == [0.25]
    assert np.isfinite(frame.laps["timing_u_s"]).all()


def test_laps_without_a_timing_column_take_the_default() -> None:
    frame = model_frame(LAPS.drop(columns=["timing", "timing_u_s"]))
    assert frame.laps["timing_u_s"].nunique() == 1
    assert (frame.laps["timing_u_s"] > 0).all()


def test_no_counted_lap_is_an_error_in_words() -> None:
    with pytest.raises(FitFailed, match="no counted lap"):
        model_frame(LAPS.assign(lap_kind="out"))
