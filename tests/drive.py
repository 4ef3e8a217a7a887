"""A drive with known truth: laps of an invented circuit, seen by a receiver with known errors.

The circuit is a rectangle with rounded corners in the open ocean. Its line stands at a right angle
across a straight, so the true crossings are known whatever line the car takes. Degrees become
metres by the published lengths of a degree at 45 degrees (111,131.8 and 78,846.8 m), so that
nothing here rests on the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from operator import xor

import numpy as np
from scipy.signal import lfilter

from benchmark.intake.crossing import TimingLine
from benchmark.intake.fixes import Trace
from benchmark.trade.quantity import FloatArray

LATITUDE, LONGITUDE = -45.0, -120.0
DEGREE_NORTH_M, DEGREE_EAST_M = 111_131.8, 78_846.8
STEP_M = 0.25
STRAIGHTS_M = (860.0, 180.0, 840.0, 190.0)
RADII_M = (40.0, 60.0, 80.0, 50.0)
TOP_MPS, GRIP_MPS2, BRAKE_MPS2, DRIVE_MPS2 = 58.0, 10.0, 8.0, 4.0
LINE_AT_M = 300.0  # along the first straight, where the car still gathers speed
START = 1_714_557_600.0  # 2024-05-01T10:00:00Z


@dataclass(frozen=True)
class Truth:
    """One drive: when the line was really crossed, how long each lap really was."""

    crossings_s: FloatArray
    length_m: float
    along_m: FloatArray
    time_s: FloatArray
    path_m: FloatArray

    @property
    def laps_s(self) -> FloatArray:
        return np.diff(self.crossings_s)

    def laps_at_s(self, shift_m: float) -> FloatArray:
        """True laps at a line so far beyond the real one."""
        marks = LINE_AT_M + shift_m + self.length_m * np.arange(len(self.crossings_s))
        return np.diff(np.interp(marks, self.along_m, self.time_s))


def circuit() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centre line every 25 cm: points (n, 2), headings and curvature (n,)."""
    bend = np.concatenate(
        [
            part
            for straight, radius in zip(STRAIGHTS_M, RADII_M, strict=True)
            for part in (
                np.zeros(round(straight / STEP_M)),
                np.full(round(radius * np.pi / 2 / STEP_M), 1 / radius),
            )
        ]
    )
    bend *= np.pi * 2 / (bend.sum() * STEP_M)
    heading = np.cumsum(bend) * STEP_M
    points = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * STEP_M, axis=0)
    points -= np.linspace(0, 1, len(points))[:, None] * points[-1]  # close it: a few metres
    return points, heading, bend


def speed_profile(bend: FloatArray, grip_mps2: float = GRIP_MPS2) -> FloatArray:
    """Fastest speed at each point: grip in bends, brakes before, drive after; three times round."""
    limit = np.minimum(np.sqrt(grip_mps2 / np.maximum(bend, 1e-9)), TOP_MPS)
    speed = np.tile(limit, 3)
    for at in range(1, len(speed)):
        pull = DRIVE_MPS2 * max(1 - speed[at - 1] / (1.2 * TOP_MPS), 0.05)
        speed[at] = min(speed[at], np.sqrt(speed[at - 1] ** 2 + 2 * pull * STEP_M))
    for at in range(len(speed) - 2, -1, -1):
        speed[at] = min(speed[at], np.sqrt(speed[at + 1] ** 2 + 2 * BRAKE_MPS2 * STEP_M))
    return speed[len(bend) : 2 * len(bend)]


def drive(laps: int, rng: np.random.Generator) -> Truth:
    """Drive so many whole laps, each a little different in pace and line."""
    points, heading, bend = circuit()
    n = len(points)
    index = np.arange(-400, n * laps + round(LINE_AT_M / STEP_M) + 3200)
    along = index * STEP_M
    knots = np.arange(along[0], along[-1] + 600, 300.0)
    pace = np.interp(along, knots, rng.normal(1, 0.01, len(knots)))
    speed = speed_profile(bend)[index % n] * pace
    time = START + np.concatenate([[0], np.cumsum(2 * STEP_M / (speed[1:] + speed[:-1]))])
    waves = rng.uniform(0, 2 * np.pi, 2)
    aside = 1.5 * np.sin(along / 116 + waves[0]) + 1.0 * np.sin(along / 66 + waves[1])
    normal = np.column_stack([-np.sin(heading), np.cos(heading)])
    path = points[index % n] + aside[:, None] * normal[index % n]
    marks = LINE_AT_M + n * STEP_M * np.arange(laps + 1)
    return Truth(np.interp(marks, along, time), n * STEP_M, along, time, path)


