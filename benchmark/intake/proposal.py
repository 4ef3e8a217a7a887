"""A timing line proposed from a trace, where nobody has given one, and what that leaves open."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchmark.errors import Fault, FaultyFile
from benchmark.intake.crossing import SLOWEST_CROSSING_MPS, Crossing, TimingLine
from benchmark.intake.fixes import IntArray, Trace
from benchmark.intake.motion import Motion, motion_of
from benchmark.intake.plane import Plane
from benchmark.trade.quantity import FloatArray

HALF_WIDTH_M = 15.0  # to either side of the usual path: a wide straight and a metre of error
CELL_M = 25.0  # places closer together than this are one place
MOST_PLACES = 300
SHORTEST_LAP_S = 10.0  # quicker returns are a car that stands on the line
MOST_CHORDS = 20_000  # the path is thinned to about this many for counting passes
OFTEN_ENOUGH = 0.8  # of the most passes; a pit lane beside the straight must not decide
STRAIGHT_PER_M = math.radians(10) / 100  # turns less than 10 degrees over 100 m
SMALLEST_CIRCUIT_M = 100.0  # across; noise alone walks a parked car about by less

# How far along the straight the organiser's line may stand from a proposed one. [m] A choice of
# ours, half of a long straight; half of it leaves about half the uncertainty.
LINE_SHIFT_M = 300.0
LINE_SHIFTS = 61
SAME_STRAIGHT = math.cos(math.radians(30))


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the path: where, which way, how fast, by which fixes, how often passed."""

    point_m: FloatArray
    heading: FloatArray
    speed_mps: float
    fixes: IntArray
    passes: int = 0

    @property
    def across(self) -> FloatArray:
        """Unit vector to the left of the path."""
        return np.array([-self.heading[1], self.heading[0]])


def propose_line(trace: Trace) -> TimingLine:
    """Propose a line across the path where it is passed often, fast and straight on.

    Of the places that see at least 0.8 of the most passes in one direction, the straight ones
    come first and of these the fastest: there position errors cost the least time, and a line a
    little away from the organiser's changes a lap the least. The line stands at a right angle to
    the path and reaches 15 m to either side of its middle.

    Parameters
    ----------
    trace : fixes of at least two passes of some place.

    Returns
    -------
    TimingLine
        With `origin` "proposed".

    Raises
    ------
    FaultyFile
        No place is passed twice in the same direction, so the trace holds no lap.
    """
    plane = Plane(float(np.median(trace.latitude_deg)), float(np.median(trace.longitude_deg)))
    motion = motion_of(trace, plane)
    start, chord = _chords(motion)
    places = [_with_passes(place, start, chord) for place in _fast_places(motion)]
    most = max((place.passes for place in places), default=0)
    if most < 2 or np.hypot(*np.ptp(motion.path_m, axis=0)) < SMALLEST_CIRCUIT_M:
        message = "no place is passed twice in one direction at speed; use a trace of whole laps"
        raise FaultyFile([Fault(trace.file, None, "laps", "0", message), *trace.faults])
    often = [place for place in places if place.passes >= OFTEN_ENOUGH * most]
    chosen = max(often, key=lambda place: (_is_straight(place, motion), place.speed_mps))
    return _line(chosen, plane)


def line_place_u(motion: Motion, start: Crossing, end: Crossing) -> float:
    """Give the standard uncertainty of a lap from not knowing where the true line stands [s].

    The lap is timed again at lines up to 300 m along the straight to both sides; the root of the
    mean square change is the standard uncertainty for a line that may be any of them.

    Parameters
    ----------
    motion : the trace in the line's plane.
    start, end : the crossings of the lap.
    """
    first, last = _along_straight(motion, start), _along_straight(motion, end)
    low = max(-LINE_SHIFT_M, first[0][0], last[0][0])
    high = min(LINE_SHIFT_M, first[0][-1], last[0][-1])
    shift = np.linspace(low, high, LINE_SHIFTS)
    change = np.interp(shift, *last) - np.interp(shift, *first)
    return float(np.sqrt(np.mean(change**2)))


