from __future__ import annotations

import numpy as np
import pytest

from benchmark.errors import FaultyFile
from benchmark.intake import nmea
from benchmark.intake.fixes import Trace, utc_text
from benchmark.intake.nmea import read_nmea
from tests.drive import sentence
from tests.reference.traces import (
    GGA,
    RMC,
    SENTENCE_LATITUDE,
    SENTENCE_LONGITUDE,
    SENTENCE_TIME,
)


def rmc(clock: str, *, status: str = "A", lat: str = "4807.0380", day: str = "010524", mode="A"):
    body = f"GPRMC,{clock},{status},{lat},N,01131.000,E,022.4,084.4,{day},,,{mode}"
    return sentence(body)


def gga(clock: str, *, quality: str = "1", lat: str = "4807.0380", hdop: str = "0.9") -> str:
    return sentence(f"GPGGA,{clock},{lat},N,01131.000,E,{quality},08,{hdop},545.4,M,46.9,M,,")


def read(*lines: str) -> Trace:
    return read_nmea("drive.nmea", "\r\n".join(lines).encode())


def refusal(*lines: str) -> str:
    with pytest.raises(FaultyFile) as caught:
        read(*lines)
    return str(caught.value)


def clocks(trace: Trace) -> list[str]:
    return [utc_text(time) for time in trace.time_s]


def test_the_published_sentences_are_read_as_published():
    trace = read(GGA, RMC, rmc("123520", day="230394"))
    assert clocks(trace)[0] == f"{SENTENCE_TIME}.000Z"
    assert trace.latitude_deg[0] == pytest.approx(SENTENCE_LATITUDE, abs=5e-7)
    assert trace.longitude_deg[0] == pytest.approx(SENTENCE_LONGITUDE, abs=5e-7)
    assert trace.horizontal_u_m[0] == pytest.approx(0.9 * 1.5 / np.sqrt(2))
    assert not trace.faults


@pytest.mark.parametrize(("line", "right"), [(GGA, "47"), (RMC, "6A")])
def test_a_wrong_checksum_is_named_and_the_line_left_out(line, right):
    trace = read(rmc("123518"), line[:-2] + "48", rmc("123520"))
    assert [str(fault) for fault in trace.faults] == [
        f'drive.nmea, row 2, checksum, "48": should be {right}: the line is damaged and left out'
    ]
    assert trace.row.tolist() == [1, 3]


def test_a_sentence_without_checksum_is_taken_with_a_warning():
    trace = read(rmc("123519").partition("*")[0], rmc("123520"))
    assert len(trace) == 2
    assert "1 sentences carry no checksum; damage would not show" in trace.warnings


def test_fractions_of_a_second_are_kept():
    trace = read(rmc("123519.10"), rmc("123519.20"), rmc("123519.35"))
    assert np.diff(trace.time_s) == pytest.approx([0.10, 0.15], abs=1e-6)


def test_degrees_and_minutes_are_told_apart_in_all_hemispheres():
    south = sentence("GNRMC,100001,A,0030.0,S,00015.0,W,,,010524,,,A")
    trace = read(rmc("100000"), south)
    assert (trace.latitude_deg[1], trace.longitude_deg[1]) == (-0.5, -0.25)


@pytest.mark.parametrize(
    ("lines", "kept"),
    [
        ((rmc("100000"), rmc("100001", status="V"), rmc("100002")), [1, 3]),
        ((gga("100000"), gga("100001", quality="0"), gga("100002")), [1, 3]),
        ((rmc("100000"), rmc("100001", mode="N"), rmc("100002")), [1, 3]),
        ((gga("100000"), gga("100001", quality="6"), gga("100002")), [1, 3]),
        ((rmc("100000"), gga("100001"), rmc("100001", status="V"), rmc("100002")), [1, 4]),
    ],
    ids=["status V", "quality 0", "mode N", "dead reckoning", "GGA good but RMC void"],
)
def test_what_is_no_fix_is_left_out_and_breaks_the_span(lines, kept):
    trace = read(*lines)
    assert trace.row.tolist() == kept
    assert trace.segment.tolist() == [0, 1]
    assert any(warning.startswith("1 sentences have") for warning in trace.warnings)
    assert not trace.faults


def test_a_simulator_is_not_taken_for_a_drive():
    with pytest.raises(FaultyFile):
        read(gga("100000", quality="8"), gga("100001", quality="8"))


