from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from benchmark.errors import FaultyFile
from benchmark.intake.fixes import Trace
from benchmark.intake.trace import find_laps, parse_trace, read_trace
from tests.drive import Truth, drive, gpx, line, nmea, observe

LAPS = 4
# Exact fixes: interpolation at the pull of this straight, and stamps or positions as written.
WITHIN_S = {1: 0.020, 5: 0.002, 10: 0.001, 25: 0.001}


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drive(LAPS, np.random.default_rng(5))


def some(trace: Trace, kept: np.ndarray) -> Trace:
    """Part of a trace."""
    arrays = ("time_s", "latitude_deg", "longitude_deg", "horizontal_u_m", "segment", "row")
    return replace(trace, **{name: getattr(trace, name)[kept] for name in arrays})


def exact(truth: Truth, rate_hz: float = 10) -> Trace:
    return observe(truth, rate_hz, np.random.default_rng(1), sigma_m=0.0)


@pytest.mark.parametrize("write", [gpx, nmea])
@pytest.mark.parametrize("rate_hz", [1, 5, 10, 25])
def test_laps_from_a_file_are_the_laps_that_were_driven(truth, rate_hz, write, tmp_path):
    path = tmp_path / "drive.txt"
    path.write_text(write(exact(truth, rate_hz)))
    laps = find_laps(read_trace(path), line())
    assert [lap.lap for lap in laps] == [1, 2, 3, 4]
    traced = np.array([lap.lap_time_s for lap in laps])
    assert traced == pytest.approx(truth.laps_s, abs=WITHIN_S[rate_hz])
    assert laps[0].start_time_s == pytest.approx(truth.crossings_s[0], abs=WITHIN_S[rate_hz])
    assert not any(lap.faults for lap in laps)


def test_the_content_tells_the_format_whatever_the_name(truth, tmp_path):
    trace = exact(truth, 1)
    for name, text in (("drive.nmea", gpx(trace)), ("drive.gpx", nmea(trace))):
        (tmp_path / name).write_text(text)
    assert read_trace(tmp_path / "drive.nmea").row_word == "point"
    assert read_trace(tmp_path / "drive.gpx").row_word == "line"
    assert len(parse_trace("upload", b"\xef\xbb\xbf" + gpx(trace).encode())) == len(trace)


def test_a_file_of_another_kind_is_refused():
    with pytest.raises(FaultyFile) as caught:
        parse_trace("laps.csv", b"circuit,layout,dates,session\n")
    assert str(caught.value) == (
        'laps.csv, row -, file, "circuit,layout,dates": is neither GPX nor NMEA 0183;'
        " export the trace as GPX 1.1"
    )


@pytest.mark.parametrize("rate_hz", [1, 10, 25])
def test_a_lap_carries_its_length_speed_and_accelerations(truth, rate_hz):
    """The drive has 10 m/s² of grip, 8 in braking, 4 in drive, some per cent more by chance."""
    laps = find_laps(exact(truth, rate_hz), line())
    step = np.diff(truth.path_m, axis=0)
    speed = np.hypot(step[:, 0], step[:, 1]) / np.diff(truth.time_s)
    for lap in laps:
        assert lap.path_length_m == pytest.approx(truth.length_m, rel=0.01)
        inside = (truth.time_s > lap.start_time_s) & (truth.time_s < lap.end_time_s)
        assert lap.max_speed_mps == pytest.approx(speed[inside[:-1]].max(), rel=0.05)
        assert 9.0 < lap.max_lateral_mps2 < 13.5
        assert 6.0 < lap.max_braking_mps2 < 10.5
        assert 2.0 < lap.max_drive_mps2 < 6.0


def test_parts_of_the_uncertainty_combine_to_the_whole(truth):
    trace = observe(truth, 10, np.random.default_rng(1), sigma_m=1.0, noise_m=0.1)
    for lap in find_laps(trace, line()):
        assert lap.timing_u_s**2 == pytest.approx(sum(u**2 for u in lap.u_parts_s.values()))


