from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from benchmark.errors import FaultyFile
from benchmark.intake import fixes, gpx
from benchmark.intake.gpx import read_gpx, utc_seconds
from tests.reference.traces import TIMES

HEAD = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
TAIL = "</trkseg></trk></gpx>"


def point(time: str = "", lat: str = "-45.0", lon: str = "-120.0", more: str = "") -> str:
    return f'<trkpt lat="{lat}" lon="{lon}"><time>{time}</time>{more}</trkpt>'


def clock(second: float) -> str:
    return f"2024-05-01T10:00:{second:06.3f}Z"


def track(*points: str) -> bytes:
    return (HEAD + "".join(points) + TAIL).encode()


def whole(*more: str) -> bytes:
    """Two good points, then what a test adds."""
    return track(point(clock(0)), point(clock(1), lat="-45.0001"), *more)


def refusal(data: bytes) -> str:
    with pytest.raises(FaultyFile) as caught:
        read_gpx("drive.gpx", data)
    return str(caught.value)


@pytest.mark.parametrize(("text", "utc", "zoned"), TIMES)
def test_iso_times_are_read_as_utc(text, utc, zoned):
    expected = (np.datetime64(utc) - np.datetime64("1970-01-01T00:00:00.000")).astype(int) / 1000
    assert utc_seconds(text) == (pytest.approx(expected, abs=1e-6), zoned)


@pytest.mark.parametrize(
    "text", ["", "noon", "2024-05-01", "2024-05-01T25:00:00Z", "2024-13-01T10:00:00Z", "1714557600"]
)
def test_what_is_no_time_is_named(text):
    data = whole(point(text))
    (fault,) = read_gpx("drive.gpx", data).faults
    assert (fault.row, fault.column, fault.value) == (3, "time", text)


def test_a_time_without_zone_is_taken_as_utc_with_a_warning(monkeypatch):
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    data = track(point("2024-05-01T10:00:00"), point("2024-05-01T10:00:01", lat="-45.1"))
    trace = read_gpx("drive.gpx", data)
    assert trace.time_s[0] == 1_714_557_600.0
    assert "2 times name no zone; they were taken as UTC" in trace.warnings


def test_points_keep_position_time_and_number():
    trace = read_gpx("drive.gpx", whole(point(clock(1.25), "12.5", "+7.25")))
    assert trace.latitude_deg.tolist() == [-45.0, -45.0001, 12.5]
    assert trace.longitude_deg.tolist() == [-120.0, -120.0, 7.25]
    assert (trace.time_s - trace.time_s[0]).tolist() == [0.0, 1.0, 1.25]
    assert (trace.row.tolist(), trace.place(2)) == ([1, 2, 3], "point 3")
    assert trace.position_step_deg == pytest.approx(1e-4)


def test_a_new_segment_is_a_new_span():
    data = whole("</trkseg><trkseg>", point(clock(2)))
    assert read_gpx("drive.gpx", data).segment.tolist() == [0, 0, 1]


def test_hdop_sets_the_uncertainty_and_its_lack_is_said():
    trace = read_gpx("drive.gpx", whole(point(clock(2), more="<hdop>2.0</hdop>")))
    assert trace.horizontal_u_m.tolist() == pytest.approx([1.5, 1.5, 2.0 * 1.5 / np.sqrt(2)])
    assert any(warning.startswith("2 points state no HDOP; 1.5 m") for warning in trace.warnings)


def test_a_point_without_fix_is_left_out_and_breaks_the_span():
    data = whole(point(clock(2), more="<fix>none</fix>"), point(clock(3), more="<fix>3d</fix>"))
    trace = read_gpx("drive.gpx", data)
    assert trace.row.tolist() == [1, 2, 4]
    assert trace.segment.tolist() == [0, 0, 1]
    assert "1 points say that the receiver had no fix" in trace.warnings


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (
            point(clock(2), lat="91"),
            'drive.gpx, row 3, lat, "91": is not in degrees from -90 to 90;'
            " correct or delete the point",
        ),
        (
            point(clock(2), lon="nan"),
            'drive.gpx, row 3, lon, "nan": is not in degrees from -180 to 180;'
            " correct or delete the point",
        ),
        (
            point(clock(2), lon="1_0"),
            'drive.gpx, row 3, lon, "1_0": is not in degrees from -180 to 180;'
            " correct or delete the point",
        ),
        (
            point(clock(2), lat="0", lon="0.000"),
            'drive.gpx, row 3, lat, lon, "0, 0": is what a receiver writes without a fix;'
            " leave the point out",
        ),
        (
            '<trkpt lat="1" lon="1"></trkpt>',
            'drive.gpx, row 3, time, "": has no time, and without times no lap can be timed;'
            " export a recorded track",
        ),
        (
            point(clock(1), lat="-45.0002"),
            'drive.gpx, row 3, time, "2024-05-01T10:00:01.000Z": is the time of another point'
            " elsewhere, so this one is left out; let the receiver write fractions of a second",
        ),
        (
            point(clock(0.5), lat="-45.0002"),
            'drive.gpx, row 3, time, "2024-05-01T10:00:00.500Z": is out of order, so this point'
            " is left out; export the trace anew",
        ),
    ],
)
def test_a_bad_point_is_left_out_and_named(bad, message):
    trace = read_gpx("drive.gpx", whole(bad))
    assert [str(fault) for fault in trace.faults] == [message]
    assert trace.row.tolist() == [1, 2]


