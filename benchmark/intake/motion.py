"""How the car moved, as far as its fixes tell: unbroken pieces, speed, acceleration, length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmark.intake.fixes import IntArray, Trace
from benchmark.intake.plane import Plane, radii_of_curvature
from benchmark.trade.quantity import FloatArray

GAP_INTERVALS = 2.5  # one missing fix is bridged, two are a gap
LONGEST_BRIDGE_S = 5.0  # however slow the receiver: at 40 m/s this is 200 m unseen

# Noise that is new at every fix, beside the slow error that HDOP is for. Above 4 Hz it is read
# off the trace; slower fixes hide it behind the car's own motion, so a poor sky's is assumed.
# Choices of ours: 0.3 m adds 9 ms to a lap at 40 m/s, twice as much twice that.
ASSUMED_NOISE_M = 0.3
SMALLEST_NOISE_M = 0.02
SLOWEST_MEASURED_S = 0.26
FEWEST_MEASURED = 30
JUMP_MEDIANS = 5.0  # 3.4 sigmas of a normal error

# Acceleration is taken over spans long enough that noise stays below this; a corner lasts longer.
TOLERATED_NOISE_MPS2 = 0.5
SHORTEST_SPAN_S = 0.3
LONGEST_SPAN_S = 1.5

# Length is added up over chords long against the noise, which else makes every path longer.
SHORTEST_CHORD_M = 5.0
CHORD_NOISES = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """A trace in metres, with what can be derived from neighbouring fixes.

    Attributes
    ----------
    plane : the map that the metres belong to.
    time_s : as in the trace, shape (fixes,). [s]
    path_m : distance east and north of the plane's origin, shape (fixes, 2). [m]
    piece : number of the unbroken piece of a fix; a gap or a new segment begins another one.
    interval_s : the receiver's rhythm, the median between neighbours. [s]
    noise_m : standard deviation along one axis of the noise new at every fix, less rounding. [m]
    noise_is_assumed : whether `noise_m` is `ASSUMED_NOISE_M`.
    rounding_m : standard uncertainty from rounded positions, east and north, shape (2,). [m]
    velocity_mps, acceleration_mps2 : east and north, shape (fixes, 2). What is derived is NaN
        near the ends of a piece. [m/s, m/s²]
    speed_mps : over ground, shape (fixes,). [m/s]
    along_mps2 : acceleration along the path, negative in braking, shape (fixes,). [m/s²]
    lateral_mps2 : acceleration across the path, positive to the left, shape (fixes,). [m/s²]
    acceleration_u_mps2 : standard uncertainty of one component of acceleration. [m/s²]
    """

    plane: Plane
    time_s: FloatArray
    path_m: FloatArray
    piece: IntArray
    interval_s: float
    noise_m: float
    noise_is_assumed: bool
    rounding_m: FloatArray
    velocity_mps: FloatArray
    acceleration_mps2: FloatArray
    speed_mps: FloatArray
    along_mps2: FloatArray
    lateral_mps2: FloatArray
    acceleration_u_mps2: float

    def length_m(self, path_m: FloatArray) -> float:
        """Give the length of a path through these points, corners included [m].

        Chords are lengthened to arcs by the angle that the path turns at their ends.

        Parameters
        ----------
        path_m : points in this plane, shape (points, 2). [m]
        """
        noise = math.hypot(self.noise_m, *self.rounding_m)
        chord = np.diff(thinned(path_m, max(SHORTEST_CHORD_M, CHORD_NOISES * noise)), axis=0)
        length = np.hypot(chord[:, 0], chord[:, 1])
        if len(chord) < 3:
            return float(length.sum())
        heading = np.arctan2(chord[:, 1], chord[:, 0])
        turn = np.abs(_wrapped(np.diff(heading)))
        across = np.concatenate([turn[:1], (turn[:-1] + turn[1:]) / 2, turn[-1:]])
        half = np.clip(across, 1e-9, math.pi / 2) / 2
        return float((length * half / np.sin(half)).sum())


def motion_of(trace: Trace, plane: Plane) -> Motion:
    """Lay a trace into a plane and derive its motion."""
    path = np.column_stack(plane.metres(trace.latitude_deg, trace.longitude_deg))
    interval = typical_interval(trace)
    piece = pieces(trace, interval)
    rounding = _rounding(trace.position_step_deg, plane.latitude_deg)
    noise = measured_noise(trace.time_s, path, piece, interval, rounding)
    known = ASSUMED_NOISE_M if noise is None else noise
    total = math.hypot(known, float(rounding.max()))
    lag = _lag(total, interval)
    velocity, acceleration = _derivatives(trace.time_s, path, piece, lag)
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    moving = np.where(speed > 0, speed, np.nan)
    turning = velocity[:, 0] * acceleration[:, 1] - velocity[:, 1] * acceleration[:, 0]
    return Motion(
        plane=plane,
        time_s=trace.time_s,
        path_m=path,
        piece=piece,
        interval_s=interval,
        noise_m=known,
        noise_is_assumed=noise is None,
        rounding_m=rounding,
        velocity_mps=velocity,
        acceleration_mps2=acceleration,
        speed_mps=speed,
        along_mps2=(velocity * acceleration).sum(axis=1) / moving,
        lateral_mps2=turning / moving,
        acceleration_u_mps2=math.sqrt(6) * total / (lag * interval) ** 2,
    )


def typical_interval(trace: Trace) -> float:
    """Give the receiver's rhythm: the median time between neighbours of a segment [s]."""
    interval = np.diff(trace.time_s)
    inside = interval[np.diff(trace.segment) == 0]
    return float(np.median(inside if len(inside) else interval))


