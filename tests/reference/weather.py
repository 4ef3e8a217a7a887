"""Published METAR reports and what they say.

`YUDO`: example A3-1 of ICAO Annex 3 and WMO-No. 306 FM 15, read in the tests of public converters.
`KSFO`: a decode on a public mailing list on units, April 2010: read. `EDDF`: read in a converter's
test. The remark T: US Federal Meteorological Handbook 1, read as quoted in AFMAN 15-111 (12 March
2019), remark 30, which also has "If dew point is missing report the temperature". M00 (a negative
value rounded to nought): WMO rule, from memory. Report of an automatic station with nothing to
say: recomputed only. Wind and pressure in other units: recomputed from the definitions of the knot
(1852 m/h) and the inch of mercury (13 595.1 kg/m³, 9.806 65 m/s², 25.4 mm).
Whole chain and stations' pressure: recomputed (Magnus, standard atmosphere, CIPM-2007) from the
pressure as reported, without the half hectopascal that rounding down loses.
"""

ANNEX_3 = (
    "METAR YUDO 221630Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 "
    "BECMG TL1700 0800 FG BECMG AT1800 9999 NSW"
)
MAILING_LIST = (
    "KSFO 240156Z 26016G22KT 9SM BKN012 13/08 A3006 RMK AO2 PK WND 26027/0109 SLP179 T01280083"
)
CONVERTER = "METAR EDDF 280650Z 32012KT 280V350 9999 FEW025 SCT100 13/07 Q1022 NOSIG"

# report, (day, hour, minute), wind m/s, °C, dew point °C, hPa (tolerance 0.001: 1017.949 was made
# with the inch of mercury rounded to 33.86389)
REPORTS = [
    (ANNEX_3, (22, 16, 30), 4.0, 17.0, 16.0, 1018.0),
    (MAILING_LIST, (24, 1, 56), 8.231, 12.8, 8.3, 1017.949),
    (CONVERTER, (28, 6, 50), 6.173, 13.0, 7.0, 1022.0),
]

REMARK_T = ("03/M01", "T00261015", 2.6, -1.5)

# 1 inHg in hPa by its definition; a public reader has 33.86398, 2.7 ppm above
HPA_PER_INHG = 33.86389
HPA_PER_INHG_SLIPPED = 33.86398

# temperature/dew point, u of the humidity in points; tolerance 0.05
HUMIDITY_U = [("17/16", 2.4), ("25/10", 1.0)]

# temperature/dew point, pressure group, altitude m, station hPa, %, kg/m³ (tolerance 2e-4)
CHAINS = [
    ("17/16", "Q1018", 150.0, 1000.04, 93.84, 1.19295),
    ("30/15", "Q1008", 620.0, 936.01, 40.2, 1.06850),
]
