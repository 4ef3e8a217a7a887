"""NMEA 0183 sentences RMC and GGA as fixes.

RMC carries status and date, GGA quality and HDOP; sentences of one time are one fix. GGA has no
date, so midnight comes from RMC. Sentences of other kinds are passed over.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import reduce
from operator import xor

from benchmark.intake.fixes import (
    DEFAULT_U_M,
    MAX_BYTES,
    RANGE_ERROR_M,
    FaultBook,
    FixBook,
    Trace,
    decimals,
    hdop_u,
    number,
)
from benchmark.trade.timing import DAY_S

UNIX_DAY = date(1970, 1, 1).toordinal()
FIRST_YEAR = 80  # two digits: 80 to 99 are the 1900s; the first receivers are of 1980

SENTENCE = re.compile(r"\$(?P<body>(?P<talker>[A-Z]{2})(?P<kind>RMC|GGA),[^$*]*)(?:\*(?P<sum>.*))?")
CLOCK = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2}(?:\.[0-9]{0,9})?)")
ANGLE = re.compile(r"([0-9]{2,3})([0-9]{2}(?:\.[0-9]{0,20})?)")
DATE = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2})")

# What a receiver measured: GGA quality, and the error of one range [m]. Choices of ours for all
# but the plain fix of `RANGE_ERROR_M`; quality 0 is no fix, 6 is reckoned on without satellites,
# 7 is typed in, 8 comes from a simulator.
RANGE_ERROR_BY_QUALITY_M = {
    "1": RANGE_ERROR_M,
    "2": 1.0,  # differential
    "3": RANGE_ERROR_M,
    "4": 0.05,  # carrier phase, fixed
    "5": 0.5,  # carrier phase, float
    "9": 1.0,  # written by some receivers for satellite-based corrections
}
MEASURED_MODES = ("A", "D", "F", "P", "R")  # mode indicator of RMC, from NMEA 2.3 on


@dataclass(slots=True)
class _Epoch:
    """What the sentences of one time say together."""

    clock: str
    second: float
    row: int
    kinds: set[str] = field(default_factory=set)
    day: int | None = None
    position: tuple[float, float] | None = None
    hdop: float | None = None
    range_error_m: float = RANGE_ERROR_M
    measured: bool = True
    faulty: bool = False


def read_nmea(file: str, data: bytes) -> Trace:
    """Read the RMC and GGA sentences of a receiver's log.

    A line that cannot be used is left out and named in `faults`; status V and quality 0 are no
    fix and end the unbroken span.

    Parameters
    ----------
    file : its name, for messages.
    data : its content; text before the `$` of a line is passed over.

    Raises
    ------
    FaultyFile
        No RMC or GGA at all, larger than `MAX_BYTES`, too many fixes, or fewer than two that can
        be used.
    """
    faults = FaultBook(file)
    if len(data) > MAX_BYTES:
        faults.refuse("size", f"{len(data)} bytes", f"is above {MAX_BYTES}; cut the file")
    reader = _SentenceReader(faults)
    for row, line in enumerate(data.decode("ascii", errors="replace").splitlines(), 1):
        reader.take(row, line)
    if not reader.epochs:
        message = "no RMC or GGA sentence can be read; switch them on in the receiver"
        faults.refuse("sentence", "", message)
    fixes, lost = _fixes(reader)
    return fixes.trace(data, "line", 1 / 60, reader.warnings(lost))


def checksum(body: str) -> str:
    """Exclusive or of the characters between `$` and `*`, as two hexadecimal digits."""
    return f"{reduce(xor, body.encode('ascii', errors='replace'), 0):02X}"


def degrees(text: str, hemisphere: str, bound: int) -> float | None:
    """Read ddmm.mmm or dddmm.mmm, degrees and minutes in one [°]; None where it is no angle."""
    match = ANGLE.fullmatch(text)
    if not match or hemisphere not in {90: ("N", "S"), 180: ("E", "W")}[bound]:
        return None
    whole, minutes = int(match[1]), float(match[2])
    angle = whole + minutes / 60
    if minutes >= 60 or angle > bound:
        return None
    return -angle if hemisphere in ("S", "W") else angle


class _SentenceReader:
    """Checks sentences line by line and gathers those of one time into an epoch."""

    def __init__(self, faults: FaultBook) -> None:
        self.faults = faults
        self.epochs: list[_Epoch] = []
        self.position_decimals = self.time_decimals = self.without_sum = 0
        self.unmeasured: Counter[str] = Counter()

    def take(self, row: int, line: str) -> None:
        match = SENTENCE.fullmatch(line[max(line.rfind("$"), 0) :].strip())
        if not match:
            return
        written = match["sum"]
        self.without_sum += written is None
        if written is not None and written.strip().upper() != checksum(match["body"]):
            message = f"should be {checksum(match['body'])}: the line is damaged and left out"
            self.faults.add(row, "checksum", written, message)
            return
        kind = match["kind"]
        fields = [text.strip() for text in match["body"].split(",")[1:]]
        if len(fields) < 9:
            message = "is cut short, so the line is left out; save the log again"
            self.faults.add(row, "sentence", match["body"], message)
            return
        self._sentence(row, match["talker"] + kind, fields)

    def warnings(self, lost: int) -> list[str]:
        said = [f"{count} sentences {reason}" for reason, count in self.unmeasured.items()]
        if self.without_sum:
            said.append(f"{self.without_sum} sentences carry no checksum; damage would not show")
        if all(epoch.day is None for epoch in self.epochs):
            said.append("no RMC sentence gives a date; time counts from 1970-01-01")
        if lost:
            said.append(
                f"{lost} fixes have no HDOP (it is in GGA); {DEFAULT_U_M} m along an axis was"
                " assumed for their standard uncertainty"
            )
        return said

    def _sentence(self, row: int, name: str, fields: Sequence[str]) -> None:
        epoch = self._epoch(row, name, fields[0])
        if epoch is None:
            return
        if name.endswith("RMC"):
            self._minimum(row, epoch, fields)
        else:
            self._fix_data(row, epoch, fields)

    def _epoch(self, row: int, name: str, clock: str) -> _Epoch | None:
        """Find the epoch of this time; the same sentence twice begins another one."""
        last = self.epochs[-1] if self.epochs else None
        if last and last.clock == clock and name not in last.kinds:
            last.kinds.add(name)
            return last
        match = CLOCK.fullmatch(clock)
        if not match or int(match[1]) > 23 or int(match[2]) > 59 or float(match[3]) >= 61:
            if clock:
                message = "is no time hhmmss.ss, so the line is left out; save the log again"
                self.faults.add(row, "time", clock, message)
            return None
        second = int(match[1]) * 3600 + int(match[2]) * 60 + float(match[3])
        self.time_decimals = max(self.time_decimals, decimals(clock))
        self.epochs.append(_Epoch(clock, second, row, {name}))
        return self.epochs[-1]

    def _minimum(self, row: int, epoch: _Epoch, fields: Sequence[str]) -> None:
        """RMC: time, status, latitude, N/S, longitude, E/W, speed, course, date, ..., mode."""
        epoch.day = self._day(row, fields[8]) if fields[8] else epoch.day
        mode = fields[11] if len(fields) > 11 else ""
        if fields[1] != "A":
            self._no_fix(epoch, "have status V: no fix")
        elif mode and mode not in MEASURED_MODES:
            self._no_fix(epoch, f"have mode {mode[:1]}: not measured by satellites")
        else:
            self._position(row, epoch, fields[2:6])

    def _fix_data(self, row: int, epoch: _Epoch, fields: Sequence[str]) -> None:
        """GGA: time, latitude, N/S, longitude, E/W, quality, satellites, HDOP, height, ..."""
        quality = fields[5]
        if quality in ("", "0"):
            self._no_fix(epoch, "have quality 0: no fix")
            return
        if quality not in RANGE_ERROR_BY_QUALITY_M:
            self._no_fix(epoch, f"have quality {quality[:2]}: not measured by satellites")
            return
        epoch.range_error_m = RANGE_ERROR_BY_QUALITY_M[quality]
        self._position(row, epoch, fields[1:5])
        epoch.hdop = number(fields[7])
        if fields[7] and (epoch.hdop is None or not 0 < epoch.hdop < 100):
            message = "is no dilution of precision between 0 and 100; the assumed one is taken"
            self.faults.add(row, "hdop", fields[7], message)
            epoch.hdop = None

    def _no_fix(self, epoch: _Epoch, reason: str) -> None:
        epoch.measured = False
        self.unmeasured[reason] += 1

    def _position(self, row: int, epoch: _Epoch, fields: Sequence[str]) -> None:
        latitude = degrees(fields[0], fields[1], 90)
        longitude = degrees(fields[2], fields[3], 180)
        if latitude is None or longitude is None:
            epoch.faulty = True
            message = "is no position ddmm.mmm,N,dddmm.mmm,E, so the line is left out"
            self.faults.add(row, "latitude, longitude", ",".join(fields), message)
            return
        epoch.position = latitude, longitude
        written = max(decimals(fields[0]), decimals(fields[2]))
        self.position_decimals = max(self.position_decimals, written)

    def _day(self, row: int, text: str) -> int | None:
        """Read ddmmyy as days since 1970-01-01."""
        match = DATE.fullmatch(text)
        if match:
            day, month, year = (int(part) for part in match.groups())
            try:
                full = year + (1900 if year >= FIRST_YEAR else 2000)
                return date(full, month, day).toordinal() - UNIX_DAY
            except ValueError:
                pass
        message = "is no date ddmmyy; the date of the line before is taken"
        self.faults.add(row, "date", text, message)
        return None


def _fixes(reader: _SentenceReader) -> tuple[FixBook, int]:
    """Turn epochs into fixes; count those whose uncertainty had to be assumed."""
    book = FixBook(reader.faults)
    book.position_decimals, book.time_decimals = reader.position_decimals, reader.time_decimals
    segment = assumed = 0
    for epoch, day in zip(reader.epochs, _days(reader.epochs), strict=True):
        if not epoch.measured:
            segment += 1
            continue
        if epoch.position is None or epoch.faulty:
            continue
        assumed += epoch.hdop is None
        u = DEFAULT_U_M if epoch.hdop is None else hdop_u(epoch.hdop, epoch.range_error_m)
        book.add(epoch.row, segment, day * DAY_S + epoch.second, epoch.position, u)
    return book, assumed


def _days(epochs: Sequence[_Epoch]) -> list[int]:
    """Give every epoch its day: RMC's where it has one, else carried on over midnight."""
    dated = next((at for at, epoch in enumerate(epochs) if epoch.day is not None), 0)
    days = [0] * len(epochs)
    days[dated] = epochs[dated].day or 0
    for at in range(dated - 1, -1, -1):
        days[at] = days[at + 1] - _passes_midnight(epochs[at], epochs[at + 1])
    for at in range(dated + 1, len(epochs)):
        carried = days[at - 1] + _passes_midnight(epochs[at - 1], epochs[at])
        day = epochs[at].day
        days[at] = carried if day is None else day
    return days


def _passes_midnight(before: _Epoch, after: _Epoch) -> bool:
    """Tell whether midnight lies between: the clock falls by more than half a day."""
    return before.second - after.second > DAY_S / 2