def pieces(trace: Trace, interval_s: float) -> IntArray:
    """Count the unbroken pieces: a new segment or a gap begins another one."""
    longest = min(GAP_INTERVALS * interval_s, LONGEST_BRIDGE_S)
    broken = (np.diff(trace.segment) != 0) | (np.diff(trace.time_s) > longest)
    return np.concatenate([[0], np.cumsum(broken)]).astype(np.int64)


def measured_noise(
    time_s: FloatArray,
    path_m: FloatArray,
    piece: IntArray,
    interval_s: float,
    rounding_m: FloatArray,
) -> float | None:
    """Read the noise new at every fix off the third differences of the positions [m].

    Those of independent noise have 1 + 9 + 9 + 1 = 20 times its variance, while a jerk of
    10 m/s³ leaves 1 cm at 10 Hz. Jumps are cut to a few times the median. None where fixes are
    too slow or too few to tell.
    """
    steady = np.abs(np.diff(time_s) - interval_s) < 0.1 * interval_s
    usable = (piece[3:] == piece[:-3]) & steady[2:] & steady[1:-1] & steady[:-2]
    if interval_s > SLOWEST_MEASURED_S or usable.sum() < FEWEST_MEASURED:
        return None
    third = np.abs(np.diff(path_m, n=3, axis=0)[usable])
    cut = np.minimum(third, JUMP_MEDIANS * np.median(third, axis=0))
    variance = (cut**2).mean(axis=0) / 20 - rounding_m**2
    return max(math.sqrt(max(float(variance.mean()), 0.0)), SMALLEST_NOISE_M)


def thinned(path_m: FloatArray, spacing_m: float) -> FloatArray:
    """Keep points at least so far apart along the path, the first and the last always."""
    step = np.hypot(*np.diff(path_m, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    bins = np.floor(along / spacing_m)
    kept = np.concatenate([[True], np.diff(bins) > 0])
    if not kept[-1] and kept.sum() > 1:
        kept[np.flatnonzero(kept)[-1]] = False  # else the last chord would be mostly noise
    kept[-1] = True
    points: FloatArray = path_m[kept]
    return points


def _derivatives(
    time_s: FloatArray, path_m: FloatArray, piece: IntArray, lag: int
) -> tuple[FloatArray, FloatArray]:
    """First and second divided differences over `lag` fixes on both sides."""
    velocity = np.full_like(path_m, np.nan)
    acceleration = np.full_like(path_m, np.nan)
    if len(time_s) > 2 * lag:
        before, after = slice(None, -2 * lag), slice(2 * lag, None)
        middle = slice(lag, -lag)
        to, on = (time_s[middle] - time_s[before]), (time_s[after] - time_s[middle])
        arriving = (path_m[middle] - path_m[before]) / to[:, None]
        leaving = (path_m[after] - path_m[middle]) / on[:, None]
        whole = (piece[after] == piece[before])[:, None]
        both = (to + on)[:, None]
        mean = (path_m[after] - path_m[before]) / both
        velocity[middle] = np.where(whole, mean, np.nan)
        acceleration[middle] = np.where(whole, 2 * (leaving - arriving) / both, np.nan)
    return velocity, acceleration


def _lag(noise_m: float, interval_s: float) -> int:
    """How many fixes a second difference spans on each side."""
    span = math.sqrt(math.sqrt(6) * noise_m / TOLERATED_NOISE_MPS2)
    return max(1, round(min(max(span, SHORTEST_SPAN_S), LONGEST_SPAN_S) / interval_s))


def _rounding(step_deg: float, latitude_deg: float) -> FloatArray:
    """Give the standard uncertainty of a rounded position, east and north: step / root 12 [m]."""
    meridian_m, across_m = radii_of_curvature(latitude_deg)
    parallel_m = across_m * math.cos(math.radians(latitude_deg))
    return np.array([parallel_m, meridian_m]) * math.radians(step_deg) / math.sqrt(12)


def _wrapped(angle: FloatArray) -> FloatArray:
    return (angle + math.pi) % (2 * math.pi) - math.pi
