"""Standard deviations of crossed groups by REML, from sparse cross products.

Average-information steps (Gilmour, Thompson and Cullis, Biometrics 51(4), 1995) on the logs of the
variance ratios; most fits take seven to ten factorisations. On a log scale a variance never
reaches nought, so one that has become negligible is put there if the criterion is no worse, and
nought is an ordinary point of the equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmark.model.sparse_cholesky import Elimination, Factor
from benchmark.model.sparse_equations import Equations

MOST_STEPS = 60
LONGEST = 3.0  # of one step, in log variance ratio
CLOSE = 1e-5  # a step this short, in log variance ratio, is not taken any more
FORGIVEN = 1e-13  # relative rise of the criterion along a step that rounding may explain
NEAR = 0.5  # after a step this short the curvature is corrected and no longer made anew
LEAST_MET = 0.05  # of the curvature expected: less is no sound measurement
NEGLIGIBLE = 1e-5  # of the noise's variance, added to the typical row: tried at nought
HALVINGS = 12

Progress = Callable[[int, float], None]


@dataclass(frozen=True)
class Reml:
    """A fit.

    Attributes
    ----------
    theta : standard deviation of each block over that of the noise.
    noise_sd : residual standard deviation.
    criterion : -2 times the restricted log likelihood with all constants.
    factor : the equations at the optimum.
    factorisations : how many it took.
    """

    theta: np.ndarray
    noise_sd: float
    criterion: float
    factor: Factor
    factorisations: int

    @property
    def sds(self) -> np.ndarray:
        """Standard deviation of each block."""
        return self.theta * self.noise_sd

    def effects(self) -> tuple[np.ndarray, np.ndarray]:
        """Effects of the eliminated columns, and of the rest in the order they were given."""
        return self.factor.coefficients()


@dataclass(frozen=True)
class _Point:
    """The criterion at one set of log variance ratios."""

    theta: np.ndarray
    value: float
    factor: Factor
    noise: float  # variance


class _Problem:
    """One fit at work."""

    def __init__(
        self, elimination: Elimination, noise_sd: float | None, size_priors: np.ndarray | None
    ) -> None:
        self.elimination, self.noise_sd, self.priors = elimination, noise_sd, size_priors
        equations = elimination.equations
        self.df = max(equations.n_rows - equations.n_fixed, 1.0)
        self.sizes = equations.sizes()
        self.factorisations = 0

    def at(self, theta: np.ndarray) -> _Point:
        """Evaluate the criterion at relative standard deviations."""
        factor = self.elimination.factor(theta)
        self.factorisations += 1
        noise = factor.residual / self.df if self.noise_sd is None else self.noise_sd**2
        value = factor.log_det + self.df * np.log(2 * np.pi * noise) + factor.residual / noise
        off = self._prior(theta)[0]
        return _Point(theta, float(value + off @ off), factor, float(noise))

    def _prior(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Distance from the prior's median, in its standard deviations, and these."""
        if self.priors is None:
            return np.zeros(len(theta)), np.full(len(theta), np.inf)
        median, log_sd = np.asarray(self.priors, dtype=float).T
        size = np.log(np.maximum(theta, 1e-12) * float(self.noise_sd or 1.0) / median)
        return size / log_sd, log_sd

    def slope(self, point: _Point) -> tuple[np.ndarray, np.ndarray]:
        """Gradient and average information of the criterion in log variance ratios."""
        e, equations = self.elimination, self.elimination.equations
        n = len(point.theta)
        first, rest = point.factor.effects
        squares = np.bincount(e.block + 1, rest**2, minlength=n + 1)[1:]
        squares[equations.first_block] += first @ first
        gradient = self.sizes - point.factor.traces() - squares / point.noise
        information = self._information(point, first, rest)
        if self.noise_sd is None:
            information -= np.outer(squares, squares) / point.factor.residual
        information /= point.noise
        # The logarithm bends: where a variance falls towards nought the slope is most of the
        # curvature, and steps by the average information alone would go far too far.
        information[np.diag_indices(n)] += np.maximum(gradient, 0.0)
        off, log_sd = self._prior(point.theta)
        gradient += off / log_sd
        information[np.diag_indices(n)] += 0.5 / log_sd**2
        return gradient, information

    def _information(self, point: _Point, first: np.ndarray, rest: np.ndarray) -> np.ndarray:
        """Products of what each block adds to the rows, after all columns have been fitted."""
        e, factor = self.elimination, point.factor
        n = len(point.theta)
        by_first = np.zeros((len(first), n))
        by_first[:, e.equations.first_block] = first * factor.own
        by_rest = np.zeros((len(rest) + 1, n))
        random = np.flatnonzero(e.block >= 0)
        effect = rest * factor.scale[:-1]
        by_rest[random, e.block[random]] = effect[random]
        # A parent's effect reaches the rows through its children.
        parent = e.links.parent
        by_rest[e.links.child, e.block[parent]] = effect[parent]
        by_rest[parent, e.block[parent]] = 0.0
        up, down = e.times(by_first, by_rest)
        total = by_first.T @ up + by_rest.T @ down
        scaled = (factor.scale[:, None] * down)[:-1]
        up, down = factor.forward(factor.own[:, None] * up, scaled)
        return np.asarray(total - up.T @ up - down.T @ down)

    def step_from(self, point: _Point, gradient: np.ndarray, information: np.ndarray) -> np.ndarray:
        """The average-information step in log variance ratios; nought where theta is nought."""
        free = point.theta > 0
        step = np.zeros(len(free))
        if free.any():
            part = information[np.ix_(free, free)]
            ridge = 1e-9 * np.diag(np.maximum(np.diag(part), 1e-12))
            step[free] = -np.linalg.solve(part + ridge, gradient[free])
        longest = float(np.abs(step).max(initial=0.0))
        return step * min(1.0, LONGEST / longest) if longest else step


