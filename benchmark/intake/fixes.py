"""The fixes of a satellite receiver, brought into order.

A fix is one position at one time. Readers add fixes to a `FixBook`; it keeps those whose time
runs forward, and says of every other one what is wrong with it.
"""

from __future__ import annotations

import hashlib
import math
import re
from array import array
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NoReturn, TypeAlias

import numpy as np
import numpy.typing as npt

from benchmark.errors import Fault, FaultyFile
from benchmark.trade.quantity import FloatArray

IntArray: TypeAlias = npt.NDArray[np.int64]

MAX_BYTES = 100_000_000  # four hours at 25 Hz in wordy XML are half of it
MAX_FIXES = 1_000_000  # eleven hours at 25 Hz
NAMED_FAULTS = 5  # of one kind; the others are counted

# Where a receiver states HDOP, the horizontal error is HDOP times the error of one range, and one
# axis has its share of it. Choices of ours; twice the value, twice the uncertainty of a lap.
RANGE_ERROR_M = 1.5
DEFAULT_U_M = 1.5  # standard uncertainty along one axis where the file states no HDOP

# Stamps count as rounded where this share of fixes sits on another's stamp, or one step beside
# the rhythm of the others: fewer are the odd fault, not a receiver faster than its stamps.
ROUNDED_SHARE = 0.2

OUT_OF_ORDER = "is out of order"

NUMBER = re.compile(r"[+-]?[0-9]{1,20}(?:\.[0-9]{0,40})?(?:[eE][+-]?[0-9]{1,2})?")


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Fixes in the order of time, and what the reader had to say about the file.

    Attributes
    ----------
    file : name of the file, for messages.
    time_s : seconds since 1970-01-01 UTC, strictly increasing, shape (fixes,). [s]
    latitude_deg, longitude_deg : WGS 84, shape (fixes,). [°]
    horizontal_u_m : standard uncertainty of the position along one horizontal axis. [m]
    segment : number of the unbroken span that a fix belongs to; nothing is interpolated across.
    row : which point or line of the file a fix is, from 1.
    row_word : "point" or "line", what a row of this file is called.
    position_step_deg : the step to which positions are rounded in the file, 0 if unknown. [°]
    time_step_s : the step to which time stamps are rounded, 0 where they are taken as exact. [s]
    faults : points or lines that were left out, each with what is wrong.
    warnings : what was assumed in reading, in words.
    sha256 : digest of the file.
    """

    file: str
    time_s: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    horizontal_u_m: FloatArray
    segment: IntArray
    row: IntArray
    row_word: str = "point"
    position_step_deg: float = 0.0
    time_step_s: float = 0.0
    faults: tuple[Fault, ...] = ()
    warnings: tuple[str, ...] = ()
    sha256: str = ""

    def __len__(self) -> int:
        return len(self.time_s)

    def place(self, index: int) -> str:
        """Name a fix as the user finds it in the file: "point 812"."""
        return f"{self.row_word} {self.row[index]}"


class FaultBook:
    """Faults of one file: the first few of a kind by name, the others by their number."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._named: list[Fault] = []
        self._seen: Counter[tuple[str, str]] = Counter()

    def add(self, row: int | None, column: str, value: str, message: str) -> None:
        """Keep a fault of a point or line, or of the whole file where `row` is None."""
        self._seen[column, message] += 1
        if self._seen[column, message] <= NAMED_FAULTS:
            self._named.append(Fault(self.file, row, column, shown(value), message))

    def faults(self) -> tuple[Fault, ...]:
        """Give the named faults, then one for each kind that was only counted."""
        counted = [
            Fault(self.file, None, column, f"{seen - NAMED_FAULTS} more", message)
            for (column, message), seen in self._seen.items()
            if seen > NAMED_FAULTS
        ]
        return (*self._named, *counted)

    def refuse(self, column: str, value: str, message: str) -> NoReturn:
        """Give the whole file up.

        Raises
        ------
        FaultyFile
            Always: this fault first, then those seen so far.
        """
        raise FaultyFile((Fault(self.file, None, column, shown(value), message), *self.faults()))


