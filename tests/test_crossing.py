from __future__ import annotations

import numpy as np
import pytest

from benchmark.errors import BadQuestion
from benchmark.intake.crossing import Crossing, TimingLine, crossings
from benchmark.intake.fixes import Trace
from benchmark.intake.motion import motion_of
from tests.drive import LATITUDE, LONGITUDE, degrees
from tests.reference.traces import ASKEW_MS, INTERPOLATION

GATE_M = np.array([[0.0, 20.0], [0.0, -20.0]])  # crossed by a car that goes east along y = 0


def gate(askew_deg: float = 0.0) -> TimingLine:
    turn = np.radians(askew_deg)
    spun = GATE_M @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    left, right = degrees(spun[0]), degrees(spun[1])
    return TimingLine(left[0], left[1], right[0], right[1])


def run(east_m, time_s, north_m=0.0, segment=None) -> Trace:
    east = np.asarray(east_m, float)
    latitude, longitude = degrees(np.column_stack([east, np.full_like(east, north_m)]))
    n = len(east)
    return Trace(
        file="run.gpx",
        time_s=np.asarray(time_s, float),
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.ones(n),
        segment=np.zeros(n, np.int64) if segment is None else np.asarray(segment),
        row=np.arange(1, n + 1),
    )


def found(trace: Trace, line: TimingLine | None = None) -> list[Crossing]:
    line = line or gate()
    return crossings(motion_of(trace, line.plane), line)


@pytest.mark.parametrize(("rate_hz", "bound_s"), INTERPOLATION)
def test_the_largest_error_of_interpolation_is_the_published_one(rate_hz, bound_s):
    """Braking at 8 m/s², 40 m/s at the line, fixes at every phase of the line."""
    errors = []
    for phase in np.linspace(0.01, 0.99, 50):
        around = max(4, 3 * rate_hz)  # fixes on each side, 3 s: the car still moves forward
        time = (np.arange(-around, around) + phase) / rate_hz
        (crossing,) = found(run(40 * time - 4 * time**2, time))
        errors.append(crossing.time_s)  # the true crossing is at time 0
    assert np.abs(errors).max() == pytest.approx(bound_s, rel=0.03)  # printed to two digits
    assert crossing.speed_mps == pytest.approx(40, rel=0.11)
    assert crossing.pull_mps2 == pytest.approx(8, rel=0.01)


def test_steady_motion_is_timed_exactly():
    (crossing,) = found(run([-37.0, 3.0, 43.0], [100.0, 101.0, 102.0]))
    assert crossing.time_s == pytest.approx(100.925, abs=1e-6)
    assert crossing.askew_deg == pytest.approx(0, abs=0.1)


def test_a_line_askew_shifts_laps_apart_sideways_by_the_published_time():
    shifts = [
        found(run([-37.0, 3.0, 43.0], [0.0, 1.0, 2.0], north_m=north), gate(askew_deg=5.0))[0]
        for north in (0.0, 3.0)
    ]
    assert abs(shifts[1].time_s - shifts[0].time_s) * 1000 == pytest.approx(ASKEW_MS, abs=0.05)
    assert shifts[0].askew_deg == pytest.approx(5, abs=0.1)


def test_passing_beside_the_line_is_no_crossing():
    assert found(run([-37.0, 3.0, 43.0], [0.0, 1.0, 2.0], north_m=21.0)) == []


@pytest.mark.parametrize(
    ("trace", "why"),
    [
        (run([-60, -20, 20, 60], [0, 1, 2, 3], segment=[0, 0, 1, 1]), "two segments"),
        (run([-80, -60, -40, -20, 20, 40], [0, 1, 2, 3, 8.5, 9.5]), "a gap"),
        (run([-4, -2, 0.5, 2.5], [0, 1, 2, 3]), "a crawl"),
    ],
)
def test_nothing_is_timed_across(trace, why):
    timed = run([-60, -20, 20, 60], [20, 21, 22, 23])
    both = run(
        np.concatenate([(trace.longitude_deg - LONGITUDE), (timed.longitude_deg - LONGITUDE)])
        * 78_846.8,
        np.concatenate([trace.time_s, timed.time_s]),
        segment=np.concatenate([trace.segment, timed.segment + 5]),
    )
    assert [crossing.timed for crossing in found(both)] == [False, True], why


def test_only_the_direction_of_most_passages_counts():
    there, back = [-60, -20, 20, 60], [60, 20, -20, -60]
    trace = run([*there, *back, *there], np.arange(12.0), segment=np.repeat([0, 1, 2], 4))
    assert [crossing.time_s for crossing in found(trace)] == pytest.approx([1.5, 9.5], abs=1e-3)


def test_a_line_is_written_as_it_is_read():
    line = gate(12.0)
    again = TimingLine.parse(str(line), origin="stored")
    assert again.origin == "stored"
    assert str(again) == str(line)
    assert again.length_m == pytest.approx(40, abs=0.05)


def test_blanks_and_semicolons_separate_too():
    line = TimingLine.parse(" -45.0001, -120.0; -44.9999 -120.0 ")
    assert line == TimingLine(-45.0001, -120.0, -44.9999, -120.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is no line; write the two ends in degrees"),
        ("52,-1,52.0002", "is no line; write the two ends in degrees"),
        ("52,-1,north,-1", "is no line; write the two ends in degrees"),
        ("52,-1,92,-1", "92 is no angle; write the two ends in degrees"),
        ("52,-1,nan,-1", "nan is no angle; write the two ends in degrees"),
        ("52,-1,52,-1", "is 0 m long, a line across a track is 1 to 500 m"),
        ("52,-1,52.01,-1", "is 1113 m long, a line across a track is 1 to 500 m"),
    ],
)
def test_what_is_no_line_is_refused(text, words):
    with pytest.raises(BadQuestion) as caught:
        TimingLine.parse(text)
    assert words in str(caught.value)


def test_the_line_of_these_tests_is_at_a_right_angle():
    along, right = gate().direction()
    assert along == pytest.approx([0, -1], abs=1e-6)
    assert right == pytest.approx([-1, 0], abs=1e-6)
    assert LATITUDE == -45.0