def fit_reml(
    equations: Equations | Elimination,
    *,
    noise_sd: float | None = None,
    size_priors: np.ndarray | None = None,
    start: np.ndarray | None = None,
    close: float = CLOSE,
    progress: Progress | None = None,
) -> Reml:
    """Fit the standard deviations of all blocks.

    Parameters
    ----------
    equations : of the problem, or the plan of their factorisation.
    noise_sd : residual standard deviation where it is known.
    size_priors : median and standard deviation of the log of each block's standard deviation,
        (blocks, 2); needs `noise_sd`.
    start : relative standard deviations to begin with, such as those of the last fit.
    close : the fit ends when the next step, in log variance ratio, would be shorter.
    progress : called with the number of factorisations and the length of the last step.

    Raises
    ------
    numpy.linalg.LinAlgError
        The equations are not positive definite.
    """
    elimination = equations if isinstance(equations, Elimination) else Elimination(equations)
    problem = _Problem(elimination, noise_sd, size_priors)
    if start is None:
        start = np.asarray(size_priors)[:, 0] / noise_sd if size_priors is not None else None
    unit = _unit(elimination)
    point = problem.at(unit if start is None else np.asarray(start, dtype=float))
    curvature, before = np.zeros(0), (point.theta, np.zeros(len(point.theta)))
    longest = np.inf
    for _ in range(MOST_STEPS):
        gradient, information = problem.slope(point)
        if longest > NEAR:
            curvature = information
        else:
            # The average information of a block that the rows tell little of may be half of the
            # curvature: close to the optimum steps by it alone would swing about for long.
            free = point.theta > 0
            moved = np.zeros(len(free))
            moved[free] = 2 * np.log(point.theta[free] / before[0][free])
            curvature = _updated(curvature, moved, np.where(free, gradient - before[1], 0.0))
        before = (point.theta, gradient)
        step = problem.step_from(point, gradient, curvature)
        longest = float(np.abs(step).max(initial=0.0))
        if progress is not None:
            progress(problem.factorisations, longest)
        if longest < close:
            break
        point.factor.release()  # two at once would be twice the memory
        found = _along(problem, point, step)
        if found is None:
            point = problem.at(point.theta)
            break
        point = found
        if size_priors is None:
            point = _at_nought(problem, point, unit)
    noise = float(np.sqrt(point.noise))
    return Reml(point.theta, noise, point.value, point.factor, problem.factorisations)


def _updated(curvature: np.ndarray, step: np.ndarray, change: np.ndarray) -> np.ndarray:
    """Correct a curvature by how the gradient has changed along the last step.

    The formula of Broyden, Fletcher, Goldfarb and Shanno (Nocedal and Wright, Numerical
    Optimization, 2006, eq. 6.19).
    """
    expected = curvature @ step
    along, met = float(step @ expected), float(step @ change)
    if met <= LEAST_MET * along:
        return curvature
    return np.asarray(
        curvature - np.outer(expected, expected) / along + np.outer(change, change) / met
    )


def _along(problem: _Problem, point: _Point, step: np.ndarray) -> _Point | None:
    """Go along a step, or half of it and so on, until the criterion is lower."""
    for halving in range(HALVINGS):
        try:
            found = problem.at(point.theta * np.exp(step / 2 / 2**halving))
        except np.linalg.LinAlgError:
            continue
        if found.value <= point.value + FORGIVEN * abs(point.value) + 1e-7:
            return found
    return None


def _at_nought(problem: _Problem, point: _Point, unit: np.ndarray) -> _Point:
    """Put variances that have become negligible on nought where that is no worse."""
    small = (point.theta > 0) & ((point.theta / unit) ** 2 < NEGLIGIBLE)
    for k in np.flatnonzero(small):
        theta = point.theta.copy()
        theta[k] = 0.0
        found = problem.at(theta)
        if found.value <= point.value + 1e-7:
            point = found
    return point


def _unit(elimination: Elimination) -> np.ndarray:
    """Relative standard deviations at which each block adds to a row what the noise adds."""
    equations = elimination.equations
    block = np.append(elimination.block, -1)
    squares = np.bincount(block + 1, elimination.rest.diagonal(), minlength=equations.n_blocks + 1)
    squares = squares[1:]
    squares[equations.first_block] += equations.diagonal.sum()
    typical = np.sqrt(squares / equations.n_rows)
    return np.asarray(1 / np.where(typical > 0, typical, 1.0))
