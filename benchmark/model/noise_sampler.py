"""Updates of the noise with delays and the outing's effect integrated out.

Given all other effects, an outing's effect and its laps' delays are strongly tied to the size
of the noise; drawing one given the other would creep. So each outing's effect is represented by
a lattice of points spread evenly over its Normal distribution, of which the present effect is
one; the noise is updated against the sum over the lattice, and a point is drawn afterwards. The
lattice shifted at random makes this exact, not an approximation (it is a conditional importance
sampler: Andrieu, Doucet and Holenstein, Journal of the Royal Statistical Society B 72, 2010,
with the points of a randomly shifted lattice).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from benchmark.model.noise import (
    GROSS,
    SLOW,
    LapNoise,
    Noise,
    Split,
    draw_kind,
    draw_size,
    draw_split,
    log_size,
)
from benchmark.model.priors import Priors, Size

POINTS = 6
# How much of a change of a driver's mean delay is made up for by the opposite change of pace:
# what the laps know best is the mean of both.
MAKE_UP = 0.8
TARGET = 0.35  # acceptance that step lengths adapt to (Roberts and Rosenthal, 2001)
EDGE = 1e-12  # keeps the lattice off the ends of the Normal


@dataclass(frozen=True)
class Moved:
    """What an update of the noise changes besides it."""

    outing: np.ndarray  # each outing's effect
    outing_sd: float  # and their standard deviation
    driver_shift: np.ndarray  # to add to each driver's effect
    shift: float  # to add to every circuit's baseline


@dataclass(frozen=True)
class Others:
    """Effects that move together with the noise, and their standard deviations."""

    outing: np.ndarray
    outing_sd: float
    driver: np.ndarray
    driver_sd: float
    circuit: np.ndarray
    circuit_sd: float
    outing_sd_known: bool = False


class NoiseSampler:
    """Random-walk updates of the noise; step lengths adapt while `adapting`.

    `run` is the run of each lap, in ascending order.
    """

    def __init__(self, laps: LapNoise, run: np.ndarray, priors: Priors) -> None:
        self.laps, self.run = laps, run
        self.starts = np.searchsorted(run, np.arange(run[-1] + 1))
        self.run_driver = laps.driver[self.starts]
        self.sizes = priors.sizes
        self.shares = np.array(priors.shares)
        self.adapting = True
        self.steps = {"sigma": 0.1, "slow": 0.2, "gross": 0.2, "all": 0.1, "outing": 0.2}
        self.driver_steps = np.full(laps.n_drivers, 0.4)

    def update(
        self, noise: Noise, error: np.ndarray, others: Others, rng: np.random.Generator
    ) -> tuple[Noise, Split, Moved]:
        """Return new noise, a new split of each lap, and what moved with it.

        `error` is each lap's log time less its whole centre, the outing's effect included.
        """
        points = lattice(others.outing, others.outing_sd)
        around = (error + others.outing[self.run])[:, None] - points[self.run]
        fits = self._by_run(around, noise)
        noise, fits = self._sigma(noise, around, fits, rng)
        outing_sd = others.outing_sd
        if not others.outing_sd_known:
            outing_sd, points, around, fits = self._outing_sd(
                outing_sd, noise, points, around, fits, rng
            )
        noise, around, fits, driver_shift = self._drivers(noise, around, fits, others, rng)
        noise, around, fits, shift = self._together(noise, around, fits, others, rng)
        error, outing = self._choose(points, around, fits, rng)
        noise = self._population(noise, rng)
        kind = draw_kind(self.laps.log_densities(error, noise), rng)
        # Before the delays are drawn, which depend on these sizes.
        noise = self._rare(noise, error, kind, rng)
        split = draw_split(self.laps, error, noise, kind, rng)
        return noise, split, Moved(outing, outing_sd, driver_shift, shift)

    def redraw(
        self,
        noise: Noise,
        error: np.ndarray,
        level: np.ndarray,
        values: np.ndarray,
        sd: float,
        rng: np.random.Generator,
    ) -> np.ndarray:
        """Draw a group's effects anew with the laps' delays integrated out; return the changes.

        `level` is the level of each run. Where a level has few laps, whether they were slow or
        the level is, is a question with two answers that a draw given the delays cannot leave.
        """
        change = lattice(values, sd) - values[:, None]
        fits = self._by_run(error[:, None] - change[level][self.run], noise)
        by_level = np.zeros(change.shape)
        np.add.at(by_level, level, fits)
        chosen = np.argmax(by_level + rng.gumbel(size=change.shape), axis=1)
        return np.asarray(change[np.arange(len(change)), chosen])

    def split_only(
        self, noise: Noise, error: np.ndarray, others: Others, rng: np.random.Generator
    ) -> tuple[Split, np.ndarray]:
        """Return a new split of each lap and new outings' effects, the noise being known."""
        points = lattice(others.outing, others.outing_sd)
        around = (error + others.outing[self.run])[:, None] - points[self.run]
        error, outing = self._choose(points, around, self._by_run(around, noise), rng)
        kind = draw_kind(self.laps.log_densities(error, noise), rng)
        return draw_split(self.laps, error, noise, kind, rng), outing

    def _choose(
        self, points: np.ndarray, around: np.ndarray, fits: np.ndarray, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """Draw a point of each run's lattice; return the laps' errors and the outings' effects."""
        chosen = np.argmax(fits + rng.gumbel(size=fits.shape), axis=1)
        error = around[np.arange(len(around)), chosen[self.run]]
        return error, points[np.arange(len(points)), chosen]

    def _by_run(self, around: np.ndarray, noise: Noise) -> np.ndarray:
        """Log likelihood of each run at each point, shape (runs, points)."""
        laps = self.laps.log_likelihood(around, noise)
        return np.asarray(np.add.reduceat(laps, self.starts, axis=0))

    def _accept(self, gain: float, name: str, rng: np.random.Generator) -> bool:
        accepted = bool(np.log(rng.random()) < gain)
        if self.adapting:
            self.steps[name] *= float(np.exp(0.1 * (accepted - TARGET)))
        return accepted

    def _sigma(
        self, noise: Noise, around: np.ndarray, fits: np.ndarray, rng: np.random.Generator
    ) -> tuple[Noise, np.ndarray]:
        """Update the spread of clean laps, outings' effects integrated out."""
        new = noise.sigma * float(np.exp(self.steps["sigma"] * rng.standard_normal()))
        proposal = replace(noise, sigma=new)
        there = self._by_run(around, proposal)
        prior = self.sizes["sigma"]
        gain = _total(there) - _total(fits) + log_size(new, prior) - log_size(noise.sigma, prior)
        return (proposal, there) if self._accept(float(gain), "sigma", rng) else (noise, fits)

    def _outing_sd(
        self,
        sd: float,
        noise: Noise,
        points: np.ndarray,
        around: np.ndarray,
        fits: np.ndarray,
        rng: np.random.Generator,
    ) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
        """Update the outings' standard deviation; the lattice stretches with it."""
        factor = float(np.exp(self.steps["outing"] * rng.standard_normal()))
        moved = around - (factor - 1) * points[self.run]
        there = self._by_run(moved, noise)
        prior = self.sizes["outing"]
        gain = _total(there) - _total(fits) + log_size(sd * factor, prior) - log_size(sd, prior)
        if self._accept(float(gain), "outing", rng):
            return sd * factor, points * factor, moved, there
        return sd, points, around, fits

    def _drivers(
        self,
        noise: Noise,
        around: np.ndarray,
        fits: np.ndarray,
        others: Others,
        rng: np.random.Generator,
    ) -> tuple[Noise, np.ndarray, np.ndarray, np.ndarray]:
        """Update every driver's delay scale and pace together; drivers are independent."""
        n = self.laps.n_drivers
        new = noise.tau * np.exp(self.driver_steps * rng.standard_normal(n))
        wobble = 0.3 * noise.sigma * rng.standard_normal(n)
        shift = wobble - MAKE_UP * (new - noise.tau)
        moved = around - shift[self.laps.driver][:, None]
        there = self._by_run(moved, replace(noise, tau=new))
        per_run = _over_points(there) - _over_points(fits)
        gain = np.bincount(self.run_driver, per_run, minlength=n)
        prior = Size(noise.tau_centre, noise.tau_spread, "")
        gain += log_size(new, prior) - log_size(noise.tau, prior)
        gain -= ((others.driver + shift) ** 2 - others.driver**2) / (2 * others.driver_sd**2)
        yes = np.log(rng.random(n)) < gain
        if self.adapting:
            self.driver_steps *= np.exp(0.1 * (yes - TARGET))
        noise = replace(noise, tau=np.where(yes, new, noise.tau))
        around = np.where(yes[self.laps.driver][:, None], moved, around)
        fits = np.where(yes[self.run_driver][:, None], there, fits)
        return noise, around, fits, np.where(yes, shift, 0.0)

    def _together(
        self,
        noise: Noise,
        around: np.ndarray,
        fits: np.ndarray,
        others: Others,
        rng: np.random.Generator,
    ) -> tuple[Noise, np.ndarray, np.ndarray, float]:
        """Update all drivers' delay scales by one factor and every baseline to make up for it."""
        factor = float(np.exp(self.steps["all"] * rng.standard_normal()))
        shift = -MAKE_UP * float(noise.tau.mean()) * (factor - 1)
        proposal = replace(noise, tau=noise.tau * factor, tau_centre=noise.tau_centre * factor)
        moved = around - shift
        there = self._by_run(moved, proposal)
        prior = self.sizes["delay"]
        gain = _total(there) - _total(fits)
        gain += log_size(proposal.tau_centre, prior) - log_size(noise.tau_centre, prior)
        circuit = others.circuit
        gain -= ((circuit + shift) ** 2 - circuit**2).sum() / (2 * others.circuit_sd**2)
        if self._accept(float(gain), "all", rng):
            return proposal, moved, there, shift
        return noise, around, fits, 0.0

    def _rare(
        self, noise: Noise, error: np.ndarray, kind: np.ndarray, rng: np.random.Generator
    ) -> Noise:
        """Update the shares, and the sizes of slow laps and gross errors, given the kinds."""
        counts = np.bincount(kind, minlength=3)
        noise = replace(noise, shares=rng.dirichlet(self.shares + counts))
        for name, number in (("slow", SLOW), ("gross", GROSS)):
            which = kind == number
            old = float(getattr(noise, name))
            new = old * float(np.exp(self.steps[name] * rng.standard_normal()))
            proposal = replace(noise, **{name: new})  # type: ignore[arg-type]
            gain = log_size(new, self.sizes[name]) - log_size(old, self.sizes[name])
            if which.any():
                laps = LapNoise(
                    self.laps.timing_var[which], self.laps.driver[which], self.laps.n_drivers
                )
                there = laps.log_densities(error[which], proposal)[number]
                gain += (there - laps.log_densities(error[which], noise)[number]).sum()
            if self._accept(float(gain), name, rng):
                noise = proposal
        return noise

    def _population(self, noise: Noise, rng: np.random.Generator) -> Noise:
        """Update the centre and the spread of the drivers' delay scales."""
        log_tau = np.log(noise.tau)
        prior = self.sizes["delay"]
        precision = len(log_tau) / noise.tau_spread**2 + 1 / prior.log_sd**2
        mean = (
            log_tau.sum() / noise.tau_spread**2 + np.log(prior.median) / prior.log_sd**2
        ) / precision
        centre = mean + rng.standard_normal() / np.sqrt(precision)
        squares = float(((log_tau - centre) ** 2).sum())
        spread = draw_size(noise.tau_spread, len(log_tau), squares, self.sizes["delay_spread"], rng)
        return replace(noise, tau_centre=float(np.exp(centre)), tau_spread=spread)


def lattice(value: np.ndarray, sd: float) -> np.ndarray:
    """Spread `POINTS` points evenly over Normal(0, sd²) so that the first is `value`.

    Shape (values, points). Evenly means at equal steps of probability, wrapped around.
    """
    steps = np.arange(POINTS) / POINTS
    place = (ndtr(value / sd)[:, None] + steps) % 1.0
    points = sd * ndtri(np.clip(place, EDGE, 1 - EDGE))
    points[:, 0] = value
    return points


def _over_points(fits: np.ndarray) -> np.ndarray:
    """Log of the sum over each run's points, shape (runs,)."""
    most = fits.max(axis=1)
    return np.asarray(most + np.log(np.exp(fits - most[:, None]).sum(axis=1)))


def _total(fits: np.ndarray) -> float:
    """Log likelihood of all runs, each summed over its points (up to a constant)."""
    return float(_over_points(fits).sum())
