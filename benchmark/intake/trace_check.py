"""What is wrong with a trace, in words, and whether it bears out a claimed lap time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchmark.errors import BadQuestion
from benchmark.intake.fixes import OUT_OF_ORDER, Trace
from benchmark.intake.lap_paths import farthest_off
from benchmark.intake.motion import pieces, typical_interval
from benchmark.intake.proposal import LINE_SHIFT_M
from benchmark.intake.trace import TracedLap
from benchmark.intake.trace_uncertainty import stamp_u
from benchmark.trade.timing import format_lap_time
from benchmark.trade.uncertainty import combined_u, expanded_u

AGREEMENT_LEVEL = 0.95

# A lap driven and a layout's published centre line differ by the line that drivers take. [share]
# A choice of ours; at twice the value a cut of 100 m on a layout of 2 km passes unseen.
LENGTH_TOLERANCE = 0.03

# Off the path of the other laps by more than a wide track and the receiver's error. [m]
OFF_PATH_M = 20.0

FEWEST_A_LAP = 20
SLOWEST_RHYTHM_S = 2.0
ASKEW_DEG = 30.0

# What tyres allow; common practice, no published source. Touring to track-day tyres hold 8 to
# 12 m/s², semi-slicks 14, slicks with much downforce come near 20. Braking is bounded by the same
# grip, drive by the driven wheels. No car in question reaches 400 km/h.
HIGH_LATERAL_MPS2 = 14.0
MAX_LATERAL_MPS2 = 20.0
MAX_BRAKING_MPS2 = 20.0
MAX_DRIVE_MPS2 = 15.0
MAX_SPEED_MPS = 110.0
NOISE_FACTOR = 4.0  # the largest of a thousand values lies about this many sigmas too high


@dataclass(frozen=True, slots=True)
class TraceFinding:
    """One thing that was looked at: `outcome` is ok, note or fail, `detail` a sentence."""

    check: str
    outcome: str
    detail: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A claimed time against the lap of the trace that comes nearest to it.

    Attributes
    ----------
    lap : that lap.
    claimed_s : the claimed lap time. [s]
    difference_s : claimed less traced; negative where the claim is quicker. [s]
    difference_u_s : its standard uncertainty, trace and claim combined. [s]
    agrees : whether the difference is within the 95 % interval around zero.
    """

    lap: TracedLap
    claimed_s: float
    difference_s: float
    difference_u_s: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class TraceCheck:
    """The findings in the order in which they are best read, and the comparison if asked for."""

    findings: tuple[TraceFinding, ...]
    comparison: Comparison | None

    @property
    def failed(self) -> bool:
        """Whether any finding is a fail."""
        return any(finding.outcome == "fail" for finding in self.findings)


def check_trace(
    trace: Trace,
    laps: Sequence[TracedLap],
    *,
    expected_length_m: float | None = None,
    claimed_s: float | None = None,
    claimed_u_s: float = 0.0,
) -> TraceCheck:
    """Say what is wrong with a trace and its laps, and whether it agrees with a claimed time.

    With a claimed time the nearest lap is judged, otherwise all of them are.

    Parameters
    ----------
    trace : as read.
    laps : the laps found in it.
    expected_length_m : length of the layout, where known. [m]
    claimed_s : the claimed lap time. [s]
    claimed_u_s : standard uncertainty of the claimed time by its own timing. [s]

    Raises
    ------
    BadQuestion
        A length or a claimed time that is not above zero, or a negative uncertainty.
    """
    _check_asked(expected_length_m, claimed_s, claimed_u_s)
    comparison = _compare(laps, claimed_s, claimed_u_s)
    judged = [comparison.lap] if comparison else list(laps)
    findings = [
        *_reading(trace),
        *_stamps(trace),
        *_gaps(trace),
        *_rhythm(trace, judged),
        *_lap_count(laps),
        *_line(judged),
        *_lengths(judged, expected_length_m),
        *_paths(trace, laps, judged),
        *_faults(judged),
        *_limits(trace, judged),
        *_timing(judged),
        *_claimed(comparison),
    ]
    return TraceCheck(tuple(findings), comparison)


def _compare(
    laps: Sequence[TracedLap], claimed_s: float | None, claimed_u_s: float
) -> Comparison | None:
    """Compare the claim with the nearest lap."""
    if claimed_s is None or not laps:
        return None
    lap = min(laps, key=lambda lap: abs(lap.lap_time_s - claimed_s))
    difference = claimed_s - lap.lap_time_s
    u = combined_u(lap.timing_u_s, claimed_u_s)
    agrees = abs(difference) <= expanded_u(u, AGREEMENT_LEVEL)
    return Comparison(lap, claimed_s, difference, u, agrees)


