"""What receivers write, and how well two fixes place a crossing.

SENTENCES: the examples of RMC and GGA that manuals of NMEA 0183 have printed for decades; the
values were read with pynmea2 1.19.0 and pynmeagps 1.1.8, which agree.

TIMES: forms of ISO 8601 that GPX 1.1 allows (its schema types `time` as xsd:dateTime, in UTC).

INTERPOLATION, ROUNDING_MS: 200,000 simulated crossings each at 40 m/s, at 10 Hz for rounding, with
the largest error of exact fixes under -8 m/s² and the standard deviation of rounded ones; headings
and latitudes of the latter are mixed. SLOW_MS: the closed form, and simulated errors beside it.
"""

GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
SENTENCE_LATITUDE, SENTENCE_LONGITUDE = 48.1173, 11.516667  # degrees
SENTENCE_TIME = "1994-03-23T12:35:19"

# text, the same in UTC, whether it names its zone
TIMES = (
    ("2024-05-01T10:00:00.100Z", "2024-05-01T10:00:00.100", True),
    ("2024-05-01T10:00:00.1Z", "2024-05-01T10:00:00.100", True),
    ("2024-05-01T12:00:00.5+02:00", "2024-05-01T10:00:00.500", True),
    ("2024-05-01T10:00:00", "2024-05-01T10:00:00.000", False),
    ("2024-05-01T10:00:00,5Z", "2024-05-01T10:00:00.500", True),
    ("20240501T100000Z", "2024-05-01T10:00:00.000", True),
)

# rate [Hz], largest error of a crossing [s]
INTERPOLATION = ((1, 0.025), (5, 0.0010), (10, 0.00025), (25, 0.00004))

# step of the position [degrees], standard deviation of a crossing [ms]
ROUNDING_MS = ((1e-5, 6.0), (1e-6, 0.8), (1e-3 / 60, 11.8), (1e-4 / 60, 1.0))

# sigma [m], tau [s], standard uncertainty of a lap of 90 s at 40 m/s: closed form, simulated [ms]
SLOW_MS = (
    (1.0, 300.0, 18.0, 18.0),
    (1.0, 60.0, 31.2, 31.3),
    (0.5, 300.0, 9.0, 9.0),
    (2.0, 300.0, 36.0, 36.2),
)

# noise new at every fix [m], standard deviation of a crossing at 40 m/s [ms]
NOISE_MS = ((0.05, 1.0), (0.3, 6.3))

# a line 5 degrees askew, laps 3 m apart sideways, 40 m/s [ms]
ASKEW_MS = 6.6

# whole-second stamps of faster fixes: standard uncertainty of a lap [s]
WHOLE_SECOND_U_S = 0.41
