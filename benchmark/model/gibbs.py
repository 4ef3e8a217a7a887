"""The full mode: everything integrated by Gibbs sampling.

One sweep draws, each given all the rest: the noise (with delays integrated out), the kind and
the delay of every lap, the standard deviation of every group (twice, once with the effects
held and once with the standardised effects held, which mixes well whether a group is well or
poorly known: Yu and Meng, Journal of Computational and Graphical Statistics 20, 2011), all
effects at once, and the facts that nobody recorded.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from benchmark.model.design import (
    AREA_SLOPES,
    COLUMN,
    STEPS,
    effect_priors,
    lap_features,
    run_features,
    softness,
)
from benchmark.model.effects import Effects, EffectSolver
from benchmark.model.noise import (
    Noise,
    Split,
    draw_size,
    expected_split,
    slice_sample,
)
from benchmark.model.noise_sampler import NoiseSampler, Others
from benchmark.model.priors import Priors, Size
from benchmark.model.structure import JOINT, Structure
from benchmark.model.unknown import (
    MissingDriverLevel,
    MissingInduction,
    MissingModification,
    Residuals,
    State,
)
from benchmark.model.unknown_numbers import MakeUp, missing_numbers

SD_GROUPS = ("area", "step", *(g for g in JOINT if g != "circuit"), "build_day", "outing")
START_SWEEPS = 30
ROUNDS = 2  # of effects, deviations and missing facts to one of the noise, which costs most
MADE_UP = 2  # moves of a missing fact together with the group that makes up for it
FEW_LAPS = ("driver_circuit", "build_day")  # groups whose levels often have only a few laps
AREA_COLUMNS = np.array([COLUMN[name] for name in AREA_SLOPES])
STEP_COLUMNS = np.array([COLUMN[name] for name in STEPS])


@dataclass(frozen=True)
class Known:
    """What an oracle is told: standard deviations by group and noise, held fixed."""

    sd: Mapping[str, float] = field(default_factory=dict)
    noise: Noise | None = None


@dataclass
class Sweep:
    """The sampler's state after a sweep."""

    effects: Effects
    sd: dict[str, float]
    noise: Noise