def _along_straight(motion: Motion, crossing: Crossing) -> tuple[FloatArray, FloatArray]:
    """Metres from the line and seconds from the crossing, while the path runs straight on."""
    longest_s = 3 * LINE_SHIFT_M / crossing.speed_mps
    near = np.searchsorted(motion.time_s, crossing.time_s + np.array([-longest_s, longest_s]))
    window = slice(int(near[0]), int(near[1]))
    onward = motion.velocity_mps[window] @ np.array(crossing.normal)
    off = np.flatnonzero(~(onward >= SAME_STRAIGHT * motion.speed_mps[window])) + window.start
    first = max([window.start, *(off[off <= crossing.before] + 1).tolist()])
    beyond = min([window.stop, *off[off > crossing.before].tolist()])
    metres = (motion.path_m[first:beyond] - crossing.point_m) @ np.array(crossing.normal)
    before = max(crossing.before + 1 - first, 0)
    return (
        np.maximum.accumulate(np.insert(metres, before, 0.0)),
        np.insert(motion.time_s[first:beyond] - crossing.time_s, before, 0.0),
    )


def _chords(motion: Motion) -> tuple[FloatArray, FloatArray]:
    """Thin the path evenly; chords across gaps are left out. Rows are time, east, north."""
    stride = max(1, len(motion.time_s) // MOST_CHORDS)
    index = np.arange(0, len(motion.time_s), stride)
    points = np.column_stack([motion.time_s, motion.path_m])[index]
    whole = np.diff(motion.piece[index]) == 0
    return points[:-1][whole], np.diff(points, axis=0)[whole]


def _fast_places(motion: Motion) -> list[Place]:
    """One place for each cell of the map that is passed at speed, the fastest cells first."""
    moving = np.flatnonzero(motion.speed_mps >= SLOWEST_CROSSING_MPS)
    cell = np.floor(motion.path_m[moving] / CELL_M).astype(np.int64)
    _, group = np.unique(cell, axis=0, return_inverse=True)
    order = np.argsort(group, kind="stable")
    members = np.split(moving[order], np.flatnonzero(np.diff(group[order])) + 1)
    places = [_place(motion, indices) for indices in members if len(indices)]
    return sorted(places, key=lambda place: -place.speed_mps)[:MOST_PLACES]


def _place(motion: Motion, fixes: IntArray) -> Place:
    """Describe a cell by the fix of its middle speed."""
    middle = int(fixes[np.argsort(motion.speed_mps[fixes])[len(fixes) // 2]])
    speed = float(motion.speed_mps[middle])
    return Place(motion.path_m[middle], motion.velocity_mps[middle] / speed, speed, fixes)


def _is_straight(place: Place, motion: Motion) -> bool:
    """Tell whether the path bends little here: lateral acceleration over speed squared."""
    bend = abs(float(np.median(motion.lateral_mps2[place.fixes]))) / place.speed_mps**2
    return bend < STRAIGHT_PER_M


def _with_passes(place: Place, start: FloatArray, chord: FloatArray) -> Place:
    """Count the passes over a line here, and move its middle to the middle of them."""
    offset = start[:, 1:] - place.point_m
    side, step = offset @ place.heading, chord[:, 1:] @ place.heading
    at = np.flatnonzero((side < 0) & (side + step >= 0))
    share = -side[at] / step[at]
    aside = (offset[at] + share[:, None] * chord[at, 1:]) @ place.across
    near = np.abs(aside) <= HALF_WIDTH_M
    time = start[at, 0][near] + share[near] * chord[at, 0][near]
    passes = int((np.diff(time) >= SHORTEST_LAP_S).sum()) + bool(len(time))
    middle = np.sort(aside[near])[len(time) // 2] if len(time) else 0.0
    return replace(place, point_m=place.point_m + middle * place.across, passes=passes)


def _line(place: Place, plane: Plane) -> TimingLine:
    across = place.across * HALF_WIDTH_M
    left = plane.degrees(*(place.point_m + across).tolist())
    right = plane.degrees(*(place.point_m - across).tolist())
    return TimingLine(*left, *right, origin="proposed")
