"""A METAR pasted as text: the five groups that matter to a lap, and what the report leaves out.

Read are time, wind, temperature and dew point, pressure (Q or A) and the remark T with tenths of a
degree. Weather, cloud, visibility and trend are passed over, so no odd group spoils a report, and
no list of stations is consulted: an unknown station is read like any other.

References
----------
WMO-No. 306, Manual on Codes, FM 15 METAR; ICAO Annex 3, appendix 3. US Federal Meteorological
Handbook 1, chapter 12, for the A and T groups.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from benchmark.errors import BadValue
from benchmark.trade.air import MAGNUS_OFFSET_C, MAGNUS_SLOPE, TEMP_C, humidity_from_dew_point
from benchmark.trade.atmosphere import QNH_HPA, station_pressure
from benchmark.trade.conditions import Conditions
from benchmark.trade.quantity import within
from benchmark.trade.uncertainty import reading_u

MPS_PER_KNOT = 1852 / 3600
HPA_PER_INCH_OF_MERCURY = 13595.1 * 9.80665 * 0.0254 / 100  # at 0 °C under standard gravity
MPS_PER_UNIT = {"KT": MPS_PER_KNOT, "KTS": MPS_PER_KNOT, "MPS": 1.0, "KMH": 1 / 3.6}

TIME = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2})Z")
STATION = re.compile(r"[A-Z][A-Z0-9]{3}")
# P in front of a speed: more than that. Missing parts are written as slashes.
WIND = re.compile(
    r"(?:[0-9]{3}|VRB|///)(?:P?([0-9]{2,3})|//)(?:G(?:P?([0-9]{2,3})|//))?(KTS?|MPS|KMH)"
)
BODY_TEMPERATURE = re.compile(r"(?:(M?[0-9]{2})|//|XX|MM)/(?:(M?[0-9]{2})|//|XX|MM)?")
REMARK_TEMPERATURE = re.compile(r"T([01][0-9]{3})([01][0-9]{3})?")
PRESSURE = re.compile(r"(?:(?:Q|QNH)([0-9]{3,4})|A([0-9]{4}))")

# The report ends where the trend begins: its wind is a forecast.
TREND = frozenset({"BECMG", "TEMPO", "INTER", "NOSIG"})
REMARK = frozenset({"RMK", "RMKS"})
EXAMPLE = "METAR ZZZZ 221630Z 24008KT CAVOK 17/16 Q1018"
HALF_LOST_HPA = 0.5  # a Q group is cut to whole hectopascals, never rounded up (ICAO Annex 3)
LONGEST = 2000  # characters; the longest real reports have some 400


@dataclass(frozen=True, slots=True)
class Metar:
    """What a METAR says; None is "not reported".

    Parameters
    ----------
    station : four-letter indicator of the aerodrome.
    day, hour, minute : time of the report, UTC; a METAR names neither month nor year.
    wind_mps, gust_mps : mean wind and gusts. [m/s]
    air_temp_c, dew_point_c : in whole degrees, or in tenths from the remark T. [°C]
    humidity_pct : relative humidity, from the dew point (Magnus). [%]
    qnh_hpa : sea-level pressure as reported. [hPa]
    missing : what the report leaves out, in words.
    temp_u_c : standard uncertainty of the temperature from rounding, 0.29 or 0.029. [°C]
    humidity_u_pct : what that makes of the humidity's, in points. [%]
    qnh_u_hpa : standard uncertainty of the pressure from rounding, 0.29 (Q) or 0.10 (A). [hPa]
    qnh_bias_hpa : what rounding down takes off on average, 0.5 (Q) or 0 (A). [hPa]
    """

    station: str | None
    day: int | None
    hour: int | None
    minute: int | None
    wind_mps: float | None
    gust_mps: float | None
    air_temp_c: float | None
    dew_point_c: float | None
    humidity_pct: float | None
    qnh_hpa: float | None
    missing: tuple[str, ...]
    temp_u_c: float | None
    humidity_u_pct: float | None
    qnh_u_hpa: float | None
    qnh_bias_hpa: float


@dataclass(frozen=True, slots=True)
class _Warmth:
    """Temperature and dew point of one report, the humidity they make, and how fine they are."""

    air_c: float | None = None
    dew_c: float | None = None
    humidity_pct: float | None = None
    temp_u_c: float | None = None
    humidity_u_pct: float | None = None


@dataclass(frozen=True, slots=True)
class _Pressure:
    """Sea-level pressure as reported, and what its rounding does."""

    qnh_hpa: float | None = None
    u_hpa: float | None = None
    bias_hpa: float = 0.0


def read_metar(text: str) -> Metar:
    """Read one METAR or SPECI.

    Parameters
    ----------
    text : the report, with or without the word METAR in front; letter case does not matter.

    Raises
    ------
    BadValue
        The text is no METAR, or holds several, or a group cannot be true (a dew point above the
        temperature, a pressure outside 850 to 1100 hPa, the 32nd of a month).
    """
    body, remarks = _split(text)
    time = _time(body)
    wind, gust = _wind(body)
    warmth = _warmth(body, [*body, *remarks])
    pressure = _pressure(body)
    if time is None and [wind, warmth.air_c, pressure.qnh_hpa].count(None) > 1:
        raise BadValue(f'"{text.strip()[:40]}" is no METAR; one looks like "{EXAMPLE}"')
    station, day, hour, minute = time or (None, None, None, None)
    found = {
        "time": day,
        "wind": wind,
        "air temperature": warmth.air_c,
        "dew point": warmth.dew_c,
        "pressure": pressure.qnh_hpa,
    }
    return Metar(
        station=station,
        day=day,
        hour=hour,
        minute=minute,
        wind_mps=wind,
        gust_mps=gust,
        air_temp_c=warmth.air_c,
        dew_point_c=warmth.dew_c,
        humidity_pct=warmth.humidity_pct,
        qnh_hpa=pressure.qnh_hpa,
        missing=tuple(word for word, value in found.items() if value is None),
        temp_u_c=warmth.temp_u_c,
        humidity_u_pct=warmth.humidity_u_pct,
        qnh_u_hpa=pressure.u_hpa,
        qnh_bias_hpa=pressure.bias_hpa,
    )


def to_conditions(metar: Metar, altitude_m: float | None, surface: str = "dry") -> Conditions:
    """Give the conditions at a circuit near the station that reported.

    The sea-level pressure is taken to the circuit's own height by the standard atmosphere. A Q
    group is rounded down to a whole hectopascal, so 0.5 hPa is added first (0.05 % of density,
    0.005 % of a lap). A METAR knows neither the track's temperature nor whether it is wet.

    Parameters
    ----------
    metar : the report.
    altitude_m : height of the circuit, not of the aerodrome, above mean sea level; with None the
        station pressure stays unknown. [m]
    surface : "dry", "damp" or "wet", as somebody at the circuit saw it.

    Raises
    ------
    BadValue
        A height outside -430 to 5000 m.
    """
    pressure = None
    if metar.qnh_hpa is not None and altitude_m is not None:
        pressure = float(station_pressure(metar.qnh_hpa + metar.qnh_bias_hpa, altitude_m))
    return Conditions(
        air_temp_c=metar.air_temp_c,
        pressure_hpa=pressure,
        humidity_pct=metar.humidity_pct,
        wind_mps=metar.wind_mps,
        altitude_m=altitude_m,
        surface=surface,
    )


def _split(text: str) -> tuple[list[str], list[str]]:
    """Cut a report into the groups of its body and those of its remarks; the trend is dropped."""
    if len(text) > LONGEST:
        raise BadValue(f"{len(text)} characters are no METAR; paste one report")
    groups = text.upper().partition("=")[0].split()
    if "TAF" in groups[:1]:
        raise BadValue("a TAF is a forecast; paste a METAR, which is a report")
    if "NIL" in groups:
        raise BadValue("the METAR says NIL: nothing was observed")
    marks = [place for place, group in enumerate(groups) if group in REMARK]
    remarks = groups[marks[0] + 1 :] if marks else []
    body = groups[: marks[0]] if marks else groups
    if sum(TIME.fullmatch(group) is not None for group in body) > 1:
        raise BadValue("this is more than one METAR; paste one report")
    trend = next((place for place, group in enumerate(body) if group in TREND), len(body))
    return body[:trend], remarks


def _matches(pattern: re.Pattern[str], groups: Iterable[str]) -> Iterable[re.Match[str]]:
    return (match for group in groups if (match := pattern.fullmatch(group)))


def _time(body: list[str]) -> tuple[str | None, int, int, int] | None:
    """Station, day, hour and minute; the station stands before the time."""
    for place, group in enumerate(body):
        match = TIME.fullmatch(group)
        if not match:
            continue
        day, hour, minute = (int(part) for part in match.groups())
        if not (1 <= day <= 31 and hour <= 23 and minute <= 59):
            raise BadValue(f'"{group}" is no day, hour and minute')
        before = body[place - 1] if place else ""
        return (before if STATION.fullmatch(before) else None, day, hour, minute)
    return None


def _wind(body: list[str]) -> tuple[float | None, float | None]:
    """Mean wind and gusts in metres a second, from the first wind group."""
    for match in _matches(WIND, body):
        speed, gust, unit = match.groups()
        return _speed(speed, unit), _speed(gust, unit)
    return None, None


def _speed(digits: str | None, unit: str) -> float | None:
    return None if digits is None else int(digits) * MPS_PER_UNIT[unit]


def _warmth(body: list[str], everything: list[str]) -> _Warmth:
    """Temperatures in tenths where the remark T has them, else in whole degrees."""
    rough, fine = _Warmth(), _Warmth()
    for match in _matches(BODY_TEMPERATURE, body):
        air, dew = (_whole_degrees(part) for part in match.groups())
        rough = _warmth_of(air, dew, resolution=1.0)
        break
    for match in _matches(REMARK_TEMPERATURE, everything):
        air, dew = (_tenths(part) for part in match.groups())
        fine = _warmth_of(air, dew, resolution=0.1)
        break
    if fine.air_c is not None and fine.dew_c is None:
        # Tenths beside whole degrees could put the dew point above the air: keep humidity's pair.
        return replace(rough, air_c=fine.air_c, temp_u_c=fine.temp_u_c)
    return rough if fine.air_c is None else fine


def _whole_degrees(part: str | None) -> float | None:
    """Read 17 or M03; M00 is a small negative value that was rounded to nought."""
    return None if part is None else float(part.replace("M", "-")) + 0.0  # no -0 on a screen


def _tenths(part: str | None) -> float | None:
    """Read 0128 or 1015: a sign (1 is minus), then tenths of a degree."""
    return None if part is None else (-1 if part[0] == "1" else 1) * int(part[1:]) / 10 + 0.0


def _warmth_of(air_c: float | None, dew_c: float | None, resolution: float) -> _Warmth:
    temp_u_c = reading_u(resolution)
    if air_c is not None:
        within("air temperature", air_c, *TEMP_C, "°C")
    if air_c is None or dew_c is None:
        return _Warmth(air_c, dew_c, None, None if air_c is None else temp_u_c)
    if dew_c > air_c:
        raise BadValue(f"the dew point {dew_c:g} °C is above the temperature {air_c:g} °C")
    humidity = float(humidity_from_dew_point(air_c, dew_c))
    # Slopes of the Magnus exponent: relative change of the humidity per degree of each.
    slopes = [MAGNUS_SLOPE * MAGNUS_OFFSET_C / (MAGNUS_OFFSET_C + t) ** 2 for t in (air_c, dew_c)]
    return _Warmth(air_c, dew_c, humidity, temp_u_c, humidity * math.hypot(*slopes) * temp_u_c)


def _pressure(body: list[str]) -> _Pressure:
    """Sea-level pressure from the first Q or A group; SLP of the remarks is another quantity."""
    for group, match in ((m.group(), m) for m in _matches(PRESSURE, body)):
        whole_hpa, hundredths_of_inch = match.groups()
        if whole_hpa:
            pressure = _Pressure(float(whole_hpa), reading_u(1.0), HALF_LOST_HPA)
        else:
            step_hpa = HPA_PER_INCH_OF_MERCURY / 100
            pressure = _Pressure(int(hundredths_of_inch) * step_hpa, reading_u(step_hpa))
        if not QNH_HPA[0] <= (pressure.qnh_hpa or 0) <= QNH_HPA[1]:
            low, high = QNH_HPA
            raise BadValue(f'"{group}" is no sea-level pressure: {low:g} to {high:g} hPa')
        return pressure
    return _Pressure()
