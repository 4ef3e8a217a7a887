"""Published values of moist air and of the standard atmosphere.

Density of moist air
    Gupta, "Mass Metrology", p. 205; NIST mass handbook, SOP 2, appendix, examples 1 and 3 (the
    Jones 1978 formula). Read as quoted in the tests of a public R package on weighing, not in the
    books. The rows of `DENSITY_LOCKS` are CIPM-2007 recomputed from its constants in another
    implementation, with CoolProp's HumidAir 35 to 40 ppm above every one of them.
Standard atmosphere
    ISO 2533:1975 and ICAO Doc 7488: constants read (288.15 K, 1013.25 hPa, 0.0065 K/m,
    1.2250 kg/m³); the table recomputed in closed form and by another library (ambiance 1.3.1).
Station pressure
    Two pairs of altimeter setting and field height: published 849.77 and 793.75 hPa, read. The
    rest recomputed.
Vapour pressure
    IAPWS-IF97, release R7-97, table 35, 300 K: 3536.58941 Pa, from memory, same digits recomputed
    by two libraries. The table by IAPWS-95 is recomputed with CoolProp 8.0.0.
Dew point and humidity
    Recomputed; Magnus, Buck, the equation of CIPM-2007 and MetPy agree to 0.06 points.
Density altitude
    FAA, Pilot's Handbook of Aeronautical Knowledge, chapter on aircraft performance, sample
    problem 1: read. The others recomputed.
"""

MMHG_HPA = 13595.1 * 9.80665 * 0.001 / 100
INHG_HPA = 13595.1 * 9.80665 * 0.0254 / 100
FOOT_M = 0.3048

# temp_c, pressure_hpa, humidity_pct, kg/m³; tolerance 0.0001
PUBLISHED_DENSITY = [
    (10.0, 730.0 * MMHG_HPA, 40.0, 1.19569),
    (40.0, 760.0 * MMHG_HPA, 40.0, 1.11497),
    (22.3, 748.1 * MMHG_HPA, 37.0, 1.17194),
    (23.4, 612.3 * MMHG_HPA, 23.0, 0.95632),
]

# temp_c, pressure_hpa, humidity_pct, kg/m³; tolerance 2e-6
DENSITY_LOCKS = [
    (20.0, 1013.25, 0.0, 1.204557),
    (20.0, 1013.25, 50.0, 1.199314),
    (25.0, 990.0, 0.0, 1.157118),
    (35.0, 1013.25, 90.0, 1.124221),
    (10.0, 970.0, 80.0, 1.189411),
    (40.0, 900.0, 20.0, 0.995193),
    (0.0, 1013.25, 50.0, 1.291578),
]

# change of 25 °C, 1000 hPa, 50 %: temp_c, pressure_hpa, humidity_pct, density in %; recomputed
DENSITY_SENSITIVITY = [
    (1.0, 0.0, 0.0, -0.372),
    (0.0, 1.0, 0.0, +0.101),
    (0.0, 0.0, 10.0, -0.120),
]

SEA_LEVEL_DENSITY = 1.2250  # dry, 15 °C, 1013.25 hPa; the real gas is 0.0005 above

# geopotential m, hPa (tolerance 0.005), kg/m³ (tolerance 1e-5)
STANDARD_ATMOSPHERE = [
    (0.0, 1013.250, 1.22500),
    (100.0, 1001.294, 1.21328),
    (200.0, 989.453, 1.20165),
    (300.0, 977.726, 1.19011),
    (500.0, 954.608, 1.16727),
    (600.0, 943.217, 1.15598),
    (800.0, 920.764, 1.13364),
    (1000.0, 898.746, 1.11164),
    (1500.0, 845.560, 1.05807),
    (2000.0, 794.952, 1.00649),
    (3000.0, 701.085, 0.90912),
]

# qnh_hpa, altitude_m, station hPa; tolerance 0.01
STATION_PRESSURE = [
    (1018.0, 150.0, 1000.042),
    (1022.0, 111.0, 1008.643),
    (998.0, 200.0, 974.494),
    (1013.25, 617.0, 941.291),
    (1005.0, 620.0, 933.182),
    (1030.0, 30.0, 1026.353),
]

# altimeter setting, field height, published station hPa; its last digit is good to 0.015
PUBLISHED_STATION_PRESSURE = [
    (30.20 * INHG_HPA, 5045.0 * FOOT_M, 849.77),
    (30.37 * INHG_HPA, 7014.0 * FOOT_M, 793.75),
]

# °C, Pa by IAPWS-95, Pa by the equation of CIPM-2007, Pa by Magnus (WMO)
VAPOUR_PRESSURE = [
    (0.01, 611.655, 611.657, 611.643),
    (10.0, 1228.20, 1228.12, 1226.03),
    (20.0, 2339.32, 2339.16, 2332.60),
    (30.0, 4246.97, 4246.80, 4233.72),
    (40.0, 7384.94, 7384.82, 7367.46),
]
IF97_300_K_PA = 3536.58941

# °C, dew point °C, %; Magnus, Buck, CIPM and MetPy agree to 0.06 points
HUMIDITY = [
    (17.0, 16.0, 93.83),
    (13.0, 8.0, 71.65),
    (12.8, 8.3, 74.08),
    (2.6, -1.5, 74.36),
    (25.0, 10.0, 38.77),
    (30.0, 15.0, 40.18),
    (13.0, 7.0, 66.91),
]
DEW_POINT = (25.0, 50.0, 13.85)

# FAA: field height ft, altimeter setting inHg, °F; pressure altitude ft, density altitude ft
FAA_PROBLEM = (5883.0, 30.10, 70.0, 5718.0, 7700.0)
# standard pressure at this height in ft, °C; density altitude in ft, dry, recomputed
DENSITY_ALTITUDE = [(1000.0, 25.0, 2385.0), (5000.0, 30.0, 7801.0), (2000.0, 35.0, 4703.0)]