class Gibbs:
    """A chain of draws for one structure.

    `known` fixes standard deviations and noise (for studies). The chain starts at `effects`, or
    finds a robust start, which solves a dense system in the number of effects.
    """

    def __init__(
        self,
        s: Structure,
        priors: Priors,
        rng: np.random.Generator,
        known: Known | None = None,
        effects: Effects | None = None,
    ) -> None:
        self.s, self.priors, self.rng = s, priors, rng
        self.known = known or Known()
        soft = softness(s.facts.tyre)
        self.solver = EffectSolver(s, lap_features(s.lap, soft[s.run]))
        self.numbers = missing_numbers(s)
        self.driver_level = MissingDriverLevel(s)
        self.induction = MissingInduction(s)
        self.modification = MissingModification(s)
        self.state = self._start_facts()
        self.centre, self.width, self.kind = effect_priors(priors)
        self.sampler = NoiseSampler(s.laps, s.run, priors)
        sd = {g: priors.sizes[g].median for g in SD_GROUPS}
        sd.update(self.known.sd)
        noise = self.known.noise or Noise.at_prior(priors, s.laps.n_drivers)
        self.now = Sweep(effects or self._robust_start(sd, noise), sd, noise)

    def _start_facts(self) -> State:
        """Fill in what is missing by its most likely value."""
        facts = self.s.facts.take(np.arange(self.s.n_runs))
        for number in self.numbers:
            number.start(State(facts, np.empty(0)))
        facts.driver_level[facts.driver_level < 0] = 1
        facts.natural[np.isnan(facts.natural)] = 1.0
        facts.levels[facts.levels < 0] = 0
        state = State(facts, run_features(facts))
        for unknown in (self.driver_level, self.induction, self.modification):
            unknown.write(state)
        return state

    def _robust_start(self, sd: dict[str, float], noise: Noise) -> Effects:
        """Find the effects by expectation and maximisation from each run's quick laps."""
        s = self.s
        error = s.log_time - s.quick_laps()[s.run]
        effects = None
        for _ in range(START_SWEEPS):
            split = expected_split(s.laps, error, noise)
            effects = self._solve(split, sd, None)
            error = s.log_time - self.fitted(effects)
        assert effects is not None  # noqa: S101 - START_SWEEPS is positive
        return effects

    def _solve(
        self, split: Split, sd: dict[str, float], rng: np.random.Generator | None
    ) -> Effects:
        """Draw (or solve for) the effects given the split of the laps."""
        sums = self.solver.sums(split.weight, self.s.log_time - split.delay)
        mean, precision = self._prior(sd)
        return self.solver.solve(sums, self.state.features, mean, precision, sd, rng)

    def _prior(self, sd: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
        """Prior mean and precision of joint groups, run features and lap features."""
        groups = np.empty(self.solver.n_joint)
        for group in JOINT:
            width = self.priors.effects["circuit"].width if group == "circuit" else sd[group]
            groups[self.solver.slices[group]] = 1 / width**2
        widths = np.where(
            self.kind == 1, sd["area"], np.where(self.kind == 2, sd["step"], self.width)
        )
        mean = np.concatenate([np.zeros(len(groups)), self.centre])
        return mean, np.concatenate([groups, 1 / widths**2])

    def fitted(self, effects: Effects) -> np.ndarray:
        """Centre of every lap, shape (laps,)."""
        s = self.s
        return np.asarray(self._run_centre(effects)[s.run] + self.solver.lap_columns @ effects.lap)

    def _run_centre(self, effects: Effects) -> np.ndarray:
        """Centre of every run at its reference lap."""
        return np.asarray(
            self.solver.group_sum(effects.joint)
            + self.state.features @ effects.run
            + effects.build_day[self.s.code["build_day"]]
            + effects.outing
        )

    def settle(self) -> None:
        """End the adaptation of step lengths: from here on the draws count."""
        self.sampler.adapting = False
        for number in self.numbers:
            number.adapting = False

    def sweep(self) -> Sweep:
        """Advance the chain by one sweep and return the new state."""
        now, s = self.now, self.s
        error = s.log_time - self.fitted(now.effects)
        effects, sd = now.effects, dict(now.sd)
        noise, split = self._noise(now.noise, error, effects, sd)
        for _ in range(ROUNDS):
            left = self._missing(effects, sd, self._left(effects, split))
            self._deviations(effects, sd, left)
            effects = self._solve(split, sd, self.rng)
        self.now = Sweep(effects, sd, noise)
        return self.now

    def _left(self, effects: Effects, split: Split) -> Residuals:
        """What the effects and the delays leave of each run's laps."""
        s = self.s
        weighted = split.weight * (s.log_time - self.fitted(effects) - split.delay)
        return Residuals(
            np.bincount(s.run, weighted, minlength=s.n_runs),
            np.bincount(s.run, split.weight, minlength=s.n_runs),
        )

    def _noise(
        self, noise: Noise, error: np.ndarray, effects: Effects, sd: dict[str, float]
    ) -> tuple[Noise, Split]:
        """Draw noise and split; effects that move with the noise are changed in place.

        An oracle's noise stays as it was told.
        """
        for group in FEW_LAPS:
            values, level = self._group(group, effects)[0], self.s.code[group]
            change = self.sampler.redraw(noise, error, level, values, sd[group], self.rng)
            values += change
            error = error - change[level][self.s.run]
        slices = self.solver.slices
        driver = effects.joint[slices["driver"]]
        told = "outing" in self.known.sd
        circuit, width = effects.joint[slices["circuit"]], self.priors.effects["circuit"].width
        others = Others(effects.outing, sd["outing"], driver, sd["driver"], circuit, width, told)
        if self.known.noise is not None:
            split, effects.outing = self.sampler.split_only(noise, error, others, self.rng)
            return noise, split
        noise, split, moved = self.sampler.update(noise, error, others, self.rng)
        effects.outing = moved.outing
        sd["outing"] = moved.outing_sd
        driver += moved.driver_shift
        effects.joint[slices["circuit"]] += moved.shift
        return noise, split

    def _missing(self, effects: Effects, sd: dict[str, float], left: Residuals) -> Residuals:
        """Draw the facts that nobody recorded; `effects` are changed in place.

        What an outing's laps know is the sum of its facts' worth and its own effect, so that
        effect is integrated out meanwhile and drawn again afterwards.
        """
        mean = left.sum / left.weight + effects.outing
        open_weight = 1 / (1 / left.weight + sd["outing"] ** 2)
        free = Residuals(open_weight * mean, open_weight)
        for number in self.numbers:
            free = number.update(self.state, effects.run, free, self.rng)
            if number.makes_up is not None:
                group = number.makes_up
                values = self._group(group, effects)[0]
                with_it = MakeUp(self.s.code[group], values, sd[group])
                for _ in range(MADE_UP):
                    free = number.update(self.state, effects.run, free, self.rng, with_it)
        free = self.induction.update(self.state, effects.run, free, self.rng)
        slices = self.solver.slices
        driver = effects.joint[slices["driver"]]
        self.driver_level.update(self.state, effects.run, driver, sd["driver"], self.rng)
        build, spec = effects.joint[slices["build"]], effects.joint[slices["build_spec"]]
        self.modification.update(self.state, effects.run, build, spec, sd, self.rng)
        mean = free.sum / open_weight
        precision = left.weight + 1 / sd["outing"] ** 2
        wobble = self.rng.standard_normal(len(mean)) / np.sqrt(precision)
        effects.outing = left.weight * mean / precision + wobble
        return Residuals(left.weight * (mean - effects.outing), left.weight)

    def _deviations(self, effects: Effects, sd: dict[str, float], left: Residuals) -> None:
        """Draw every standard deviation, first given the effects, then given their z-scores."""
        rest = left.sum
        for group in SD_GROUPS:
            if group in self.known.sd:
                continue
            values, per_run = self._group(group, effects)
            prior = self.priors.sizes[group]
            old = draw_size(sd[group], len(values), float(values @ values), prior, self.rng)
            # Given z-scores, the deviation is a regression coefficient of each run's z-score.
            z = per_run / old
            partial = rest + left.weight * per_run
            a, b = float(left.weight @ z**2), float(z @ partial)

            def log_density(x: float, a: float = a, b: float = b, prior: Size = prior) -> float:
                size = math.exp(x)
                off = (x - math.log(prior.median)) / prior.log_sd
                return size * b - 0.5 * size * size * a - 0.5 * off * off

            new = math.exp(slice_sample(math.log(old), log_density, 0.5, self.rng))
            sd[group] = new
            rest = partial - left.weight * z * new
            values *= new / old

    def _group(self, group: str, effects: Effects) -> tuple[np.ndarray, np.ndarray]:
        """Return a view of a group's effects, and each run's share of them."""
        if group in ("area", "step"):
            columns = AREA_COLUMNS if group == "area" else STEP_COLUMNS
            block = slice(int(columns[0]), int(columns[-1]) + 1)
            values = effects.run[block]
            return values, self.state.features[:, block] @ values
        if group in ("build_day", "outing"):
            values = getattr(effects, group)
        else:
            values = effects.joint[self.solver.slices[group]]
        code = self.s.code[group]
        if not len(values):
            return values, np.zeros(self.s.n_runs)
        return values, np.where(code >= 0, values[code], 0.0)