def test_a_gap_over_the_line_costs_the_two_laps_beside_it(truth):
    trace = exact(truth)
    gone = np.abs(trace.time_s - truth.crossings_s[2]) < 3
    laps = find_laps(some(trace, ~gone), line())
    assert [round(lap.lap_time_s, 1) for lap in laps] == [
        round(truth.laps_s[0], 1),
        round(truth.laps_s[3], 1),
    ]


def test_a_segment_that_ends_on_the_line_is_not_bridged(truth):
    trace = exact(truth)
    cut = replace(trace, segment=(trace.time_s > truth.crossings_s[2]).astype(np.int64))
    assert len(find_laps(cut, line())) == LAPS - 2


def test_a_long_gap_within_a_lap_is_named_and_a_short_one_is_not(truth):
    trace = exact(truth)
    into_lap = trace.time_s - truth.crossings_s[1]
    long, short = (into_lap > 20) & (into_lap < 25), (into_lap > 40) & (into_lap < 41)
    laps = find_laps(some(trace, ~(long | short)), line())
    row = trace.row[np.flatnonzero(long)[0] - 1]
    assert [lap.faults for lap in laps] == [
        (),
        (f"gap of 5.1 s after point {row}: what was driven there is not known",),
        (),
        (),
    ]


def test_a_lap_with_a_stop_is_no_flying_lap(truth):
    trace = exact(truth)
    stop = int(np.searchsorted(trace.time_s, truth.crossings_s[1] + 30))
    index = np.concatenate([np.arange(stop), np.full(300, stop), np.arange(stop, len(trace))])
    standing = some(trace, index)
    time = trace.time_s[0] + np.arange(len(index)) / 10
    laps = find_laps(replace(standing, time_s=time), line())
    assert laps[1].lap_time_s == pytest.approx(truth.laps_s[1] + 30, abs=0.1)
    words = re.match(r"stood or crept for (\d+) s from point (\d+) on:", laps[1].faults[0])
    assert words
    assert int(words[1]) == pytest.approx(30, abs=1)
    assert int(words[2]) == pytest.approx(stop, abs=10)
    assert not laps[0].faults


def test_a_lap_of_another_length_is_marked_among_the_others(truth):
    """The second crossing is lost sideways, so that one lap is twice as long."""
    trace = exact(truth)
    near = np.abs(trace.time_s - truth.crossings_s[1]) < 1
    latitude = trace.latitude_deg + np.where(near, 0.0009, 0.0)  # 100 m beside the track
    laps = find_laps(replace(trace, latitude_deg=latitude), line())
    assert len(laps) == LAPS - 1
    assert "another layout, a run-off or a missed line" in laps[0].faults[-1]
    assert not laps[1].faults


def test_a_trace_far_from_the_line_holds_no_lap(truth):
    trace = exact(truth, 1)
    far = replace(trace, latitude_deg=trace.latitude_deg + 40)
    assert find_laps(far, line()) == []


def test_stamps_of_whole_seconds_from_a_faster_receiver_widen_every_lap(truth):
    """0.41 s is the published figure for two stamps rounded to a second."""
    trace = exact(truth)
    text = gpx(replace(trace, time_s=np.floor(trace.time_s)))
    read = parse_trace("drive.gpx", text.encode())
    laps = find_laps(read, line())
    assert read.time_step_s == 1.0
    assert all(lap.u_parts_s["stamps"] == pytest.approx(0.41, abs=0.005) for lap in laps)
    error = np.array([lap.lap_time_s for lap in laps]) - truth.laps_s
    assert np.abs(error).max() < 2 * laps[0].timing_u_s


def test_renumbered_and_shifted_time_changes_no_lap(truth):
    trace = exact(truth)
    later = replace(trace, time_s=trace.time_s + 86_400 * 365, row=trace.row + 7)
    before, after = (find_laps(t, line()) for t in (trace, later))
    assert [lap.lap_time_s for lap in after] == pytest.approx(
        [lap.lap_time_s for lap in before], abs=2e-6
    )
