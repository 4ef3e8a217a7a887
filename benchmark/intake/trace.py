"""A trace file to laps: read it, find the crossings of a timing line, state how well.

The road of a lap: file -> `Trace` (fixes and faults) -> crossings of a `TimingLine` ->
`TracedLap` with its standard uncertainty. What is wrong with it, `trace_check` says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType

import numpy as np

from benchmark.errors import Fault, FaultyFile
from benchmark.intake.crossing import Crossing, TimingLine, crossings
from benchmark.intake.fixes import MAX_BYTES, Trace
from benchmark.intake.gpx import read_gpx
from benchmark.intake.motion import Motion, motion_of
from benchmark.intake.nmea import read_nmea
from benchmark.intake.proposal import SHORTEST_LAP_S, line_place_u, propose_line
from benchmark.intake.trace_uncertainty import (
    interpolation_u,
    noise_u,
    slow_error_u,
    stamp_u,
)
from benchmark.trade.quantity import FloatArray
from benchmark.trade.uncertainty import combined_u

__all__ = [
    "TimingLine",
    "Trace",
    "TracedLap",
    "find_laps",
    "parse_trace",
    "propose_line",
    "read_trace",
]

# A flying lap neither stands nor creeps; slower than walking for longer than this is a stop. [s]
LONGEST_CRAWL_S = 2.0
CRAWL_MPS = 2.0

# A gap that a cut could hide in; at 40 m/s these are 80 m unseen. A choice of ours. [s]
HIDING_GAP_S = 2.0

# Of laps of one layout, paths differ by a per cent or so between lines driven. [share]
ODD_LENGTH = 0.03
FEWEST_TO_COMPARE = 3


@dataclass(frozen=True, slots=True)
class TracedLap:
    """One lap of a trace, from one crossing of the timing line to the next.

    Attributes
    ----------
    lap : number within the trace, from 1.
    start_time_s, end_time_s : the crossings, seconds since 1970-01-01 UTC. [s]
    lap_time_s : their difference. [s]
    timing_u_s : its standard uncertainty, all sources combined. [s]
    u_parts_s : the same by source: position, noise, rounding, interpolation, stamps, line. [s]
    path_length_m : length of the path driven. [m]
    max_speed_mps : over ground. [m/s]
    max_lateral_mps2 : size of the largest acceleration across the path. [m/s²]
    max_braking_mps2, max_drive_mps2 : largest acceleration along it, both positive. [m/s²]
    acceleration_u_mps2 : standard uncertainty of these three. [m/s²]
    first_fix, last_fix : indices of the first and the last fix between the crossings.
    askew_deg : the larger angle by which a crossing misses a right angle with the line. [°]
    line_origin : where the line came from: given, stored or proposed.
    faults : what is wrong with this lap, in words.
    """

    lap: int
    start_time_s: float
    end_time_s: float
    lap_time_s: float
    timing_u_s: float
    u_parts_s: Mapping[str, float]
    path_length_m: float
    max_speed_mps: float
    max_lateral_mps2: float
    max_braking_mps2: float
    max_drive_mps2: float
    acceleration_u_mps2: float
    first_fix: int
    last_fix: int
    askew_deg: float
    line_origin: str
    faults: tuple[str, ...] = ()


def read_trace(path: Path | str) -> Trace:
    """Read a GPX or NMEA file; which of them it is, its content tells.

    Raises
    ------
    FaultyFile
        As `parse_trace`.
    OSError
        The file cannot be opened.
    """
    path = Path(path)
    with path.open("rb") as file:
        data = file.read(MAX_BYTES + 1)  # one more, so that the readers see it is too large
    return parse_trace(path.name, data)


def parse_trace(file: str, data: bytes) -> Trace:
    """Read the content of a GPX or NMEA file, such as one that was uploaded.

    Parameters
    ----------
    file : its name, for messages.
    data : its content.

    Raises
    ------
    FaultyFile
        Neither format, or nothing in it that could time a lap.
    """
    head = data[:4096].lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n")
    if head.startswith(b"<"):
        return read_gpx(file, data)
    if b"$" in data:
        return read_nmea(file, data)
    message = "is neither GPX nor NMEA 0183; export the trace as GPX 1.1"
    raise FaultyFile([Fault(file, None, "file", head[:20].decode("ascii", "replace"), message)])


def find_laps(trace: Trace, line: TimingLine) -> list[TracedLap]:
    """Find the laps between crossings of a line in one direction, and how well each is timed.

    Crossings are interpolated linearly in time, never across a gap or two segments. A lap may
    hold a gap (of a long one its faults say so) but not one that hides a passage over the line.

    Parameters
    ----------
    trace : fixes in order of time.
    line : where laps begin and end.

    Returns
    -------
    list[TracedLap]
        In the order driven; empty where the line is not crossed twice.
    """
    motion = motion_of(trace, line.plane)
    laps: list[TracedLap] = []
    for start, end in _pairs(crossings(motion, line)):
        laps.append(_lap(len(laps) + 1, trace, motion, line, (start, end)))
    return _compared(laps)


def _pairs(found: list[Crossing]) -> list[tuple[Crossing, Crossing]]:
    """Pair neighbouring crossings; one that cannot be timed ends one lap and begins none."""
    kept: list[Crossing] = []
    for crossing in found:
        too_soon = kept and crossing.time_s - kept[-1].time_s < SHORTEST_LAP_S
        if not (too_soon and crossing.timed):
            kept.append(crossing)
    return [(start, end) for start, end in pairwise(kept) if start.timed and end.timed]


def _lap(
    lap: int, trace: Trace, motion: Motion, line: TimingLine, ends: tuple[Crossing, Crossing]
) -> TracedLap:
    start, end = ends
    inside = slice(start.before + 1, end.before + 1)
    path = np.vstack([start.point_m, motion.path_m[inside], end.point_m])
    along = motion.along_mps2[inside]
    parts = _uncertainty(trace, motion, line, ends)
    return TracedLap(
        lap=lap,
        start_time_s=start.time_s,
        end_time_s=end.time_s,
        lap_time_s=end.time_s - start.time_s,
        timing_u_s=combined_u(*parts.values()),
        u_parts_s=MappingProxyType(parts),
        path_length_m=motion.length_m(path),
        max_speed_mps=_largest(motion.speed_mps[inside]),
        max_lateral_mps2=_largest(np.abs(motion.lateral_mps2[inside])),
        max_braking_mps2=_largest(-along),
        max_drive_mps2=_largest(along),
        acceleration_u_mps2=motion.acceleration_u_mps2,
        first_fix=inside.start,
        last_fix=inside.stop - 1,
        askew_deg=max(start.askew_deg, end.askew_deg),
        line_origin=line.origin,
        faults=(*_gaps(trace, motion, inside), *_stops(trace, motion, inside)),
    )


def _uncertainty(
    trace: Trace, motion: Motion, line: TimingLine, ends: tuple[Crossing, Crossing]
) -> dict[str, float]:
    """Give the standard uncertainty of a lap by source [s]."""
    start, end = ends
    position = slow_error_u(
        (float(trace.horizontal_u_m[start.before]), float(trace.horizontal_u_m[end.before])),
        (start.speed_mps, end.speed_mps),
        end.time_s - start.time_s,
    )
    noise = [noise_u(motion.noise_m, at.speed_mps) for at in ends]
    rounding = [noise_u(math.hypot(*(motion.rounding_m * at.normal)), at.speed_mps) for at in ends]
    between = [interpolation_u(at.pull_mps2, at.interval_s, at.speed_mps) for at in ends]
    return {
        "position": position,
        "noise": combined_u(*noise),
        "rounding": combined_u(*rounding),
        "interpolation": combined_u(*between),
        "stamps": stamp_u(trace.time_step_s),
        "line": line_place_u(motion, start, end) if line.origin == "proposed" else 0.0,
    }


def _gaps(trace: Trace, motion: Motion, inside: slice) -> list[str]:
    """Name the gaps between the fixes of a lap that are long enough to hide something."""
    hiding = (np.diff(motion.piece[inside]) > 0) & (np.diff(trace.time_s[inside]) > HIDING_GAP_S)
    at = np.flatnonzero(hiding) + inside.start
    return [
        f"gap of {trace.time_s[index + 1] - trace.time_s[index]:.1f} s after {trace.place(index)}:"
        " what was driven there is not known"
        for index in at.tolist()
    ]


def _stops(trace: Trace, motion: Motion, inside: slice) -> list[str]:
    """Say where the car stood or crept: such a lap is no flying lap."""
    slow = np.flatnonzero(motion.speed_mps[inside] < CRAWL_MPS)
    crawl_s = len(slow) * motion.interval_s
    if crawl_s <= LONGEST_CRAWL_S:
        return []
    where = trace.place(inside.start + int(slow[0]))
    return [f"stood or crept for {crawl_s:.0f} s from {where} on: no flying lap"]


def _compared(laps: list[TracedLap]) -> list[TracedLap]:
    """Mark the laps whose path is longer or shorter than the others'."""
    if len(laps) < FEWEST_TO_COMPARE:
        return laps
    usual = float(np.median([lap.path_length_m for lap in laps]))
    return [_with_odd_length(lap, usual) for lap in laps]


def _with_odd_length(lap: TracedLap, usual_m: float) -> TracedLap:
    off = lap.path_length_m / usual_m - 1
    if abs(off) <= ODD_LENGTH:
        return lap
    kind = "a cut or another layout" if off < 0 else "another layout, a run-off or a missed line"
    words = (
        f"path of {lap.path_length_m:.0f} m is {abs(off):.1%} {'shorter' if off < 0 else 'longer'}"
        f" than the usual {usual_m:.0f} m: {kind}"
    )
    return replace(lap, faults=(*lap.faults, words))


def _largest(values: FloatArray) -> float:
    """Give the largest known value; NaN where none is known."""
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else math.nan
