"""Measuring and deciding: values from the guides on uncertainty and conformity.

GUM (JCGM 100:2008)
    4.3.7 and F.2.2.1 from memory, recomputed. Annex H.1 (end gauge): inputs and budget read in the
    documentation of the GTC package; 32 nm, 16 degrees of freedom, k 2.92 and U99 93 nm as the
    annex prints them; unrounded 31.66 nm, 16.75 and 92.5 nm recomputed with GTC 1.5.1.
JCGM 106:2012
    Zener diode, container burst, motor oil: from memory, recomputed with scipy. The paper prints
    z and the probability to the digits given here.
ILAC-G8:09/2019
    Table of guard bands: printed bounds read in part, as users quote them; recomputed.
Hand timing
    Am. J. Phys. 87 (2019) 110, "Manual timing in physics experiments", abstract read: one press
    N(0.11, 0.07²) s, start and stop N(0, 0.10²) s.
Claim arithmetic
    Recomputed: Phi(margin / root of the sum of squares).
"""

# half-width, u
RECTANGLE = (0.40e-6, 0.23e-6)
# resolution, u of one reading; resolution, u of a lap from two stamped crossings
READING = (1.0, 0.2887)
CROSSINGS = [(0.001, 0.0004), (1 / 25, 0.016), (1 / 30, 0.014), (1 / 50, 0.008), (1 / 60, 0.007)]
SHEET_OF_TENTHS = (0.1, 0.029)

# contribution in nm, degrees of freedom: standard; difference (readings, random and systematic
# error of the comparator); difference of expansion; difference of temperature
END_GAUGE = [
    (25.0, 18.0),
    (5.8, 24.0),
    (3.9, 5.0),
    (6.7, 8.0),
    (2.88679, 50.0),
    (16.599, 2.0),
]
END_GAUGE_U_NM = 32
END_GAUGE_DOF = 16
END_GAUGE_K = 2.92
END_GAUGE_U99_NM = 93
END_GAUGE_U_NM_UNROUNDED = 31.66
END_GAUGE_DOF_UNROUNDED = 16.75
END_GAUGE_U99_NM_UNROUNDED = 92.5

# value, u, low, high, probability, tolerance (half the last printed digit)
CONFORMANCE = [
    (-5.47, 0.05, None, -5.40, 0.9192, 0.00005),
    (509.7, 8.6, 490.0, None, 0.9890, 0.00005),
    (13.6, 1.8, 12.5, 16.3, 0.6626, 0.00005),
]

# guard band over U, largest chance of false acceptance, bound as printed
GUARD_BANDS = [
    (0.0, 0.50, 0.50),
    (0.83, 0.0485, 0.05),
    (1.0, 0.0228, 0.025),
    (1.5, 0.00135, 0.0016),
    (3.0, 1e-9, 1e-6),
]
GUARD_RATIO_5_PCT = 0.8224

# margin s (quicker is negative), u of both laps, probability of being the quicker; tolerance 5e-5
CLAIMS = [
    (-0.25, 0.10, 0.10, 0.9615),
    (-0.10, 0.02, 0.02, 0.99980),
    (-0.30, 0.05, 0.10, 0.99636),
    (0.0, 0.05, 0.10, 0.5),
]

ONE_PRESS_SD_S = 0.07
START_AND_STOP_SD_S = 0.10
