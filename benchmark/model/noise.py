"""What a lap adds to the centre of clean laps: a one-sided delay, timing error, gross errors.

A lap's log time less its centre is one of three kinds:

- ordinary: Normal(0, sigma² + u²) plus an Exponential delay whose mean `tau` belongs to the
  driver (traffic, lifts, small mistakes: never quicker);
- slow: the same Normal plus `SLOW_FROM` plus a long Exponential delay (an out, in or cool-down
  lap that nobody labelled, an excursion); starting it away from nought keeps it from taking
  over the longer ordinary delays;
- gross: Normal(0, sigma² + u² + gross²), on either side (a mistimed or mistyped lap).

`u` is the timing's own standard uncertainty over the lap time. The ordinary kind is the
exponentially modified Gaussian; in econometrics a cost frontier with exponential inefficiency
(Meeusen and van den Broeck, International Economic Review 18, 1977).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri_exp, softmax

from benchmark.model.priors import Priors, Size

KINDS = ORDINARY, SLOW, GROSS = 0, 1, 2
# The least that an unlabelled out, in or cool-down lap costs; common practice, no published source.
SLOW_FROM = 0.04
ROOT_2PI = math.sqrt(2 * math.pi)
LOG_ROOT_2PI = math.log(ROOT_2PI)

NEGLIGIBLE_SD = 6.0  # a Normal is never this many standard deviations off
FAR, MOST_LOG = -10.0, 700.0  # a Normal's tail and a logarithm that a float still holds with ease


def log_normal_delay(error: np.ndarray, sd: np.ndarray, tau: np.ndarray | float) -> np.ndarray:
    """Log density of a Normal(0, sd²) plus an Exponential with mean tau, at `error`."""
    ratio = sd / tau
    return -np.log(tau) + 0.5 * ratio**2 - error / tau + log_ndtr(error / sd - ratio)


def normal_delay(error: np.ndarray, sd: np.ndarray, tau: np.ndarray | float) -> np.ndarray:
    """Density of a Normal(0, sd²) plus an Exponential with mean tau; `sd` and `tau` broadcast.

    The exponential of `log_normal_delay`, in half its time: this is where a fit spends most.
    """
    ratio = sd / tau
    z = error / sd - ratio
    far = z < FAR  # where the two factors of the density could overflow and underflow
    growth = np.minimum(0.5 * ratio**2 - error / tau, MOST_LOG)
    out = np.asarray(np.exp(growth) * ndtr(z) / tau)
    if far.any():
        wide, long = (np.broadcast_to(size, error.shape)[far] for size in (sd, tau))
        out[far] = np.exp(log_normal_delay(error[far], wide, long))
    return out


def log_normal(error: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Log density of a Normal(0, sd²) at `error`."""
    return -0.5 * (error / sd) ** 2 - np.log(sd) - LOG_ROOT_2PI


@dataclass(frozen=True)
class Noise:
    """The noise's parameters. All sizes are in log lap time; `tau` has one value a driver."""

    sigma: float
    tau: np.ndarray
    tau_centre: float
    tau_spread: float
    slow: float
    gross: float
    shares: np.ndarray

    @classmethod
    def at_prior(cls, priors: Priors, n_drivers: int) -> Noise:
        """Return the medians of the priors, as a start."""
        sizes = priors.sizes
        tau = sizes["delay"].median
        return cls(
            sizes["sigma"].median,
            np.full(n_drivers, tau),
            tau,
            sizes["delay_spread"].median,
            sizes["slow"].median,
            sizes["gross"].median,
            np.array(priors.shares) / sum(priors.shares),
        )


@dataclass(frozen=True)
class LapNoise:
    """Laps as the noise sees them: timing variance in log time, and the driver's number."""

    timing_var: np.ndarray
    driver: np.ndarray
    n_drivers: int

    def part(self, laps: slice) -> LapNoise:
        """Give some of the laps."""
        return LapNoise(self.timing_var[laps], self.driver[laps], self.n_drivers)

    def log_densities(self, error: np.ndarray, noise: Noise) -> np.ndarray:
        """Log of share times density of the three kinds, shape (3, laps, ...) as `error`."""
        trailing = (slice(None), *(None for _ in error.shape[1:]))
        sd = np.sqrt(noise.sigma**2 + self.timing_var)[trailing]
        shares = np.log(noise.shares)
        out = np.empty((3, *error.shape))
        out[ORDINARY] = shares[ORDINARY]
        out[ORDINARY] += log_normal_delay(error, sd, noise.tau[self.driver][trailing])
        out[SLOW] = -np.inf
        may = self._may_be_slow(error, sd)
        spread = np.broadcast_to(sd, error.shape)[may]
        slow = log_normal_delay(error[may] - SLOW_FROM, spread, noise.slow)
        out[SLOW, may] = shares[SLOW] + slow
        out[GROSS] = shares[GROSS] + log_normal(error, np.hypot(sd, noise.gross))
        return out

    def log_likelihood(self, error: np.ndarray, noise: Noise) -> np.ndarray:
        """Log density of each lap under the mixture, shape as `error`."""
        trailing = (slice(None), *(None for _ in error.shape[1:]))
        sd = np.sqrt(noise.sigma**2 + self.timing_var)[trailing]
        shares = noise.shares
        density = shares[ORDINARY] * normal_delay(error, sd, noise.tau[self.driver][trailing])
        wide = np.hypot(sd, noise.gross)
        density += shares[GROSS] / (wide * ROOT_2PI) * np.exp(-0.5 * (error / wide) ** 2)
        may = self._may_be_slow(error, sd)
        spread = np.broadcast_to(sd, error.shape)[may]
        density[may] += shares[SLOW] * normal_delay(error[may] - SLOW_FROM, spread, noise.slow)
        return np.log(np.maximum(density, np.finfo(float).tiny))

    def _may_be_slow(self, error: np.ndarray, sd: np.ndarray) -> np.ndarray:
        """Most laps are far too quick to be slow ones; beyond this the density is below 1e-9."""
        return np.asarray(error > SLOW_FROM - NEGLIGIBLE_SD * sd)