def line(half_width_m: float = 20.0) -> TimingLine:
    """The line across the first straight, at a right angle to it."""
    points, heading, _ = circuit()
    at = round(LINE_AT_M / STEP_M)
    across = half_width_m * np.array([-np.sin(heading[at]), np.cos(heading[at])])
    left, right = degrees(points[at] + across), degrees(points[at] - across)
    return TimingLine(left[0], left[1], right[0], right[1])


def degrees(path_m: FloatArray) -> FloatArray:
    """Metres east and north to latitude and longitude, shape (2, ...)."""
    return np.array(
        [LATITUDE + path_m[..., 1] / DEGREE_NORTH_M, LONGITUDE + path_m[..., 0] / DEGREE_EAST_M]
    )


def observe(
    truth: Truth,
    rate_hz: float,
    rng: np.random.Generator,
    *,
    sigma_m: float = 0.0,
    tau_s: float = 300.0,
    noise_m: float = 0.0,
    decimals: int = 9,
) -> Trace:
    """Fixes of a receiver with slow errors, noise new at each fix, and rounded degrees."""
    first = np.ceil(truth.time_s[0] * rate_hz) / rate_hz
    time = first + np.arange(int((truth.time_s[-1] - first) * rate_hz)) / rate_hz
    path = np.column_stack([np.interp(time, truth.time_s, axis) for axis in truth.path_m.T])
    path += np.column_stack([slow_error(len(time), rate_hz, sigma_m, tau_s, rng) for _ in "xy"])
    path += rng.normal(0, 1, path.shape) * noise_m
    latitude, longitude = np.round(degrees(path), decimals)
    return Trace(
        file="drive.gpx",
        time_s=time,
        latitude_deg=latitude,
        longitude_deg=longitude,
        horizontal_u_m=np.full(len(time), sigma_m),
        segment=np.zeros(len(time), np.int64),
        row=np.arange(1, len(time) + 1),
        position_step_deg=10.0**-decimals,
    )


def slow_error(
    n: int, rate_hz: float, sigma_m: float, tau_s: float, rng: np.random.Generator
) -> FloatArray:
    """An error of standard deviation sigma whose correlation falls to 1/e within tau."""
    kept = np.exp(-1 / (rate_hz * tau_s))
    fresh = rng.normal(0, 1, n) * sigma_m * np.sqrt(1 - kept**2)
    fresh[0] = rng.normal(0, sigma_m)
    return np.asarray(lfilter([1], [1, -kept], fresh))


def gpx(trace: Trace, *, decimals: int = 7, hdop: str = "") -> str:
    """Write a trace as GPX 1.1, times to the millisecond."""
    stamps = (trace.time_s * 1000).round().astype("datetime64[ms]")
    extra = f"<hdop>{hdop}</hdop>" if hdop else ""
    points = "".join(
        f'<trkpt lat="{latitude:.{decimals}f}" lon="{longitude:.{decimals}f}">'
        f"<time>{stamp}Z</time>{extra}</trkpt>\n"
        for stamp, latitude, longitude in zip(
            stamps, trace.latitude_deg, trace.longitude_deg, strict=True
        )
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="invented"'
        ' xmlns="http://www.topografix.com/GPX/1/1"><trk><name>invented</name><trkseg>\n'
        f"{points}</trkseg></trk></gpx>\n"
    )


def sentence(body: str) -> str:
    """Put `$` and the checksum around a sentence."""
    return f"${body}*{reduce(xor, body.encode()):02X}"


def nmea(trace: Trace, *, hdop: str = "0.9", decimals: int = 5) -> str:
    """Write a trace as RMC and GGA sentences, times to the hundredth."""
    lines = []
    for time, latitude, longitude in zip(
        trace.time_s, trace.latitude_deg, trace.longitude_deg, strict=True
    ):
        moment = (np.datetime64(0, "ms") + np.timedelta64(round(time * 1000), "ms")).item()
        clock = f"{moment:%H%M%S}.{moment.microsecond // 10_000:02d}"
        where = f"{_angle(latitude, 'NS', 2, decimals)},{_angle(longitude, 'EW', 3, decimals)}"
        lines.append(sentence(f"GPRMC,{clock},A,{where},077.8,084.4,{moment:%d%m%y},,,A"))
        lines.append(sentence(f"GPGGA,{clock},{where},1,09,{hdop},12.4,M,46.9,M,,"))
    return "\r\n".join(lines) + "\r\n"


def _angle(angle: float, letters: str, digits: int, decimals: int) -> str:
    minutes = round(abs(angle) * 60, decimals)
    whole = int(minutes // 60)
    width = decimals + 3
    return (
        f"{whole:0{digits}d}{minutes - whole * 60:0{width}.{decimals}f},{letters[int(angle < 0)]}"
    )