def _reading(trace: Trace) -> Iterator[TraceFinding]:
    left_out = len(trace.faults)
    if left_out:
        first = trace.faults[0]
        row = "the file" if first.row is None else f"{trace.row_word} {first.row}"
        yield TraceFinding(
            "reading",
            "note",
            f"parts of {trace.file} could not be used, first {row}:"
            f' {first.column} "{first.value}" {first.message}',
        )
    else:
        yield TraceFinding("reading", "ok", f"all {len(trace)} fixes of {trace.file} were used")
    for warning in trace.warnings:
        yield TraceFinding("reading", "note", warning)


def _stamps(trace: Trace) -> Iterator[TraceFinding]:
    order = [fault for fault in trace.faults if fault.column == "time" and fault.row is not None]
    backward = [fault for fault in order if fault.message.startswith(OUT_OF_ORDER)]
    if backward:
        yield TraceFinding(
            "time order",
            "fail",
            f"time runs back at {trace.row_word} {backward[0].row} ({backward[0].value}): the file"
            " was edited or put together; export the receiver's own record",
        )
    if trace.time_step_s:
        yield TraceFinding(
            "time stamps",
            "fail" if trace.time_step_s >= 1 else "note",
            f"time stamps are rounded to {trace.time_step_s:g} s, but fixes come faster: that alone"
            f" makes a lap uncertain by {stamp_u(trace.time_step_s):.2f} s; let the receiver"
            " write fractions of a second",
        )


def _gaps(trace: Trace) -> Iterator[TraceFinding]:
    piece = pieces(trace, typical_interval(trace))
    at = np.flatnonzero(np.diff(piece))
    if not len(at):
        yield TraceFinding("gaps", "ok", "the trace is unbroken")
        return
    length = trace.time_s[at + 1] - trace.time_s[at]
    longest = int(np.argmax(length))
    many = "1 gap" if len(at) == 1 else f"{len(at)} gaps, the longest"
    yield TraceFinding(
        "gaps",
        "note",
        f"{many} of {length[longest]:.1f} s after"
        f" {trace.place(int(at[longest]))}; a lap that holds a long one is named",
    )


def _rhythm(trace: Trace, judged: Sequence[TracedLap]) -> Iterator[TraceFinding]:
    interval = typical_interval(trace)
    fewest = min((lap.last_fix - lap.first_fix + 1 for lap in judged), default=len(trace))
    rate = f"a fix every {interval:.3g} s"
    if fewest < FEWEST_A_LAP:
        detail = f"{rate}, only {fewest} in a lap: too few to show the path driven"
        yield TraceFinding("fixes", "fail", f"{detail}; record at 1 Hz or faster")
    elif interval > SLOWEST_RHYTHM_S:
        detail = f"{rate}: too slow to interpolate a crossing well; record at 1 Hz or faster"
        yield TraceFinding("fixes", "note", detail)
    else:
        yield TraceFinding("fixes", "ok", f"{rate}, at least {fewest} in a lap")


def _lap_count(laps: Sequence[TracedLap]) -> Iterator[TraceFinding]:
    if laps:
        many = "1 whole lap" if len(laps) == 1 else f"{len(laps)} whole laps"
        yield TraceFinding("laps", "ok", f"{many} of the timing line")
    else:
        yield TraceFinding(
            "laps",
            "fail",
            "no whole lap: the line is not crossed twice in one direction at speed, or a gap hides"
            " a crossing; check the line's place",
        )


def _line(judged: Sequence[TracedLap]) -> Iterator[TraceFinding]:
    if any(lap.line_origin == "proposed" for lap in judged):
        yield TraceFinding(
            "timing line",
            "note",
            "the line was proposed from this trace, not given by the organiser; what a line"
            f" {LINE_SHIFT_M:.0f} m to either side would change is in the uncertainty, a line on"
            " another straight is not: give the organiser's line",
        )
    askew = max((lap.askew_deg for lap in judged), default=0.0)
    if askew > ASKEW_DEG:
        yield TraceFinding(
            "timing line",
            "note",
            f"the path crosses the line {askew:.0f} degrees off a right angle, so a lap depends on"
            " where across the track the car was; set the line square to the track",
        )


def _lengths(
    judged: Sequence[TracedLap], expected_length_m: float | None
) -> Iterator[TraceFinding]:
    if expected_length_m is None:
        return
    for lap in judged:
        off = lap.path_length_m / expected_length_m - 1
        detail = (
            f"lap {lap.lap} is {lap.path_length_m:.0f} m long, {off:+.1%} from the layout's"
            f" {expected_length_m:.0f} m"
        )
        if abs(off) <= LENGTH_TOLERANCE:
            yield TraceFinding("path length", "ok", detail)
        else:
            kind = "a cut or another layout" if off < 0 else "another layout or a run-off"
            yield TraceFinding("path length", "fail", f"{detail}: {kind}")


