"""The timing line, and where a trace crosses it."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass

import numpy as np

from benchmark.errors import BadQuestion
from benchmark.intake.motion import Motion
from benchmark.intake.plane import Plane
from benchmark.trade.quantity import FloatArray

LONGEST_LINE_M = 500.0  # a line across more than the track is a slip of a digit
SHORTEST_LINE_M = 1.0
LINE_FORM = "write the two ends in degrees, latitude first: 52.0001,-1.0002,52.0003,-1.0002"

SLOWEST_CROSSING_MPS = 3.0  # below, noise crosses to and fro: a parked or creeping car


@dataclass(frozen=True, slots=True)
class TimingLine:
    """The line that a lap begins and ends at, by its two ends; WGS 84.

    `origin` says where it comes from: "given", "stored" with the circuit, or "proposed" from a
    trace. A lap at a proposed line is not timed where the organiser timed it.

    Raises
    ------
    BadQuestion
        An end that is no position, or ends less than 1 m or more than 500 m apart.
    """

    latitude_1_deg: float
    longitude_1_deg: float
    latitude_2_deg: float
    longitude_2_deg: float
    origin: str = "given"

    def __post_init__(self) -> None:
        for degrees, bound in zip(self._degrees(), (90, 180, 90, 180), strict=True):
            if not abs(degrees) <= bound:
                raise BadQuestion(f'timing line "{self}": {degrees:g} is no angle; {LINE_FORM}')
        if not SHORTEST_LINE_M <= self.length_m <= LONGEST_LINE_M:
            raise BadQuestion(
                f'timing line "{self}": is {self.length_m:.4g} m long, a line across a track is'
                f" {SHORTEST_LINE_M:g} to {LONGEST_LINE_M:g} m; {LINE_FORM}"
            )

    def __str__(self) -> str:
        """Write the line so that `parse` reads it back: 1 cm and better."""
        return ",".join(f"{degrees:.7f}" for degrees in self._degrees())

    @classmethod
    def parse(cls, text: str, origin: str = "given") -> TimingLine:
        """Read "latitude,longitude,latitude,longitude"; blanks and semicolons separate too.

        Raises
        ------
        BadQuestion
            Not four numbers, or as the class.
        """
        words = [word for word in re.split(r"[,;\s]+", text.strip()) if word]
        try:
            first, second, third, fourth = (float(word) for word in words)
        except ValueError:
            raise BadQuestion(f'timing line "{text}": is no line; {LINE_FORM}') from None
        return cls(first, second, third, fourth, origin)

    @property
    def plane(self) -> Plane:
        """A plane with the first end for its origin."""
        return Plane(self.latitude_1_deg, self.longitude_1_deg)

    @property
    def length_m(self) -> float:
        """Distance between the ends [m]."""
        return float(np.hypot(*self._second_end()))

    def direction(self) -> tuple[FloatArray, FloatArray]:
        """Give unit vectors along the line and to the right of it, east and north, in `plane`."""
        along = self._second_end() / self.length_m
        return along, np.array([along[1], -along[0]])

    def _second_end(self) -> FloatArray:
        return np.array(self.plane.metres(self.latitude_2_deg, self.longitude_2_deg))

    def _degrees(self) -> tuple[float, float, float, float]:
        return (
            self.latitude_1_deg,
            self.longitude_1_deg,
            self.latitude_2_deg,
            self.longitude_2_deg,
        )


@dataclass(frozen=True, slots=True)
class Crossing:
    """One passage over the line.

    Attributes
    ----------
    time_s : interpolated between the fixes before and after. [s]
    before : index of the fix before.
    point_m : where, in the line's plane.
    speed_mps : speed across the line, positive in every crossing that is kept. [m/s]
    ground_speed_mps : speed along the path. [m/s]
    pull_mps2 : size of the acceleration across the line. [m/s²]
    interval_s : between the two fixes. [s]
    normal : unit vector across the line in the direction of travel.
    timed : whether a time can be trusted; not across a gap or a segment, nor at a crawl.
    """

    time_s: float
    before: int
    point_m: tuple[float, float]
    speed_mps: float
    ground_speed_mps: float
    pull_mps2: float
    interval_s: float
    normal: tuple[float, float]
    timed: bool

    @property
    def askew_deg(self) -> float:
        """How far the path is from a right angle with the line [°]."""
        return math.degrees(math.acos(min(1.0, self.speed_mps / max(self.ground_speed_mps, 1e-9))))


def crossings(motion: Motion, line: TimingLine) -> list[Crossing]:
    """Find every passage over the line in the direction in which most of them go.

    Passages inside a gap or at a crawl are among them, marked as not timed: a lap must not run
    across one as though it had not happened.

    Parameters
    ----------
    motion : the trace in `line.plane`.
    """
    along, right = line.direction()
    side = motion.path_m @ right
    before = np.flatnonzero((side[:-1] < 0) != (side[1:] < 0))
    share = side[before] / (side[before] - side[before + 1])
    point = motion.path_m[before] + share[:, None] * np.diff(motion.path_m, axis=0)[before]
    place = point @ along
    on_line = (place >= 0) & (place <= line.length_m)
    found = [
        _crossing(motion, int(at), float(part), where, right * (1 if side[at] < 0 else -1))
        for at, part, where in zip(before[on_line], share[on_line], point[on_line], strict=True)
    ]
    return _one_way(found)


def _crossing(
    motion: Motion, before: int, share: float, point: FloatArray, normal: FloatArray
) -> Crossing:
    pair = slice(before, before + 2)
    interval = float(np.diff(motion.time_s[pair])[0])
    velocity = _between(motion.velocity_mps[pair], share)
    chord = np.diff(motion.path_m[pair], axis=0)[0] / interval
    if not np.isfinite(velocity).all():
        velocity = chord
    pull = np.abs(motion.acceleration_mps2[pair] @ normal)
    across = float(velocity @ normal)
    whole = bool(motion.piece[before] == motion.piece[before + 1])
    return Crossing(
        time_s=float(motion.time_s[before]) + share * interval,
        before=before,
        point_m=(float(point[0]), float(point[1])),
        speed_mps=across,
        ground_speed_mps=float(np.hypot(*velocity)),
        pull_mps2=float(np.nanmax(pull)) if np.isfinite(pull).any() else math.nan,
        interval_s=interval,
        normal=(float(normal[0]), float(normal[1])),
        timed=whole and across >= SLOWEST_CROSSING_MPS,
    )


def _between(values: FloatArray, share: float) -> FloatArray:
    mixed: FloatArray = values[0] * (1 - share) + values[1] * share
    return mixed


def _one_way(found: list[Crossing]) -> list[Crossing]:
    """Keep the direction of the majority, on a tie that of the first timed passage."""
    timed = [crossing.normal for crossing in found if crossing.timed]
    if not timed:
        return []
    forward = Counter(timed).most_common(1)[0][0]
    return [crossing for crossing in found if crossing.normal == forward]
