"""Where the path of one lap leaves that of the others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.spatial import cKDTree

from benchmark.intake.fixes import Trace
from benchmark.intake.plane import Plane
from benchmark.intake.trace import TracedLap
from benchmark.trade.quantity import FloatArray

SPACING_M = 5.0  # of the points that stand for a path
MOST_OTHERS = 15
LONGEST_PATH_M = 100_000.0  # a wild position must not ask for millions of points


def farthest_off(
    trace: Trace, laps: Sequence[TracedLap], judged: Sequence[TracedLap]
) -> Iterator[tuple[TracedLap, float, int]]:
    """Find where each judged lap is farthest from the path of the others.

    Of several other laps the middle distance counts, so that one lap through the pit lane neither
    hides a cut nor makes one.

    Yields
    ------
    tuple[TracedLap, float, int]
        The lap, the distance [m] and the fix where; nothing where there is no other lap.
    """
    if len(laps) < 2:
        return
    first = laps[0].first_fix
    plane = Plane(float(trace.latitude_deg[first]), float(trace.longitude_deg[first]))
    path = np.column_stack(plane.metres(trace.latitude_deg, trace.longitude_deg))
    trees = {lap.lap: cKDTree(_even(_part(path, lap))) for lap in _spread(laps)}
    for lap in judged:
        points = _part(path, lap)
        others = [tree for number, tree in trees.items() if number != lap.lap]
        distance = np.median([tree.query(points)[0] for tree in others], axis=0)
        at = int(np.argmax(distance))
        yield lap, float(distance[at]), lap.first_fix + at


def _spread(laps: Sequence[TracedLap]) -> list[TracedLap]:
    """Pick laps evenly over the trace."""
    chosen = np.linspace(0, len(laps) - 1, min(len(laps), MOST_OTHERS + 1)).round().astype(int)
    return [laps[index] for index in np.unique(chosen)]


def _part(path_m: FloatArray, lap: TracedLap) -> FloatArray:
    return path_m[lap.first_fix : lap.last_fix + 1]


def _even(path_m: FloatArray) -> FloatArray:
    """Points at even spacing along a path."""
    step = np.diff(path_m, axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]))])
    marks = np.arange(0.0, min(along[-1], LONGEST_PATH_M) + SPACING_M, SPACING_M)
    return np.column_stack([np.interp(marks, along, axis) for axis in path_m.T])
