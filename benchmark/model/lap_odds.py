"""How likely a lap is, so far from the centre of clean laps, under each posterior draw.

The same noise as `model.noise`, for one driver and with the draws along the first axis: the
density of a lap, the chance that a clean lap is this quick, and both for the best of several.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr, logsumexp

from benchmark.model.noise import log_normal, log_normal_delay

if TYPE_CHECKING:
    from benchmark.model.fit import Fit


@dataclass(frozen=True)
class LapOdds:
    """The noise of one driver's laps: sizes in log lap time (draws, 1), and shares (draws, 3)."""

    sigma: np.ndarray
    tau: np.ndarray
    slow: np.ndarray
    gross: np.ndarray
    shares: np.ndarray

    def log_density(self, error: np.ndarray, timing_var: float) -> np.ndarray:
        """Log density of a lap at this distance from the centre.

        Parameters
        ----------
        error : log lap time less the centre, shape (draws, n).
        timing_var : squared standard uncertainty of the lap over the lap time. [-]

        Returns
        -------
        Shape as `error`.
        """
        sd = np.sqrt(self.sigma**2 + timing_var)
        return self._mixed(
            log_normal_delay(error, sd, self.tau),
            log_normal_delay(error, sd, self.slow),
            log_normal(error, np.hypot(sd, self.gross)),
        )

    def log_above(self, error: np.ndarray, timing_var: float) -> np.ndarray:
        """Log chance that a clean lap is slower than this; gross errors are left out."""
        sd = np.sqrt(self.sigma**2 + timing_var)
        return _log_above(error, sd, self.tau)

    def p_best_within(self, error: np.ndarray, timing_var: float, laps: int) -> np.ndarray:
        """Chance that the best of so many clean laps is at or below this distance.

        Shape as `error`, (draws, n); all about the same centre.
        """
        return np.asarray(-np.expm1(laps * self.log_above(error, timing_var)))

    def _mixed(self, *kinds: np.ndarray) -> np.ndarray:
        """Add the three kinds up by their shares, in logs."""
        shares = np.log(self.shares)
        weighed = [shares[:, [k]] + kind for k, kind in enumerate(kinds)]
        return np.asarray(logsumexp(weighed, axis=0))


def lap_odds(fit: Fit, driver: str | None) -> LapOdds:
    """Return the noise of a driver's laps; one whom the fit has never seen is one of the crowd."""
    noise = {k: v.astype(float) for k, v in fit.posterior.noise.items() if k != "tau"}
    number = fit.level_numbers["driver"].get((str(driver),))
    if number is not None:
        tau = fit.posterior.noise["tau"][:, number].astype(float)
    else:
        one = np.random.default_rng(fit.seed).standard_normal(fit.draws)
        tau = noise["tau_centre"] * np.exp(noise["tau_spread"] * one)
    sigma, slow, gross = (noise[name][:, None] for name in ("sigma", "slow", "gross"))
    return LapOdds(sigma, tau[:, None], slow, gross, noise["shares"])


def _log_above(error: np.ndarray, sd: np.ndarray, tau: np.ndarray) -> np.ndarray:
    """Log chance that a Normal(0, sd²) plus an Exponential with mean tau is above `error`.

    1 - F(e) = Phi(-e/sd) + exp(sd²/(2 tau²) - e/tau) Phi(e/sd - sd/tau): Grushka, Analytical
    Chemistry 44 (1972) 1733, the exponentially modified Gaussian (reference from memory).
    """
    ratio = sd / tau
    tail = 0.5 * ratio**2 - error / tau + log_ndtr(error / sd - ratio)
    return np.asarray(np.minimum(np.logaddexp(log_ndtr(-error / sd), tail), 0.0))
