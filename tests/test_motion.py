from __future__ import annotations

import math

import numpy as np
import pytest

from benchmark.intake.fixes import Trace
from benchmark.intake.motion import ASSUMED_NOISE_M, Motion, motion_of, thinned
from benchmark.intake.plane import Plane
from tests.drive import LATITUDE, LONGITUDE, degrees

RADIUS_M, SPEED_MPS = 50.0, 20.0  # 20² / 50 = 8 m/s² to the left


def circle(rate_hz: float, seconds: float = 40.0, noise_m: float = 0.0, decimals: int = 9) -> Trace:
    """A car on a circle at constant speed: everything about it is known."""
    time = np.arange(0, seconds, 1 / rate_hz)
    angle = SPEED_MPS / RADIUS_M * time
    path = RADIUS_M * np.column_stack([np.cos(angle), np.sin(angle)])
    path += np.random.default_rng(1).normal(0, 1, path.shape) * noise_m
    latitude, longitude = np.round(degrees(path), decimals)
    return Trace(
        file="circle.gpx",
        time_s=time,
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.ones(len(time)),
        segment=np.zeros(len(time), np.int64),
        row=np.arange(len(time)),
        position_step_deg=10.0**-decimals,
    )


def motion(trace: Trace) -> Motion:
    return motion_of(trace, Plane(LATITUDE, LONGITUDE))


@pytest.mark.parametrize("rate_hz", [5, 10, 25])
def test_a_circle_shows_its_speed_and_lateral_acceleration(rate_hz):
    moved = motion(circle(rate_hz))
    assert np.nanmedian(moved.speed_mps) == pytest.approx(SPEED_MPS, rel=0.01)
    assert np.nanmedian(moved.lateral_mps2) == pytest.approx(8.0, rel=0.01)
    assert np.nanmedian(np.abs(moved.along_mps2)) < 0.05


def test_braking_is_negative_along_the_path():
    time = np.arange(0, 4, 0.1)
    latitude, longitude = degrees(np.column_stack([40 * time - 3 * time**2, 0 * time]))
    trace = circle(10)
    braking = Trace(
        file="line.gpx",
        time_s=time,
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.ones(40),
        segment=trace.segment[:40],
        row=trace.row[:40],
    )
    moved = motion(braking)
    assert np.nanmedian(moved.along_mps2) == pytest.approx(-6, rel=0.01)
    assert np.nanmedian(np.abs(moved.lateral_mps2)) < 0.05


@pytest.mark.parametrize("noise_m", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("rate_hz", [10, 25])
def test_the_noise_of_a_receiver_is_read_off_its_trace(rate_hz, noise_m):
    """400 fixes and more: their median scatters by some 4 %, the car adds 1 cm at 10 Hz."""
    moved = motion(circle(rate_hz, noise_m=noise_m))
    assert moved.noise_m == pytest.approx(noise_m, rel=0.15)
    assert not moved.noise_is_assumed


def test_slow_fixes_hide_the_noise_so_it_is_assumed():
    moved = motion(circle(1, seconds=300))
    assert moved.noise_is_assumed
    assert moved.noise_m == ASSUMED_NOISE_M


def test_rounding_is_not_counted_as_noise_again():
    moved = motion(circle(10, decimals=5))
    # one step is 1.11 m of latitude and 0.788 m of longitude at 45 degrees, over root 12
    assert moved.rounding_m == pytest.approx([0.2276, 0.3208], abs=1e-4)
    assert moved.noise_m < 0.15


@pytest.mark.parametrize("noise_m", [0.0, 0.05, 0.3])
def test_the_stated_uncertainty_of_acceleration_covers_its_scatter(noise_m):
    moved = motion(circle(25, noise_m=noise_m))
    scatter = np.nanstd(moved.lateral_mps2)
    assert scatter <= 1.1 * moved.acceleration_u_mps2
    assert moved.acceleration_u_mps2 <= 0.6  # m/s², the longest span is enough for this noise


@pytest.mark.parametrize(
    ("rate_hz", "noise_m", "tolerance"),
    [(1, 0.0, 0.002), (10, 0.0, 0.001), (25, 0.05, 0.002), (25, 0.3, 0.01)],
)
def test_length_follows_bends_and_not_noise(rate_hz, noise_m, tolerance):
    """At 1 Hz the chords of this circle are 0.7 % short; noise of 0.3 m at 25 Hz adds 14 %."""
    trace = circle(rate_hz, noise_m=noise_m)
    moved = motion(trace)
    true = SPEED_MPS * float(trace.time_s[-1] - trace.time_s[0])
    assert moved.length_m(moved.path_m) == pytest.approx(true, rel=tolerance)


def test_a_path_too_short_to_bend_is_its_chords():
    moved = motion(circle(10))
    assert moved.length_m(np.array([[0.0, 0.0], [3.0, 4.0]])) == pytest.approx(5.0)


def test_a_gap_or_a_segment_begins_another_piece():
    trace = circle(10)
    kept = np.r_[0:100, 102:200, 205:400]  # two fixes missing are a gap, at 2.5 intervals
    cut = Trace(
        file="circle.gpx",
        time_s=trace.time_s[kept],
        latitude_deg=trace.latitude_deg[kept],
        longitude_deg=trace.longitude_deg[kept],
        horizontal_u_m=trace.horizontal_u_m[kept],
        segment=(trace.time_s[kept] > 30).astype(np.int64),
        row=trace.row[kept],
    )
    piece = motion(cut).piece
    assert [int((piece == number).sum()) for number in range(4)] == [100, 98, 96, 99]


def test_nothing_is_derived_across_a_gap():
    trace = circle(10)
    jump = np.where(np.arange(400) < 200, 0.0, 100.0)
    cut = Trace(
        file="circle.gpx",
        time_s=trace.time_s + jump,
        latitude_deg=trace.latitude_deg,
        longitude_deg=trace.longitude_deg,
        horizontal_u_m=trace.horizontal_u_m,
        segment=trace.segment,
        row=trace.row,
    )
    speed = motion(cut).speed_mps
    assert math.isnan(speed[199])
    assert math.isnan(speed[200])
    assert np.nanmin(speed) > 19


def test_thinning_keeps_both_ends():
    path = np.column_stack([np.arange(0, 101.0), np.zeros(101)])
    assert thinned(path, 10.0)[:, 0].tolist() == [0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100]
    assert thinned(path[:96], 10.0)[:, 0].tolist() == [0, 10, 20, 30, 40, 50, 60, 70, 80, 95]
    assert thinned(path[:2], 10.0)[:, 0].tolist() == [0, 1]
