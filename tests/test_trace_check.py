from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from benchmark.errors import BadQuestion
from benchmark.intake.crossing import TimingLine
from benchmark.intake.fixes import Trace
from benchmark.intake.trace import find_laps, parse_trace, propose_line
from benchmark.intake.trace_check import TraceCheck, check_trace
from tests.drive import Truth, drive, gpx, line, observe

LAPS = 4


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drive(LAPS, np.random.default_rng(5))


def seen(truth: Truth, rate_hz: float = 10) -> Trace:
    return observe(truth, rate_hz, np.random.default_rng(1), sigma_m=1.0, noise_m=0.05)


def checked(trace: Trace, across: TimingLine | None = None, **asked) -> TraceCheck:
    return check_trace(trace, find_laps(trace, across or line()), **asked)


def fails(check: TraceCheck) -> set[str]:
    return {finding.check for finding in check.findings if finding.outcome == "fail"}


def detail(check: TraceCheck, name: str) -> str:
    return next(finding.detail for finding in check.findings if finding.check == name)


def test_an_honest_trace_and_claim_pass(truth):
    claimed = float(truth.laps_s[2])
    check = checked(seen(truth), expected_length_m=truth.length_m, claimed_s=claimed)
    assert not check.failed
    assert check.comparison is not None
    assert check.comparison.agrees
    assert check.comparison.lap.lap == 3
    assert [finding.check for finding in check.findings] == [
        "reading",
        "gaps",
        "fixes",
        "laps",
        "path length",
        "timing",
        "claimed time",
    ]


@pytest.mark.parametrize(("off_s", "agrees"), [(-0.03, True), (0.03, True), (-0.12, False)])
def test_a_claim_agrees_within_timing_error_only(truth, off_s, agrees):
    """Sigma 1 m gives 15 to 20 ms at this line, and 95 % of errors stay within 40 ms."""
    trace = seen(truth)
    quickest = min(find_laps(trace, line()), key=lambda lap: lap.lap_time_s)
    check = checked(trace, claimed_s=quickest.lap_time_s + off_s)
    assert check.comparison is not None
    assert check.comparison.difference_s == pytest.approx(off_s)
    assert check.comparison.agrees is agrees
    assert ("claimed time" in fails(check)) is not agrees


def test_the_uncertainty_of_the_claim_counts_too(truth):
    trace = seen(truth)
    lap = min(find_laps(trace, line()), key=lambda lap: lap.lap_time_s)
    check = checked(trace, claimed_s=lap.lap_time_s - 0.12, claimed_u_s=0.10)
    assert check.comparison is not None
    assert check.comparison.difference_u_s == pytest.approx(np.hypot(lap.timing_u_s, 0.10))
    assert check.comparison.agrees


@pytest.mark.parametrize(
    ("layout_m", "words"),
    [(3100.0, "a cut or another layout"), (1800.0, "another layout or a run-off")],
)
def test_a_lap_of_another_layout_is_found(truth, layout_m, words):
    check = checked(seen(truth), expected_length_m=layout_m)
    assert fails(check) == {"path length"}
    assert detail(check, "path length").endswith(words)


def test_a_cut_is_found_by_where_the_other_laps_went(truth):
    """In lap 2 the car leaves the path by up to 60 m and comes back; its length barely shows it."""
    trace = seen(truth)
    into = trace.time_s - truth.crossings_s[1]
    aside = np.where((into > 5) & (into < 9), np.sin((into - 5) / 4 * np.pi) ** 2, 0.0)
    moved = replace(trace, latitude_deg=trace.latitude_deg + aside * 60 / 111_131.8)
    check = checked(moved)
    path = detail(check, "path")
    at = int(path.partition("near point ")[2].partition(":")[0])
    assert path.startswith("lap 2 leaves the path of the other laps by ")
    assert path.endswith(": a cut, a run-off or the pit lane")
    assert into[at - 1] == pytest.approx(7, abs=0.5)


@pytest.mark.parametrize(
    ("factor", "expected"),
    [
        (1.5, {"lateral acceleration"}),  # 10 m/s² becomes 22 and more
        (2.2, {"lateral acceleration", "speed", "braking"}),
    ],
)
def test_a_trace_played_faster_is_found_out(truth, factor, expected):
    trace = seen(truth)
    start = trace.time_s[0]
    check = checked(replace(trace, time_s=start + (trace.time_s - start) / factor))
    assert expected <= fails(check)
    assert "positions jump or the trace was altered" in detail(check, "lateral acceleration")


