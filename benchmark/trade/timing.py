"""Lap times as text and as seconds, and how well each way of timing knows them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal
from types import MappingProxyType

from benchmark.errors import BadValue

KEPT = Decimal("0.0001")  # four decimals are kept, as a transponder's finest sheet prints them
DAY_S = 86_400
FORMS = "write m:ss.sss, h:mm:ss.sss or seconds"

LAP_TIME = re.compile(
    r"(?:(?:(?P<hours>[0-9]{1,9}):)?(?P<minutes>[0-9]{1,9}):)?"
    r"(?P<seconds>[0-9]{1,9})(?:[.,](?P<decimals>[0-9]*))?"
)

# Standard uncertainty of one lap where none is given, by method. [s] A choice of ours: timing loop
# and beam leave the place of the sensor on the car, gps is 10 to 25 Hz with interpolation or 1 Hz,
# video the nearest of 25 frames a second (r / sqrt 6), stopwatch two presses of a practised hand
# (Am. J. Phys. 87 (2019) 110: mean 0, standard deviation 0.10 s). Not recorded counts as stopwatch.
# The 0.24 s that athletics adds to hand timing is for a late start on a gun; both presses of a lap
# answer the same event, so that bias cancels and nothing is ever added to a lap.
TIMING_U_S: Mapping[str | None, float] = MappingProxyType(
    {
        "transponder": 0.002,
        "beam": 0.002,
        "gps": 0.03,
        "video": 0.016,
        "stopwatch": 0.10,
        None: 0.10,
    }
)


def parse_lap_time(text: str) -> Decimal:
    """Read a lap time, exactly, to four decimals of a second (further ones round half up).

    Parameters
    ----------
    text : "1:02.345", "1:00:02.345" or "62.345"; a decimal comma is read as a point.

    Returns
    -------
    Decimal
        The lap time, always with four decimals. [s]

    Raises
    ------
    BadValue
        No lap time, 60 seconds or minutes and more behind a colon, nothing above zero, or more
        than a day; the message says what to write instead. It is a ValueError too.
    """
    parts = _parts(text)
    hours, minutes = int(parts["hours"] or 0), int(parts["minutes"] or 0)
    seconds = Decimal(f"{parts['seconds']}.{parts['decimals'] or '0'}")
    if 3600 * hours + 60 * minutes + seconds > DAY_S:
        raise BadValue("is longer than a day; a lap is not")
    _check_sixties(parts)
    # Rounding before adding keeps it a single rounding, however many decimals there are.
    lap = 3600 * hours + 60 * minutes + seconds.quantize(KEPT, ROUND_HALF_UP)
    if lap == 0:
        raise BadValue("is zero; a lap takes time")
    return lap


def decimals_given(text: str) -> int:
    """Count the decimals that a lap time was written with: three mean a resolution of 1 ms.

    Raises
    ------
    BadValue
        As `parse_lap_time`, where the text has not the form of a lap time.
    """
    return len(_parts(text)["decimals"] or "")


def format_lap_time(seconds: float | Decimal, decimals: int = 3) -> str:
    """Write seconds as m:ss.sss, above an hour as h:mm:ss.sss, correctly rounded (half up).

    Parameters
    ----------
    seconds : the lap time; a float counts as the shortest decimal that means it. [s]
    decimals : decimals of the second, 0 to 4.

    Raises
    ------
    BadValue
        A time below zero, NaN, infinite or beyond all clocks (30 years).
    """
    if not 0 <= seconds < 1e9:
        raise BadValue(f"{seconds} s cannot be written as a lap time")
    rounded = Decimal(str(seconds)).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    whole = int(rounded)
    fraction = str(rounded).partition(".")[2]
    clock = f"{whole // 60}:{whole % 60:02d}"
    if whole >= 3600:
        clock = f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{clock}.{fraction}" if fraction else clock


def lap_uncertainty(timing: str | None, timing_u_s: float | None) -> float:
    """Give the standard uncertainty of one lap time: the one given, else the method's [s].

    Parameters
    ----------
    timing : one of `TIMINGS`, or None where it was not recorded.
    timing_u_s : the standard uncertainty that the user knows, or None (or NaN). [s]

    Raises
    ------
    BadValue
        An unknown method, or an uncertainty that is negative or infinite.
    """
    if timing_u_s is not None and not math.isnan(timing_u_s):
        if not 0 <= timing_u_s < math.inf:
            raise BadValue(
                f"a standard uncertainty of {timing_u_s} s is not possible; give 0 or more"
            )
        return float(timing_u_s)
    if timing not in TIMING_U_S:
        methods = ", ".join(method for method in TIMING_U_S if method)
        raise BadValue(f'"{timing}" is no timing method; use {methods}')
    return TIMING_U_S[timing]


def _parts(text: str) -> dict[str, str | None]:
    stripped = text.strip()
    if not stripped:
        raise BadValue(f"is empty; {FORMS}")
    match = LAP_TIME.fullmatch(stripped)
    if match:
        return match.groupdict()
    if LAP_TIME.fullmatch(stripped.removeprefix("-")):
        raise BadValue("is negative; a lap time is above zero")
    raise BadValue(f"is not a lap time; {FORMS}")


def _check_sixties(parts: Mapping[str, str | None]) -> None:
    """Refuse 60 and more behind a colon, and anything but two digits there."""
    hours, minutes, seconds = parts["hours"], parts["minutes"], parts["seconds"] or ""
    if minutes is None:
        return
    if hours is not None and len(seconds) == 3 and parts["decimals"] is None:
        raise BadValue(f"has a colon before the decimals; write {hours}:{minutes}.{seconds}")
    if len(seconds) != 2 or (hours is not None and len(minutes) != 2):
        raise BadValue(f"needs two digits behind each colon; {FORMS}")
    decimals = "" if parts["decimals"] is None else f".{parts['decimals']}"
    total = 3600 * int(hours or 0) + 60 * int(minutes) + int(seconds)
    way_on = f"write {format_lap_time(total, 0)}{decimals} or correct it"
    if hours is not None and int(minutes) >= 60:
        raise BadValue(f"has {int(minutes)} minutes; {way_on}")
    if int(seconds) >= 60:
        raise BadValue(f"has {int(seconds)} seconds; {way_on}")
