"""The laps of each run summed up as one Normal observation of the run's pace.

A run has few laps and their delays are one-sided, so its likelihood is skewed: the most likely pace
is slower than the mean of what the laps leave possible, and thousands of runs taken at their most
likely pace make every car slower than it is. So each run's observation is the one that, joined with
what all other runs say about this run, gives the mean and the variance of the exact product
(expectation propagation: Minka, Uncertainty in Artificial Intelligence 17, 2001; Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, section 3.6).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from benchmark.model.noise import Noise
from benchmark.model.structure import Structure

# Where a run's integrals are taken, in standard deviations of its pace: wider than they need, so
# that a run can move far in one round.
NODES = np.linspace(-4.5, 4.5, 9)
LEAST_SPREAD = 0.1  # on the same scale: a narrower one falls between two nodes
# Before anything is known of a run: how far its quick laps may lie from its pace in log lap time,
# and how much of the mean delay a lap is off by, as a first guess of what the laps leave unknown.
START_SD, START_DELAY = 0.02, 0.5
LEAST_SHARE = 1e-3  # of the others' precision, that a run's laps are taken to have at least
BATCH = 1_000_000  # laps looked at together


@dataclass
class RunSites:
    """Normal observations of the runs' paces.

    Attributes
    ----------
    s : the runs and laps.
    precision, response : of each run: one over the variance, and the value observed, (runs,).
    """

    s: Structure
    precision: np.ndarray = field(init=False)
    response: np.ndarray = field(init=False)
    known: bool = field(init=False, default=False)

    def match(
        self, noise: Noise, error: np.ndarray, pace: np.ndarray, outing_sd: float, day_sd: float
    ) -> None:
        """Sum up the laps anew.

        Parameters
        ----------
        noise : of the laps.
        error : log time of each lap less its centre, in which its run's pace stands, (laps,).
        pace : of each run as fitted to these observations, outing included, (runs,).
        outing_sd, day_sd : standard deviations of an outing, and of a build's day.
        """
        others, variance = self._others(pace, outing_sd, day_sd)
        left = self._left(noise, variance)
        at = NODES[:, None] * left
        logs = np.stack([self._log_likelihood(noise, error, shift) for shift in at])
        logs -= 0.5 * (pace + at - others) ** 2 / variance
        weight = np.exp(logs - logs.max(axis=0))
        weight /= weight.sum(axis=0)
        mean = (weight * at).sum(axis=0)
        spread = np.maximum((weight * (at - mean) ** 2).sum(axis=0), (LEAST_SPREAD * left) ** 2)
        mean += pace
        precision = np.maximum(1 / spread - 1 / variance, LEAST_SHARE / variance)
        total = precision + 1 / variance
        self.response = (mean * total - others / variance) / precision
        self.precision, self.known = precision, True

    def _left(self, noise: Noise, variance: np.ndarray) -> np.ndarray:
        """Standard deviation of what is not known of each run's pace, to place the nodes by."""
        if self.known:
            return np.asarray(np.sqrt(1 / (1 / variance + self.precision)))
        s = self.s
        of_lap = noise.sigma**2 + s.laps.timing_var
        of_lap = of_lap + (START_DELAY * noise.tau[s.laps.driver]) ** 2
        total = np.bincount(s.run, of_lap, minlength=s.n_runs)
        return np.asarray(np.sqrt(total) / np.bincount(s.run, minlength=s.n_runs))

    def _others(
        self, pace: np.ndarray, outing_sd: float, day_sd: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mean and variance of each run's pace as all other runs tell it, (runs,).

        Its outing, and what the build's other runs that day do not tell of the day, are what is
        not known; effects that many runs share are known well beside these.
        """
        if not self.known:
            return pace, np.full(self.s.n_runs, START_SD**2)
        day = self.s.code["build_day"]
        told = 1 / (outing_sd**2 + 1 / self.precision)
        of_others = np.bincount(day, told)[day] - told
        variance = outing_sd**2 + 1 / (1 / day_sd**2 + of_others)
        return pace + variance * self.precision * (pace - self.response), variance

    def _log_likelihood(
        self, noise: Noise, error: np.ndarray, shift: np.ndarray | float
    ) -> np.ndarray:
        """Log likelihood of each run if its pace were slower by a shift, (runs,)."""
        s, out = self.s, np.zeros(self.s.n_runs)
        shift = np.broadcast_to(shift, s.n_runs)
        for batch in batches(len(error)):
            run = s.run[batch]
            logs = s.laps.part(batch).log_likelihood(error[batch] - shift[run], noise)
            out += np.bincount(run, logs, minlength=s.n_runs)
        return out


def batches(n: int) -> list[slice]:
    """Cut n laps into batches, so that what is made of them stays small."""
    return [slice(begin, begin + BATCH) for begin in range(0, n, BATCH)]