def test_midnight_comes_from_rmc():
    trace = read(
        *(rmc("235959", day="310524"), gga("235959")),
        *(gga("000000", lat="4807.1"), rmc("000000", day="010624", lat="4807.1")),
        *(gga("000001", lat="4807.2"), rmc("000001", day="010624", lat="4807.2")),
    )
    assert clocks(trace) == [
        "2024-05-31T23:59:59.000Z",
        "2024-06-01T00:00:00.000Z",
        "2024-06-01T00:00:01.000Z",
    ]


def test_gga_alone_is_carried_over_midnight_from_the_last_rmc():
    trace = read(rmc("235958", day="310524"), gga("235959"), gga("000000.5"))
    assert clocks(trace)[1:] == ["2024-05-31T23:59:59.000Z", "2024-06-01T00:00:00.500Z"]


def test_gga_before_the_first_rmc_takes_its_date_from_there():
    trace = read(gga("235959"), gga("000000"), rmc("000001", day="010624"))
    assert clocks(trace)[:2] == ["2024-05-31T23:59:59.000Z", "2024-06-01T00:00:00.000Z"]


def test_gga_without_any_date_still_times_a_lap_and_says_so():
    trace = read(gga("235959.5"), gga("000000.5"))
    assert np.diff(trace.time_s) == pytest.approx([1.0])
    assert any("1970-01-01" in warning for warning in trace.warnings)


@pytest.mark.parametrize(
    ("year", "full"), [("94", "1994"), ("80", "1980"), ("79", "2079"), ("24", "2024")]
)
def test_two_digits_of_a_year_count_from_1980(year, full):
    trace = read(rmc("100000", day=f"0105{year}"), rmc("100001", day=f"0105{year}"))
    assert clocks(trace)[0].startswith(full)


def test_a_better_kind_of_fix_is_less_uncertain():
    trace = read(gga("100000", hdop="1.0"), gga("100001", hdop="1.0", quality="4"))
    assert trace.horizontal_u_m.tolist() == pytest.approx([1.0607, 0.0354], abs=1e-4)


def test_rmc_alone_has_no_hdop_and_says_what_was_assumed():
    trace = read(rmc("100000"), rmc("100001"))
    assert trace.horizontal_u_m.tolist() == [1.5, 1.5]
    assert any("no HDOP (it is in GGA); 1.5 m" in warning for warning in trace.warnings)


def test_decimals_of_a_minute_are_the_step_of_the_position():
    trace = read(rmc("100000", lat="4807.03800"), rmc("100001", lat="4807.03810"))
    assert trace.position_step_deg == pytest.approx(1e-4 / 60)


@pytest.mark.parametrize(
    ("line", "column", "value"),
    [
        (rmc("256000"), "time", "256000"),
        (rmc("noon"), "time", "noon"),
        (rmc("100001", lat="4860.000"), "latitude, longitude", "4860.000,N,01131.000,E"),
        (rmc("100001", lat="9100.000"), "latitude, longitude", "9100.000,N,01131.000,E"),
        (rmc("100001", lat=""), "latitude, longitude", ",N,01131.000,E"),
        (rmc("100001", day="310224"), "date", "310224"),
        (gga("100001", hdop="x"), "hdop", "x"),
        (sentence("GPRMC,100001,A,4807.038"), "sentence", "GPRMC,100001,A,4807.038"),
    ],
)
def test_a_bad_field_is_named_with_its_line(line, column, value):
    (fault,) = read(rmc("100000"), line, rmc("100002")).faults
    assert (fault.row, fault.column, fault.value) == (2, column, value)


def test_other_sentences_and_leading_text_are_passed_over():
    trace = read(
        "log of an invented receiver",
        sentence("GPGSV,3,1,11,03,03,111,00"),
        f"10:00:00 {rmc('100000')}",
        sentence("PXYZ,RMC,1"),
        rmc("100001"),
    )
    assert (trace.row.tolist(), trace.place(0)) == ([3, 5], "line 3")
    assert not trace.faults


def test_a_receiver_faster_than_its_stamps_is_found_out():
    lines = [rmc(f"10000{n // 5}", lat=f"4807.{n:03d}1") for n in range(20)]
    trace = read(*lines)
    assert trace.time_step_s == 1.0
    assert trace.row.tolist() == [1, 6, 11, 16]


def test_a_log_without_rmc_or_gga_is_refused():
    words = 'sentence, "": no RMC or GGA sentence can be read; switch them on in the receiver'
    assert words in refusal(sentence("GPGSV,3,1,11,03,03,111,00"))


def test_a_log_above_the_size_cap_is_refused(monkeypatch):
    monkeypatch.setattr(nmea, "MAX_BYTES", 10)
    assert "is above 10; cut the file" in refusal(rmc("100000"))