class FixBook:
    """Fixes in the order of the file, until they become a `Trace`."""

    def __init__(self, faults: FaultBook) -> None:
        self.faults = faults
        self.position_decimals = 0
        self.time_decimals = 0
        self._numbers = tuple(array("d") for _ in range(4))
        self._segments, self._rows = array("q"), array("q")

    def __len__(self) -> int:
        return len(self._rows)

    def add(
        self,
        row: int,
        segment: int,
        time_s: float,
        position_deg: tuple[float, float],
        u_m: float,
    ) -> None:
        """Take in one fix.

        Raises
        ------
        FaultyFile
            More fixes than `MAX_FIXES`.
        """
        if len(self) >= MAX_FIXES:
            self.faults.refuse("fixes", str(len(self)), "are the most that are read; cut the file")
        for column, number in zip(self._numbers, (time_s, *position_deg, u_m), strict=True):
            column.append(number)
        self._segments.append(segment)
        self._rows.append(row)

    def trace(
        self, data: bytes, row_word: str, degrees_a_step: float, warnings: Iterable[str]
    ) -> Trace:
        """Order the fixes by time, leave out those that cannot be, and close the book.

        Parameters
        ----------
        data : the file, for its digest.
        row_word : what a row of the file is called.
        degrees_a_step : the unit that `position_decimals` counts decimals of. [°]
        warnings : what the reader assumed.

        Raises
        ------
        FaultyFile
            Fewer than two usable fixes.
        """
        time, latitude, longitude, u = (np.array(column) for column in self._numbers)
        segment, row = np.array(self._segments, np.int64), np.array(self._rows, np.int64)
        order, said = _by_segment(time, segment)
        position = np.column_stack([latitude, longitude])
        kept, shared = self._forward(time[order], position[order], row[order], row_word)
        chosen = order[kept]
        if len(chosen) < 2:
            self.faults.refuse("fixes", str(len(chosen)), "no lap can be timed; use another file")
        return Trace(
            file=self.faults.file,
            time_s=time[chosen],
            latitude_deg=latitude[chosen],
            longitude_deg=longitude[chosen],
            horizontal_u_m=u[chosen],
            segment=segment[chosen],
            row=row[chosen],
            row_word=row_word,
            position_step_deg=degrees_a_step * 10.0**-self.position_decimals,
            time_step_s=stamp_step(time[chosen], 10.0**-self.time_decimals, shared / len(order)),
            faults=self.faults.faults(),
            warnings=(*warnings, *said),
            sha256=hashlib.sha256(data).hexdigest(),
        )

    def _forward(
        self, time: FloatArray, position: FloatArray, row: IntArray, row_word: str
    ) -> tuple[IntArray, int]:
        """Keep as many fixes as can run forward; count those that share another's stamp."""
        kept = longest_forward(time)
        dropped = np.setdiff1d(np.arange(len(time)), kept)
        after = np.minimum(np.searchsorted(time[kept], time[dropped]), max(len(kept) - 1, 0))
        twin = time[kept[after]] == time[dropped]
        same = twin & (position[kept[after]] == position[dropped]).all(axis=1)
        for index, is_twin, is_same in zip(dropped, twin, same, strict=True):
            message = f"{OUT_OF_ORDER}, so this {row_word} is left out; export the trace anew"
            if is_twin:
                message = (
                    f"is the time of another {row_word} elsewhere, so this one is left out; let"
                    " the receiver write fractions of a second"
                )
            if is_same:
                message = "is written twice"
            self.faults.add(int(row[index]), "time", utc_text(time[index]), message)
        return kept, int((twin & ~same).sum())


def longest_forward(time_s: FloatArray) -> IntArray:
    """Find the most fixes whose time strictly increases; of equal times the first [index].

    One stamp far in the future so costs one fix, not all that follow.
    """
    if (np.diff(time_s) > 0).all():
        return np.arange(len(time_s), dtype=np.int64)
    tails: list[float] = []  # smallest last time of a run of each length, by patience sorting
    last: list[int] = []
    end = -1  # of two longest runs, the one that was complete first
    before = np.full(len(time_s), -1, np.int64)
    for index, time in enumerate(time_s.tolist()):
        at = bisect_left(tails, time)
        before[index] = last[at - 1] if at else -1
        if at == len(tails):
            tails.append(time)
            last.append(index)
            end = index
        elif time < tails[at]:
            tails[at], last[at] = time, index
    return _chain(before, end)


def stamp_step(time_s: FloatArray, step_s: float, shared: float) -> float:
    """Tell to which step the time stamps are rounded; 0 where they are the receiver's own.

    A receiver at 10 Hz that writes tenths loses nothing, one at 3 Hz does, and so does any whose
    fixes share stamps. A 1 Hz receiver computes its fixes at the full second: taken as exact.

    Parameters
    ----------
    time_s : kept time stamps. [s]
    step_s : the last decimal that the file writes. [s]
    shared : share of fixes that sit on another's stamp, 0 to 1.
    """
    if shared > ROUNDED_SHARE:
        return step_s
    interval = np.diff(time_s)
    rhythm = float(np.median(interval))
    off = np.abs(interval - rhythm)
    beside = float(np.mean((off > 0.5 * step_s) & (off < 1.5 * step_s)))
    return step_s if step_s < rhythm / 1.5 and beside > ROUNDED_SHARE else 0.0


def number(text: str | None) -> float | None:
    """Read a plain decimal number; None for anything else, "nan" and "1_000" included."""
    if text is None or not NUMBER.fullmatch(text.strip()):
        return None
    return float(text)


def decimals(text: str) -> int:
    """Count the decimals that carry something: trailing zeros may be padding."""
    return len(text.strip().partition(".")[2].rstrip("0"))


def hdop_u(hdop: float, range_error_m: float = RANGE_ERROR_M) -> float:
    """Give the standard uncertainty along one horizontal axis from HDOP [m]."""
    return hdop * range_error_m / math.sqrt(2)


def shown(value: str) -> str:
    """Shorten a value and make it printable, so that a message stays one line."""
    printable = "".join(char if char.isprintable() else "?" for char in value)
    return printable if len(printable) <= 60 else f"{printable[:57]}..."


def utc_text(time_s: float) -> str:
    """Write seconds since 1970 as ISO 8601 UTC, to the millisecond."""
    return str(np.datetime64(round(float(time_s) * 1000), "ms")) + "Z"


def _by_segment(time: FloatArray, segment: IntArray) -> tuple[IntArray, tuple[str, ...]]:
    """Bring whole segments into the order of their first fix."""
    index = np.arange(len(time), dtype=np.int64)
    if not len(time):
        return index, ()
    _, first, inverse = np.unique(segment, return_index=True, return_inverse=True)
    start = time[first]
    if (np.diff(start) >= 0).all():
        return index, ()
    order = np.lexsort((index, start[inverse])).astype(np.int64)
    return order, ("segments were not in the order of time; they were sorted by their first fix",)


def _chain(before: IntArray, end: int) -> IntArray:
    """Follow the links back from the last index."""
    chain = []
    at = end
    while at >= 0:
        chain.append(at)
        at = int(before[at])
    return np.array(chain[::-1], np.int64)