@dataclass(frozen=True)
class Split:
    """Each lap with its delay taken off: what is left is Normal with precision `weight`."""

    delay: np.ndarray
    weight: np.ndarray


def draw_split(
    laps: LapNoise, error: np.ndarray, noise: Noise, kind: np.ndarray, rng: np.random.Generator
) -> Split:
    """Draw the delay of each lap given its error and its kind."""
    var = noise.sigma**2 + laps.timing_var
    sd = np.sqrt(var)
    tau = np.where(kind == SLOW, noise.slow, noise.tau[laps.driver])
    least = np.where(kind == SLOW, SLOW_FROM, 0.0)
    # Normal(error - least - var/tau, var) cut off below 0, by inversion in log space.
    mean = error - least - var / tau
    log_u = np.log(rng.random(len(error))) + log_ndtr(mean / sd)
    delay = least + np.maximum(mean - sd * ndtri_exp(log_u), 0.0)
    weight = 1 / np.where(kind == GROSS, var + noise.gross**2, var)
    return Split(np.where(kind == GROSS, 0.0, delay), weight)


def draw_kind(log_p: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw one of three kinds for each lap, from unnormalised log probabilities (3, laps)."""
    p = softmax(log_p, axis=0)
    u = rng.random(log_p.shape[1])
    return (u > p[0]).astype(np.int64) + (u > p[0] + p[1])


def expected_split(laps: LapNoise, error: np.ndarray, noise: Noise) -> Split:
    """Return the expected delay of each lap and its weight, for a robust start."""
    p = softmax(laps.log_densities(error, noise), axis=0)
    var = noise.sigma**2 + laps.timing_var
    sd = np.sqrt(var)
    delay = np.zeros(len(error))
    slow = np.full(len(error), noise.slow)
    for share, tau, least in ((p[0], noise.tau[laps.driver], 0.0), (p[1], slow, SLOW_FROM)):
        mean = error - least - var / tau
        delay += share * (least + mean + sd * _hazard(mean / sd))
    ordinary = np.maximum(p[0] + p[1], 1e-6)
    weight = ordinary / var + p[2] / (var + noise.gross**2)
    return Split(delay / ordinary, weight)


def _hazard(x: np.ndarray) -> np.ndarray:
    """Return phi(x) / Phi(x), stable far below nought."""
    return np.asarray(np.exp(-0.5 * x**2 - LOG_ROOT_2PI - log_ndtr(x)))


def log_size(value: Any, prior: Size) -> Any:
    """Log density (up to a constant) of log(value) under a log-normal prior."""
    return -0.5 * (np.log(value / prior.median) / prior.log_sd) ** 2


def draw_size(size: float, n: int, squares: float, prior: Size, rng: np.random.Generator) -> float:
    """Draw the standard deviation of n Normal effects with this sum of squares, by slice sampling.

    Slice sampling on the log with stepping out and shrinkage (Neal, Annals of Statistics 31,
    2003).
    """
    centre = math.log(prior.median)

    def log_density(x: float) -> float:
        off = (x - centre) / prior.log_sd
        return -n * x - 0.5 * squares * math.exp(-2 * x) - 0.5 * off * off

    return math.exp(slice_sample(math.log(size), log_density, 0.5, rng))


def slice_sample(
    x: float, log_density: Callable[[float], float], width: float, rng: np.random.Generator
) -> float:
    """Draw from a density on the line by slice sampling from the current point `x`."""
    level = log_density(x) + math.log(rng.random())
    low = x - width * rng.random()
    high = low + width
    while log_density(low) > level:
        low -= width
    while log_density(high) > level:
        high += width
    while True:
        new = low + (high - low) * rng.random()
        if log_density(new) > level:
            return new
        low, high = (new, high) if new < x else (low, new)