def test_grip_that_only_slicks_give_is_noted(truth):
    trace = seen(truth)
    start = trace.time_s[0]
    check = checked(replace(trace, time_s=start + (trace.time_s - start) / 1.25))
    assert not check.failed
    assert "no road tyre holds that, only slicks do" in detail(check, "lateral acceleration")


def test_a_jump_of_the_position_is_found(truth):
    trace = seen(truth)
    jump = np.where(np.arange(len(trace)) == 900, 0.0005, 0.0)
    check = checked(replace(trace, latitude_deg=trace.latitude_deg + jump))
    assert "lateral acceleration" in fails(check)


def test_time_that_runs_back_is_found(truth):
    trace = seen(truth, 1)
    shuffled = trace.time_s.copy()
    shuffled[[100, 101, 102]] = shuffled[[102, 101, 100]]
    read = parse_trace("drive.gpx", gpx(replace(trace, time_s=shuffled)).encode())
    check = checked(read)
    assert "time order" in fails(check)
    assert "the file was edited or put together" in detail(check, "time order")


def test_whole_second_stamps_of_a_faster_receiver_are_found(truth):
    trace = seen(truth)
    text = gpx(replace(trace, time_s=np.floor(trace.time_s)))
    check = checked(parse_trace("drive.gpx", text.encode()))
    assert "time stamps" in fails(check)
    assert detail(check, "time stamps") == (
        "time stamps are rounded to 1 s, but fixes come faster: that alone makes a lap uncertain"
        " by 0.41 s; let the receiver write fractions of a second"
    )


def test_too_few_fixes_are_found(truth):
    check = checked(seen(truth, 0.25))
    assert fails(check) == {"fixes"}
    assert "too few to show the path driven" in detail(check, "fixes")


def test_a_trace_without_a_lap_says_so(truth):
    trace = seen(truth, 1)
    check = check_trace(trace, [], claimed_s=70.0)
    assert fails(check) == {"laps"}
    assert check.comparison is None


def test_a_line_askew_and_a_proposed_line_are_noted(truth):
    trace = seen(truth)
    square = line()
    askew = TimingLine(  # one end moved 40 m along the straight, the line is 40 m long
        square.latitude_1_deg,
        square.longitude_1_deg + 40 / 78_846.8,
        square.latitude_2_deg,
        square.longitude_2_deg,
    )
    words = re.search(
        r"(\d+) degrees off a right angle", detail(checked(trace, askew), "timing line")
    )
    assert words
    assert int(words[1]) == pytest.approx(45, abs=3)  # the straight itself runs 1.5 degrees off
    assert "proposed from this trace" in detail(checked(trace, propose_line(trace)), "timing line")


def test_gaps_and_what_was_left_out_are_named(truth):
    trace = seen(truth, 1)
    text = gpx(trace).replace("<time>2024-05-01T10:01:40", "<time>noon")
    read = parse_trace("drive.gpx", text.encode())
    check = checked(read)
    row = read.faults[0].row
    assert detail(check, "reading") == (
        f"parts of drive.gpx could not be used, first point {row}: time"
        ' "noon.000Z" is no ISO 8601 time; write 2024-05-01T10:00:00.100Z'
    )
    kept = np.delete(np.arange(len(trace)), np.arange(50, 60))
    arrays = ("time_s", "latitude_deg", "longitude_deg", "horizontal_u_m", "segment", "row")
    broken = replace(trace, **{name: getattr(trace, name)[kept] for name in arrays})
    assert detail(checked(broken), "gaps") == (
        "1 gap of 11.0 s after point 50; a lap that holds a long one is named"
    )


@pytest.mark.parametrize(
    "asked", [{"expected_length_m": 0.0}, {"claimed_s": -1.0}, {"claimed_u_s": float("nan")}]
)
def test_an_impossible_question_is_refused(truth, asked):
    with pytest.raises(BadQuestion, match="not possible"):
        checked(seen(truth, 1), **asked)