def test_a_bad_hdop_is_named_and_the_point_kept():
    trace = read_gpx("drive.gpx", whole(point(clock(2), more="<hdop>-1</hdop>")))
    assert [str(fault) for fault in trace.faults] == [
        'drive.gpx, row 3, hdop, "-1": is no dilution of precision between 0 and 100;'
        " correct or delete it"
    ]
    assert trace.horizontal_u_m[2] == 1.5


def test_many_faults_of_a_kind_are_counted():
    trace = read_gpx("drive.gpx", whole(*[point("soon")] * 40))
    assert [fault.row for fault in trace.faults] == [3, 4, 5, 6, 7, None]
    assert trace.faults[-1].value == "35 more"


def test_a_file_that_breaks_off_is_read_up_to_there():
    trace = read_gpx("drive.gpx", whole(point(clock(2)))[:-40])
    assert trace.row.tolist()[:2] == [1, 2]
    (fault,) = trace.faults
    assert (fault.column, fault.row) == ("xml", None)
    assert "nothing after it is read" in fault.message


NEST = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
BOMBS = {
    "nested entities": f'<!DOCTYPE gpx [<!ENTITY e0 "lap">{NEST}]><gpx>&e9;</gpx>',
    "one long entity": f'<!DOCTYPE gpx [<!ENTITY a "{"a" * 9999}">]><gpx>{"&a;" * 9999}</gpx>',
    "an outside file": '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/passwd">]><gpx>&a;</gpx>',
    "an outside definition": '<!DOCTYPE gpx SYSTEM "http://localhost/a.dtd"><gpx></gpx>',
    "parameter entity": '<!DOCTYPE gpx [<!ENTITY % a "<!ELEMENT b ANY>"> %a;]><gpx></gpx>',
}


@pytest.mark.parametrize("bomb", BOMBS.values(), ids=BOMBS)
def test_a_document_type_is_refused_before_it_unfolds(bomb):
    assert refusal(bomb.encode()) == (
        'drive.gpx, row -, xml, "document type or entity": is refused: it can unfold into any'
        " size; export the trace again without it"
    )


def test_a_bomb_after_good_points_is_refused_too():
    data = whole().replace(b"</gpx>", b"<!DOCTYPE a [<!ENTITY b 'c'>]></gpx>")
    trace = read_gpx("drive.gpx", data)  # a document type there is broken XML, not a type
    assert trace.faults[0].column == "xml"
    assert len(trace) == 2


def test_a_file_above_the_size_cap_is_refused(monkeypatch):
    monkeypatch.setattr(gpx, "MAX_BYTES", 100)
    assert '"365 bytes": is above 100; cut the file' in refusal(whole().ljust(365))


def test_too_many_fixes_are_refused(monkeypatch):
    monkeypatch.setattr(fixes, "MAX_FIXES", 2)
    assert "are the most that are read; cut the file" in refusal(whole(point(clock(2))))


def test_elements_that_carry_no_fix_take_no_memory():
    data = HEAD.encode() + b"<a/>" * 50_000 + TAIL.encode()
    tracemalloc.start()
    refusal(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1e6  # the standard library's tree of these takes above 4 MB


def test_deep_nesting_is_no_fault_of_the_program():
    data = HEAD.encode() + b"<a>" * 20_000 + b"</a>" * 20_000 + TAIL.encode()
    assert "no lap can be timed" in refusal(data)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"<html></html>", 'xml, "html": is no GPX file; export the trace as GPX 1.1'),
        (b'<?xml version="1.0" encoding="EBCDIC-7"?><gpx/>', "save the file as UTF-8"),
        (track(), 'fixes, "0": no lap can be timed'),
        (track(point(clock(0))), 'fixes, "1": no lap can be timed'),
        (b"<gpx", "the XML is broken here"),
    ],
)
def test_a_file_without_a_track_is_refused(data, words):
    assert words in refusal(data)


def test_utf_16_and_gpx_1_0_are_read():
    text = whole().decode().replace("GPX/1/1", "GPX/1/0")
    encoded = ('<?xml version="1.0" encoding="UTF-16"?>' + text).encode("utf-16")
    assert len(read_gpx("drive.gpx", encoded)) == 2


def test_routes_and_waypoints_are_no_track():
    other = '<rte><rtept lat="1" lon="1"/></rte><wpt lat="2" lon="2"/>'
    data = whole().replace(b"</gpx>", other.encode() + b"</gpx>")
    assert len(read_gpx("drive.gpx", data)) == 2
