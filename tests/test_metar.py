"""METAR as text: published reports, traps, agreement with an independent reader."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from metar.Metar import Metar as IndependentMetar

from benchmark.errors import BadValue, BenchmarkError
from benchmark.intake.metar import read_metar, to_conditions
from benchmark.trade.air import air_density
from benchmark.trade.atmosphere import station_pressure
from benchmark.trade.conditions import Conditions
from tests.reference import weather

INCHES = re.compile(r" A[0-9]{4}\b")
HEAD = "METAR ZZZZ 010000Z 24008KT CAVOK"

# All invented: stations that do not exist, weather that never was.
OURS = [
    "METAR ZZAA 010530Z 00000KT CAVOK 02/M01 Q1031",
    "METAR ZZAA 010600Z VRB02KT 9999 FEW030 04/01 Q1030 NOSIG",
    "METAR ZZAB 051150Z 18012KT 9999 SCT035 BKN080 21/12 Q1009",
    "METAR ZZAB 051220Z 19014G26KT 160V230 9999 SCT040 22/11 Q1008 NOSIG",
    "METAR ZZAC 142020Z 31005KT 8000 -RA BKN012 OVC025 09/08 Q0996",
    "METAR ZZAC 142050Z 30007KT 4000 RA BR OVC008 08/08 Q0995 TEMPO 2000 +RA",
    "SPECI ZZAC 142103Z 29022G37KT 1500 +TSRA SCT015CB OVC030 07/06 Q0994",
    "METAR ZZAD 200700Z 03003MPS 9999 SKC M00/M03 Q1024",
    "METAR ZZAD 200730Z 04005MPS 350V080 9999 NSC M02/M07 Q1025",
    "METAR ZZAD 200800Z 05010G17MPS 3000 -SN OVC010 M11/M13 Q0988 BECMG 5000",
    "METAR ZZAE 311800Z 27010KT CAVOK 35/08 Q1004",
    "METAR ZZAE 311830Z 27011KT CAVOK 38/05 Q1003 NOSIG",
    "METAR ZZAF 151200Z AUTO 11009KT 9999NDV NCD 17/09 Q1017",
    "METAR ZZAF 151230Z AUTO 12010KT //// ////// 17/// Q1017",
    "METAR ZZAF 151300Z AUTO /////KT 9999 NCD 18/09 Q1016",
    "METAR ZZAF 151330Z AUTO 13010KT 9999 NCD ///// Q1016",
    "METAR ZZAG 081000Z 36015KMH 9999 FEW020 14/10 Q1012",
    "METAR ZZAG 081100Z 35030G45KMH 9999 FEW020 15/10 Q1011",
    "METAR ZZAH 221953Z 21009KT 10SM CLR 28/17 A2992",
    "METAR ZZAH 222053Z 20011G19KT 10SM FEW055 29/17 A2990 RMK AO2 SLP120 T02940167",
    "METAR ZZAH 222153Z 20008KT 6SM HZ SCT055 31/18 A2988 RMK AO2 SLP113 T03060183",
    "METAR ZZAH 230053Z VRB03KT 10SM CLR 24/18 A2987 RMK AO2 SLP109 T02390178 53012",
    "METAR ZZAI 031453Z 33007KT 10SM SCT250 M01/M08 A3042 RMK AO2 SLP308 T10111083",
    "METAR ZZAI 031553Z 34008KT 1 1/2SM -SN OVC014 00/M02 A3040 RMK AO2 P0001 T00001022",
    "METAR ZZAI 031653Z 00000KT 10SM CLR 03/M01 A3038 RMK AO2 SLP290 T00261015",
    "METAR ZZAJ 171715Z 08006KT 10SM FEW010 26/21 A3001",
    "METAR COR ZZAK 111110Z 24018KT 9999 BKN018 12/07 Q1002",
    "METAR ZZAK 111140Z COR 25019KT 9999 BKN019 12/07 Q1001",
    "METAR ZZAL 251320Z 09004KT 0400 R27/0600N FG VV001 06/06 Q1028",
    "METAR ZZAL 251350Z 10004KT 0800 R27L/P1500U R27R/M0050 FG VV002 07/07 Q1028 BECMG NSW",
    "METAR ZZAM 290930Z 16006KT CAVOK 19/13 Q1014 RERA",
    "METAR ZZAM 291000Z 17006KT CAVOK 20/13 Q1014 WS R12",
    "METAR ZZAN 071530Z 28024G41KT 9999 SCT025 11/03 Q0987 TEMPO 29035G55KT",
    "METAR ZZAN 071600Z 120100KT 9999 SCT025 11/03 Q0951",
    "METAR ZZAP 190300Z 06002KT CAVOK M27/M31 Q1047",
    "METAR ZZAP 190400Z 00000MPS CAVOK 44/M02 Q0999",
]


def independent(report):
    return IndependentMetar(report, month=5, year=2026)


def in_unit(quantity, unit):
    return None if quantity is None else pytest.approx(quantity.value(unit), rel=1e-5)


@pytest.mark.parametrize("report", OURS)
def test_an_independent_reader_finds_the_same(report):
    ours, theirs = read_metar(report), independent(report)
    time = theirs.time
    assert ours.station == theirs.station_id
    assert (ours.day, ours.hour, ours.minute) == (time.day, time.hour, time.minute)
    assert ours.wind_mps == in_unit(theirs.wind_speed, "MPS")
    assert ours.gust_mps == in_unit(theirs.wind_gust, "MPS")
    assert ours.air_temp_c == in_unit(theirs.temp, "C")
    assert ours.dew_point_c == in_unit(theirs.dewpt, "C")


@pytest.mark.parametrize("report", OURS)
def test_an_independent_reader_finds_the_same_pressure_but_for_its_inch_of_mercury(report):
    # Its inch of mercury is 33.86398 hPa, by the definition it is 33.86389; whole hPa are the same.
    slip = weather.HPA_PER_INHG_SLIPPED / weather.HPA_PER_INHG if INCHES.search(report) else 1.0
    theirs = independent(report).press.value("HPA") / slip
    assert read_metar(report).qnh_hpa == pytest.approx(theirs, rel=2e-7)


def test_the_independent_reader_was_asked_often_enough():
    assert len(set(OURS)) >= 30


@pytest.mark.parametrize(("report", "when", "wind", "air", "dew", "qnh_hpa"), weather.REPORTS)
def test_published_reports_are_read(report, when, wind, air, dew, qnh_hpa):
    metar = read_metar(report)
    assert (metar.day, metar.hour, metar.minute) == when
    assert metar.wind_mps == pytest.approx(wind, abs=0.0005)
    assert (metar.air_temp_c, metar.dew_point_c) == (air, dew)
    assert metar.qnh_hpa == pytest.approx(qnh_hpa, abs=0.001)
    assert metar.missing == ()


def test_the_wind_of_a_forecast_is_not_the_wind_of_the_report():
    metar = read_metar("ZZZZ 010000Z CAVOK 17/16 Q1018 TEMPO 24030G50KT")
    assert metar.wind_mps is None
    assert metar.gust_mps is None
    assert metar.missing == ("wind",)


def test_the_remark_t_gives_tenths():
    body, remark, air, dew = weather.REMARK_T
    metar = read_metar(f"{HEAD} {body} A2992 RMK AO2 {remark}")
    assert (metar.air_temp_c, metar.dew_point_c) == (air, dew)
    assert metar.temp_u_c == pytest.approx(0.1 / math.sqrt(12))


def test_a_remark_without_its_rmk_is_still_read():
    # As people paste it; the mailing list's own text has no RMK.
    assert read_metar(weather.MAILING_LIST.replace("RMK ", "")).air_temp_c == 12.8


def test_a_remark_with_temperature_alone_keeps_the_dew_point_of_the_body():
    whole = read_metar(f"{HEAD} 03/03 A2992")
    metar = read_metar(f"{HEAD} 03/03 A2992 RMK T0026")
    assert (metar.air_temp_c, metar.dew_point_c) == (2.6, 3.0)
    assert metar.humidity_pct == whole.humidity_pct == 100


def test_an_inch_of_mercury_is_the_defined_one_and_not_cut():
    # 30.06 inHg is 1017.949 hPa, neither 1017 nor what 33.86398 would make of it.
    assert read_metar(f"{HEAD} 17/16 A3006").qnh_hpa == pytest.approx(1017.9484, abs=5e-5)
    assert read_metar(f"{HEAD} 17/16 A2992").qnh_hpa == pytest.approx(1013.2075, abs=5e-5)


def test_sea_level_pressure_of_the_remarks_is_not_taken():
    metar = read_metar(f"{HEAD} 17/16 RMK SLP982")
    assert metar.qnh_hpa is None
    assert metar.missing == ("pressure",)


@pytest.mark.parametrize(
    ("group", "air", "dew", "missing"),
    [
        ("M00/M03", 0.0, -3.0, ()),
        ("00/M00", 0.0, 0.0, ()),
        ("02/", 2.0, None, ("dew point",)),
        ("02///", 2.0, None, ("dew point",)),
        ("02/XX", 2.0, None, ("dew point",)),
        ("/////", None, None, ("air temperature", "dew point")),
        ("///08", None, 8.0, ("air temperature",)),
        ("MM/MM", None, None, ("air temperature", "dew point")),
    ],
)
def test_what_is_there_of_a_temperature_group_is_kept(group, air, dew, missing):
    metar = read_metar(f"{HEAD} {group} Q1003")
    assert (metar.air_temp_c, metar.dew_point_c) == (air, dew)
    assert metar.missing == missing
    assert (metar.humidity_pct is None) == bool(missing)
    assert "-0" not in str(metar.air_temp_c)


def test_an_automatic_station_with_nothing_to_say_is_no_error():
    metar = read_metar("METAR ZZZZ 010000Z AUTO /////KT 9999 // ///// Q////")
    assert metar.missing == ("wind", "air temperature", "dew point", "pressure")
    assert to_conditions(metar, 200.0) == Conditions(altitude_m=200.0)


@pytest.mark.parametrize(
    ("group", "wind", "gust"),
    [
        ("00000KT", 0.0, None),
        ("24004MPS", 4.0, None),
        ("26016G22KT", 16 * 1852 / 3600, 22 * 1852 / 3600),
        ("VRB03KT", 3 * 1852 / 3600, None),
        ("24036KMH", 10.0, None),
        ("240P49MPS", 49.0, None),
        ("///05MPS", 5.0, None),
        ("24010G//MPS", 10.0, None),
        ("/////KT", None, None),
    ],
)
def test_wind_is_read_in_its_unit(group, wind, gust):
    metar = read_metar(f"METAR ZZZZ 010000Z {group} CAVOK 17/16 Q1018")
    assert metar.wind_mps == pytest.approx(wind)
    assert metar.gust_mps == pytest.approx(gust)
    assert ("wind" in metar.missing) == (wind is None)


@pytest.mark.parametrize(
    "text",
    [
        weather.CONVERTER.lower(),
        f"  {weather.CONVERTER}=  ",
        weather.CONVERTER.replace(" ", "\n\t "),
        weather.CONVERTER.removeprefix("METAR "),
        f"{weather.CONVERTER}= and what the forum said of it 99/99",
    ],
)
def test_a_report_is_read_however_it_was_pasted(text):
    assert read_metar(text) == read_metar(weather.CONVERTER)


def test_a_fragment_says_what_it_leaves_out():
    metar = read_metar("02/ Q1003")
    assert metar.station is None
    assert metar.missing == ("time", "wind", "dew point")


@pytest.mark.parametrize(("group", "points"), weather.HUMIDITY_U)
def test_whole_degrees_leave_the_humidity_uncertain(group, points):
    metar = read_metar(f"{HEAD} {group} Q1018")
    assert metar.humidity_u_pct == pytest.approx(points, abs=0.05)
    assert metar.temp_u_c == pytest.approx(0.29, abs=0.005)


@pytest.mark.parametrize(
    ("group", "qnh", "altitude_m", "station", "humidity", "density"), weather.CHAINS
)
def test_the_whole_chain_from_report_to_density(group, qnh, altitude_m, station, humidity, density):
    metar = read_metar(f"{HEAD} {group} {qnh}")
    pressure = station_pressure(metar.qnh_hpa, altitude_m)
    assert pressure == pytest.approx(station, abs=0.01)
    assert metar.humidity_pct == pytest.approx(humidity, abs=0.06)
    assert air_density(metar.air_temp_c, pressure, metar.humidity_pct) == pytest.approx(
        density, abs=2e-4
    )


def test_conditions_are_those_of_the_circuit_with_the_lost_half_hectopascal():
    metar = read_metar(weather.ANNEX_3)
    there = to_conditions(metar, 150.0, "damp")
    assert there.pressure_hpa == pytest.approx(station_pressure(1018.5, 150.0))
    assert metar.qnh_u_hpa == pytest.approx(0.29, abs=0.005)
    assert (there.air_temp_c, there.wind_mps, there.altitude_m) == (17.0, 4.0, 150.0)
    assert there.surface == "damp"
    assert there.track_temp_c is None


def test_an_altimeter_setting_is_taken_as_it_is():
    metar = read_metar(weather.MAILING_LIST)
    assert to_conditions(metar, 0.0).pressure_hpa == pytest.approx(metar.qnh_hpa)
    assert metar.qnh_u_hpa == pytest.approx(0.01 * weather.HPA_PER_INHG / math.sqrt(12), rel=1e-5)


def test_without_the_height_of_the_circuit_the_pressure_stays_unknown():
    assert to_conditions(read_metar(weather.ANNEX_3), None).pressure_hpa is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "hello",
            '"hello" is no METAR; one looks like "METAR ZZZZ 221630Z 24008KT CAVOK 17/16 Q1018"',
        ),
        ("", '"" is no METAR; one looks like'),
        ("17/16", '"17/16" is no METAR'),
        ("TAF ZZZZ 221100Z 2212/2312 24008KT CAVOK", "a TAF is a forecast; paste a METAR"),
        ("METAR ZZZZ 221630Z NIL", "the METAR says NIL: nothing was observed"),
        (f"{HEAD} 17/16 Q1018 {HEAD} 18/16 Q1018", "this is more than one METAR; paste one report"),
        ("x" * 2001, "2001 characters are no METAR; paste one report"),
        ("METAR ZZZZ 321630Z 24008KT", '"321630Z" is no day, hour and minute'),
        ("METAR ZZZZ 222460Z 24008KT", '"222460Z" is no day, hour and minute'),
        (f"{HEAD} 16/17 Q1018", "the dew point 17 °C is above the temperature 16 °C"),
        (f"{HEAD} 88/17 Q1018", "air temperature 88 °C is outside -50 to 60 °C"),
        (f"{HEAD} 17/16 Q9999", '"Q9999" is no sea-level pressure: 850 to 1100 hPa'),
        (f"{HEAD} 17/16 A0000", '"A0000" is no sea-level pressure: 850 to 1100 hPa'),
        (f"{HEAD} 17/16 Q1018 RMK T09991999", "air temperature 99.9 °C is outside -50 to 60 °C"),
    ],
)
def test_what_is_no_report_is_refused_in_a_sentence(text, message):
    with pytest.raises(BadValue) as refused:
        read_metar(text)
    assert str(refused.value).startswith(message)


def test_a_height_that_is_no_circuit_is_refused():
    with pytest.raises(BadValue, match="altitude 9000 m is outside"):
        to_conditions(read_metar(weather.ANNEX_3), 9000.0)


@st.composite
def spoiled_reports(draw):
    """Give a report of ours with some characters replaced, dropped or doubled."""
    letters = list(draw(st.sampled_from(OURS)))
    for _ in range(draw(st.integers(1, 6))):
        place = draw(st.integers(0, len(letters) - 1))
        letters[place] = draw(st.text(alphabet="0123456789/MQATZ =KT", max_size=2))
    return "".join(letters)


@given(spoiled_reports() | st.text(max_size=80))
@example("METAR ZZZZ 010000Z \u0662\u0664\u0660\u0660\u0668KT \u0661\u0667/\u0661\u0666")
@example("Q1003 99/M99 T19991999")
def test_any_text_is_read_or_refused_in_a_sentence(text):
    try:
        metar = read_metar(text)
        to_conditions(metar, 500.0)
    except BenchmarkError:
        return  # any other exception fails the test
    assert metar.humidity_pct is None or 0 <= metar.humidity_pct <= 100
    assert metar.wind_mps is None or metar.wind_mps >= 0
