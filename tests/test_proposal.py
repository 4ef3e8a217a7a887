from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmark.errors import FaultyFile
from benchmark.intake.crossing import TimingLine, crossings
from benchmark.intake.fixes import Trace
from benchmark.intake.motion import motion_of
from benchmark.intake.proposal import line_place_u, propose_line
from benchmark.intake.trace import find_laps
from tests.drive import (
    DEGREE_EAST_M,
    LINE_AT_M,
    LONGITUDE,
    Truth,
    degrees,
    drive,
    line,
    observe,
)

LAPS = 60


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drive(LAPS, np.random.default_rng(3))


def some(trace: Trace, kept: slice) -> Trace:
    """Part of a trace."""
    arrays = ("time_s", "latitude_deg", "longitude_deg", "horizontal_u_m", "segment", "row")
    return replace(trace, **{name: getattr(trace, name)[kept] for name in arrays})


def test_the_proposed_line_stands_across_a_fast_straight(truth):
    trace = observe(truth, 10, np.random.default_rng(1), sigma_m=1.0, noise_m=0.05)
    proposed = propose_line(trace)
    laps = find_laps(trace, proposed)
    assert proposed.origin == "proposed"
    assert proposed.length_m == pytest.approx(30, abs=0.1)
    assert len(laps) >= LAPS - 1
    assert max(lap.askew_deg for lap in laps) < 6
    assert min(lap.start_time_s for lap in laps) > truth.time_s[0]
    # the straights lie east to west, so a line across one of them runs north to south
    along, _ = proposed.direction()
    assert abs(along[1]) > 0.995


@pytest.mark.parametrize("rate_hz", [1, 10])
def test_laps_at_lines_along_the_straight_lie_within_the_stated_uncertainty(truth, rate_hz):
    """The organiser's line may be 250 m before the proposed one, or where braking begins."""
    trace = observe(truth, rate_hz, np.random.default_rng(1), sigma_m=1.0, noise_m=0.05)
    proposed = propose_line(trace)
    laps = find_laps(trace, proposed)[: LAPS - 1]
    traced = np.array([lap.lap_time_s for lap in laps])
    u = np.array([lap.timing_u_s for lap in laps])
    beyond_m = (proposed.longitude_1_deg - LONGITUDE) * DEGREE_EAST_M - LINE_AT_M
    inside = [
        np.abs(traced - truth.laps_at_s(beyond_m + shift_m)[: len(laps)]) <= 2 * u
        for shift_m in np.linspace(-250, 100, 15)
    ]
    assert np.mean(inside) > 0.93
    assert np.mean([lap.u_parts_s["line"] for lap in laps]) > 0.02


@pytest.mark.parametrize(
    ("second_mps", "expected_s"),
    [
        (40.0, 0.0),
        # 300 m at 40 and at 50 m/s differ by 1.5 s, and a line may be anywhere up to there
        (50.0, 1.5 / np.sqrt(3)),
    ],
)
def test_where_a_line_stands_matters_only_between_unequal_speeds(second_mps, expected_s):
    time = np.arange(-10.0, 10.0, 0.1) + 0.05
    latitude, longitude = degrees(
        np.column_stack([np.concatenate([40 * time, second_mps * time]), np.zeros(400)])
    )
    trace = Trace(
        file="straight.gpx",
        time_s=np.concatenate([time, time + 100]),
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.ones(400),
        segment=np.repeat([0, 1], 200),
        row=np.arange(400),
    )
    ends = degrees(np.array([[0.0, 20.0], [0.0, -20.0]]))
    across = TimingLine(ends[0, 0], ends[1, 0], ends[0, 1], ends[1, 1])
    motion = motion_of(trace, across.plane)
    start, end = crossings(motion, across)
    assert line_place_u(motion, start, end) == pytest.approx(expected_s, rel=0.02, abs=1e-4)


def test_a_given_line_has_no_doubt_about_its_place(truth):
    trace = observe(truth, 5, np.random.default_rng(1))
    assert all(lap.u_parts_s["line"] == 0 for lap in find_laps(trace, line()))


def test_a_trace_of_half_a_lap_holds_none(truth):
    half = some(observe(truth, 5, np.random.default_rng(1)), slice(0, 200))
    with pytest.raises(FaultyFile) as caught:
        propose_line(half)
    assert str(caught.value) == (
        'drive.gpx, row -, laps, "0": no place is passed twice in one direction at speed;'
        " use a trace of whole laps"
    )


def test_there_and_back_again_is_no_lap():
    time = np.arange(0, 60.0, 0.2)
    east = 800 - np.abs(800 - 800 / 30 * time)
    latitude, longitude = degrees(np.column_stack([east, 0 * east]))
    trace = Trace(
        file="there.gpx",
        time_s=time,
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.ones(300),
        segment=np.zeros(300, np.int64),
        row=np.arange(300),
    )
    with pytest.raises(FaultyFile, match="no place is passed twice in one direction"):
        propose_line(trace)


def test_a_parked_car_is_no_lap():
    rng = np.random.default_rng(1)
    latitude, longitude = degrees(rng.normal(0, 1.5, (600, 2)))
    trace = Trace(
        file="parked.gpx",
        time_s=np.arange(600.0),
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.ones(600),
        segment=np.zeros(600, np.int64),
        row=np.arange(600),
    )
    with pytest.raises(FaultyFile, match="no place is passed twice"):
        propose_line(trace)