def _paths(
    trace: Trace, laps: Sequence[TracedLap], judged: Sequence[TracedLap]
) -> Iterator[TraceFinding]:
    """Compare where each judged lap went with where the others went."""
    interval = typical_interval(trace)
    if interval > SLOWEST_RHYTHM_S:
        return
    bulge_m = HIGH_LATERAL_MPS2 * interval**2 / 8  # of a bend over its chord
    for lap, off_m, index in farthest_off(trace, laps, judged):
        if off_m > OFF_PATH_M + bulge_m + 2 * float(trace.horizontal_u_m[index]):
            yield TraceFinding(
                "path",
                "fail",
                f"lap {lap.lap} leaves the path of the other laps by {off_m:.0f} m near"
                f" {trace.place(index)}: a cut, a run-off or the pit lane",
            )


def _faults(judged: Sequence[TracedLap]) -> Iterator[TraceFinding]:
    for lap in judged:
        for fault in lap.faults:
            yield TraceFinding("lap", "fail", f"lap {lap.lap}: {fault}")


def _limits(trace: Trace, judged: Sequence[TracedLap]) -> Iterator[TraceFinding]:
    """Hold each lap against what a road car can do, less what noise may have added."""
    for lap in judged:
        noise = NOISE_FACTOR * lap.acceleration_u_mps2
        bounds = (
            ("speed", lap.max_speed_mps, MAX_SPEED_MPS, "m/s"),
            ("lateral acceleration", lap.max_lateral_mps2, MAX_LATERAL_MPS2 + noise, "m/s²"),
            ("braking", lap.max_braking_mps2, MAX_BRAKING_MPS2 + noise, "m/s²"),
            ("drive", lap.max_drive_mps2, MAX_DRIVE_MPS2 + noise, "m/s²"),
        )
        where = f"{trace.row_word}s {trace.row[lap.first_fix]} to {trace.row[lap.last_fix]}"
        for check, value, bound, unit in bounds:
            if value > bound:
                detail = (
                    f"lap {lap.lap} shows {value:.0f} {unit} within {where}, no road car reaches"
                    f" {bound:.0f}: positions jump or the trace was altered"
                )
                yield TraceFinding(check, "fail", detail)
        if HIGH_LATERAL_MPS2 + noise < lap.max_lateral_mps2 <= MAX_LATERAL_MPS2 + noise:
            detail = f"lap {lap.lap} shows {lap.max_lateral_mps2:.0f} m/s²: no road tyre holds that"
            yield TraceFinding("lateral acceleration", "note", f"{detail}, only slicks do")


def _timing(judged: Sequence[TracedLap]) -> Iterator[TraceFinding]:
    if not judged:
        return
    worst = max(judged, key=lambda lap: lap.timing_u_s)
    parts = sorted(worst.u_parts_s.items(), key=lambda part: -part[1])
    shares = ", ".join(f"{name} {u:.3f}" for name, u in parts if u >= 0.0005)
    detail = f"standard uncertainty {worst.timing_u_s:.3f} s ({shares})"
    yield TraceFinding("timing", "ok", f"lap {worst.lap} of the trace: {detail}")


def _claimed(comparison: Comparison | None) -> Iterator[TraceFinding]:
    if comparison is None:
        return
    expanded = expanded_u(comparison.difference_u_s, AGREEMENT_LEVEL)
    way = "slower" if comparison.difference_s > 0 else "quicker"
    detail = (
        f"the claimed {format_lap_time(comparison.claimed_s)} is"
        f" {abs(comparison.difference_s):.3f} s {way} than lap {comparison.lap.lap} of the trace;"
        f" up to {expanded:.3f} s is within timing error at 95 %"
    )
    yield TraceFinding("claimed time", "ok" if comparison.agrees else "fail", detail)


def _check_asked(length_m: float | None, claimed_s: float | None, claimed_u_s: float) -> None:
    if length_m is not None and not 0 < length_m < math.inf:
        raise BadQuestion(f"a layout of {length_m} m is not possible; give its length in metres")
    if claimed_s is not None and not 0 < claimed_s < math.inf:
        raise BadQuestion(f"a lap of {claimed_s} s is not possible; give it in seconds")
    if not 0 <= claimed_u_s < math.inf:
        raise BadQuestion(
            f"a standard uncertainty of {claimed_u_s} s is not possible; give 0 or more"
        )
