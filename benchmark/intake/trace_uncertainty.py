"""How well a trace times a lap: what each source adds to its standard uncertainty.

A lap is the difference of two crossings, so an error that is still there a lap later cancels. All
sources but that slow one are independent from crossing to crossing.
"""

from __future__ import annotations

import math

import numpy as np

from benchmark.trade.quantity import Floats
from benchmark.trade.uncertainty import crossings_u, rectangular_u

# Time over which a receiver's slow position error forgets itself. [s] An assumption, as are the
# sigmas from HDOP: satellites and atmosphere change over minutes. With 60 s in place of 300 s a
# lap of 90 s is 1.7 times as uncertain, with 600 s 0.7 times.
CORRELATION_S = 300.0

# Share of the variance of independent noise that is left between two fixes, averaged over where
# in between the line lies: the mean of (1 - f)² + f².
BETWEEN_FIXES = 2 / 3

HARDEST_PULL_MPS2 = 8.0  # taken where a trace does not tell: hard braking on road tyres


def slow_error_u(
    u_m: tuple[float, float],
    speed_mps: tuple[float, float],
    lap_s: float,
    correlation_s: float = CORRELATION_S,
) -> float:
    """Give the standard uncertainty of a lap from the slow error of position [s].

    With one sigma and one speed this is (sigma / v) sqrt(2 (1 - exp(-L / tau))).

    Parameters
    ----------
    u_m : standard uncertainty of the position along the path, at start and end. [m]
    speed_mps : speed across the line, at start and end. [m/s]
    lap_s : time between the crossings. [s]
    correlation_s : time constant of an error whose correlation decays exponentially. [s]
    """
    start, end = (u / speed for u, speed in zip(u_m, speed_mps, strict=True))
    kept = math.exp(-lap_s / correlation_s)
    return math.sqrt(max((start - end) ** 2 + 2 * start * end * (1 - kept), 0.0))


def noise_u(noise_m: float, speed_mps: float) -> float:
    """Give the standard uncertainty of one crossing from noise that is new at every fix [s].

    Parameters
    ----------
    noise_m : its standard deviation across the line; of rounding, the step over root 12. [m]
    speed_mps : speed across the line. [m/s]
    """
    return noise_m * math.sqrt(BETWEEN_FIXES) / speed_mps


def interpolation_bound(acceleration_mps2: Floats, interval_s: Floats, speed_mps: Floats) -> Floats:
    """Largest error of a crossing that is interpolated linearly between two fixes [s].

    |a| dt² / (8 v): the sagitta of uniform acceleration over the interval, at its middle.

    Parameters
    ----------
    acceleration_mps2 : acceleration across the line. [m/s²]
    interval_s : time between the two fixes. [s]
    speed_mps : speed across the line. [m/s]
    """
    return np.abs(acceleration_mps2) * np.square(interval_s) / (8 * speed_mps)


def interpolation_u(pull_mps2: float, interval_s: float, speed_mps: float) -> float:
    """Give the standard uncertainty of one crossing from interpolation, as a rectangle [s].

    Parameters
    ----------
    pull_mps2 : size of the acceleration across the line; NaN takes `HARDEST_PULL_MPS2`. [m/s²]
    interval_s : time between the two fixes. [s]
    speed_mps : speed across the line. [m/s]
    """
    pull = HARDEST_PULL_MPS2 if math.isnan(pull_mps2) else pull_mps2
    return rectangular_u(float(interpolation_bound(pull, interval_s, speed_mps)))


def stamp_u(step_s: float) -> float:
    """Give the standard uncertainty of a lap between two rounded time stamps [s]."""
    return crossings_u(step_s)
