"""GPX 1.1 (and 1.0) tracks as fixes, read without building a tree.

The parser refuses a document type and with it every entity, so that a small file cannot unfold
into a large one; size and number of fixes are capped. Schema: www.topografix.com/GPX/1/1.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from xml.etree.ElementTree import ParseError  # the error's class only; the parsing is defused

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from benchmark.intake.fixes import (
    DEFAULT_U_M,
    MAX_BYTES,
    FaultBook,
    FixBook,
    Trace,
    decimals,
    hdop_u,
    number,
)

CHUNK_BYTES = 65_536
LONGEST_TEXT = 100  # characters of a value that are kept; times and numbers are far shorter
WANTED = ("time", "hdop", "fix")

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
CLOCK = re.compile(r"[0-9-]+[T ][0-9:]+(?:[.,](?P<fraction>[0-9]+))?(?:Z|[+-][0-9:]+)?", re.ASCII)


def read_gpx(file: str, data: bytes) -> Trace:
    """Read the track points of a GPX file; routes and waypoints carry no lap.

    A point that cannot be used is left out and named in `faults`. A file that breaks off is read
    up to there, since a logger that lost power leaves one.

    Parameters
    ----------
    file : its name, for messages.
    data : its content.

    Raises
    ------
    FaultyFile
        Not GPX, a document type or an entity, larger than `MAX_BYTES`, too many fixes, or fewer
        than two that can be used.
    """
    faults = FaultBook(file)
    if len(data) > MAX_BYTES:
        faults.refuse("size", f"{len(data)} bytes", f"is above {MAX_BYTES}; cut the file")
    reader = _TrackReader(FixBook(faults))
    _feed(reader, data, faults)
    return reader.fixes.trace(data, "point", 1.0, reader.warnings())


def utc_seconds(text: str) -> tuple[float, bool] | None:
    """Read an ISO 8601 time as seconds since 1970 UTC, and whether it names its zone.

    A time without a zone is taken as UTC, which GPX prescribes, never as local time. None where
    the text is no time. Fractions are kept to the microsecond.
    """
    if not CLOCK.fullmatch(text):
        return None
    try:
        moment = datetime.fromisoformat(text)
        zoned = moment.tzinfo is not None
        return ((moment if zoned else moment.replace(tzinfo=UTC)) - EPOCH).total_seconds(), zoned
    except (ValueError, OverflowError):
        return None


def _feed(reader: _TrackReader, data: bytes, faults: FaultBook) -> None:
    """Run the parser over the file, and say what stopped it."""
    parser = DefusedXMLParser(target=reader, forbid_dtd=True)
    try:
        for start in range(0, len(data), CHUNK_BYTES):
            parser.feed(data[start : start + CHUNK_BYTES])
        parser.close()
    except DefusedXmlException:
        message = "is refused: it can unfold into any size; export the trace again without it"
        faults.refuse("xml", "document type or entity", message)
    except ParseError as error:
        line, column = error.position
        message = "the XML is broken here and nothing after it is read; export the trace again"
        faults.add(None, "xml", f"line {line}, character {column}", message)
    except (LookupError, ValueError) as error:
        faults.refuse("xml", str(error), "the encoding is not readable; save the file as UTF-8")


class _TrackReader:
    """Takes elements as the parser meets them and keeps one point at a time."""

    def __init__(self, fixes: FixBook) -> None:
        self.fixes = fixes
        self.points = self.naive = self.without_fix = self.without_hdop = 0
        self.segment = -1  # counts on at every trkseg
        self._path: list[str] = []
        self._point: dict[str, str] = {}

    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        name = tag.rpartition("}")[2]
        if not self._path and name != "gpx":
            self.fixes.faults.refuse("xml", name, "is no GPX file; export the trace as GPX 1.1")
        self._path.append(name)
        self.segment += name == "trkseg"
        if name == "trkpt":
            self.points += 1
            self._point = {name: attributes[name] for name in ("lat", "lon") if name in attributes}

    def data(self, text: str) -> None:
        if self._path[-2:-1] == ["trkpt"] and self._path[-1] in WANTED:
            name = self._path[-1]
            self._point[name] = (self._point.get(name, "") + text)[:LONGEST_TEXT]

    def end(self, tag: str) -> None:  # noqa: ARG002  the parser hands it over
        if self._path.pop() == "trkpt":
            self._close_point()

    def close(self) -> None:
        """Nothing is left to do at the end of the file."""

    def warnings(self) -> list[str]:
        said = []
        if self.naive:
            said.append(f"{self.naive} times name no zone; they were taken as UTC")
        if self.without_fix:
            said.append(f"{self.without_fix} points say that the receiver had no fix")
        if self.without_hdop:
            said.append(
                f"{self.without_hdop} points state no HDOP; {DEFAULT_U_M} m along an axis was"
                " assumed for their standard uncertainty"
            )
        return said

    def _close_point(self) -> None:
        if self._point.get("fix", "").strip() == "none":
            self.without_fix += 1
            self.segment += 1  # the receiver lost its satellites: no crossing spans this
            return
        time_s, position = self._time(), self._position()
        if time_s is not None and position is not None:
            self.fixes.add(self.points, self.segment, time_s, position, self._u())

    def _time(self) -> float | None:
        text = self._point.get("time", "").strip()
        read = utc_seconds(text)
        if read is None:
            message = (
                "is no ISO 8601 time; write 2024-05-01T10:00:00.100Z"
                if text
                else "has no time, and without times no lap can be timed; export a recorded track"
            )
            self.fixes.faults.add(self.points, "time", text, message)
            return None
        self.naive += not read[1]
        fraction = (CLOCK.fullmatch(text) or {"fraction": None})["fraction"] or ""
        self.fixes.time_decimals = max(self.fixes.time_decimals, len(fraction.rstrip("0")))
        return read[0]

    def _position(self) -> tuple[float, float] | None:
        latitude, longitude = self._degrees("lat", 90), self._degrees("lon", 180)
        if latitude is None or longitude is None:
            return None
        if latitude == longitude == 0:
            message = "is what a receiver writes without a fix; leave the point out"
            self.fixes.faults.add(self.points, "lat, lon", "0, 0", message)
            return None
        written = max(decimals(self._point["lat"]), decimals(self._point["lon"]))
        self.fixes.position_decimals = max(self.fixes.position_decimals, written)
        return latitude, longitude

    def _degrees(self, name: str, bound: float) -> float | None:
        text = self._point.get(name)
        degrees = number(text)
        if degrees is None or abs(degrees) > bound:
            message = f"is not in degrees from -{bound} to {bound}; correct or delete the point"
            self.fixes.faults.add(self.points, name, text or "", message)
            return None
        return degrees

    def _u(self) -> float:
        text = self._point.get("hdop")
        hdop = number(text)
        if text is not None and (hdop is None or not 0 < hdop < 100):
            message = "is no dilution of precision between 0 and 100; correct or delete it"
            self.fixes.faults.add(self.points, "hdop", text, message)
            hdop = None
        self.without_hdop += hdop is None
        return DEFAULT_U_M if hdop is None else hdop_u(hdop)
