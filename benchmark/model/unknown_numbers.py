"""Numbers that nobody recorded: air density, track temperature, heat cycles, treadwear.

Each is a Normal unknown of a session, a run or a set of tyres, updated given the effects, so that
what is not known widens the answer instead of dropping the lap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from benchmark.model.design import NUMBER_COLUMNS, softness
from benchmark.model.structure import Structure
from benchmark.model.unknown import Residuals, State

TARGET = 0.35  # acceptance that step lengths adapt to (Roberts and Rosenthal, 2001)
# Where no heat cycles were recorded at all: about 3, within a factor of two. Our choice.
LOG_CYCLES, LOG_CYCLES_SD = np.log(3.5), 0.7
SHARED_CYCLES = 0.6  # share of that variance that all runs of one car have in common
ENOUGH_CYCLES = 10  # recorded outings, to say what is usual in this store; our choice
MOST_CYCLES = 25.0  # a set's life, unless more were recorded; common practice, no published source
TREADWEAR_SD = 0.15  # of log grade within a category; common practice, no published source


@dataclass(frozen=True)
class MakeUp:
    """A group whose effects make up for a change of a missing number; `values` change in place.

    What many laps know is the sum of both, so moving one alone would creep.
    """

    code: np.ndarray
    values: np.ndarray
    sd: float


class MissingNumber:
    """A Normal unknown shared by the runs of each unit, and the fact that it sets.

    `latent` has one value a run, from which the fact is made; where two unknowns add up to one
    fact, both write to the same. New values are proposed autoregressively about the prior, which
    leaves the prior unchanged (Neal, 1999, "Regression and classification using Gaussian process
    priors", eq. 15); each unit's step adapts while `adapting`.
    """

    def __init__(
        self,
        name: str,
        unit: np.ndarray,
        mean: np.ndarray,
        sd: np.ndarray,
        unit_names: list[tuple[str, ...]],
        latent: np.ndarray,
        to_fact: Callable[[np.ndarray], np.ndarray] = np.asarray,
        makes_up: str | None = None,
        above: MissingNumber | None = None,
    ) -> None:
        self.name, self.unit_names = name, unit_names
        self.columns, self.make = NUMBER_COLUMNS[name]
        self.makes_up = makes_up  # the group of which each unit is one level
        self.above = above  # what groups of these units have in common, one unit a run here
        self.rows = np.flatnonzero(unit >= 0)
        self.unit = unit[self.rows]
        self.mean, self.sd = mean, sd
        self.value = mean.copy()
        self.latent = latent
        self.latent[self.rows] += mean[self.unit]
        self.to_fact = to_fact
        self.adapting = True
        self.steps = {made_up: np.full(len(mean), 0.5) for made_up in (False, True)}

    def fact(self, state: State) -> np.ndarray:
        """Give the fact of each unit as it is now (of its first run)."""
        _, first = np.unique(self.unit, return_index=True)
        return np.asarray(getattr(state.facts, self.name)[self.rows[first]])

    def start(self, state: State) -> None:
        """Put the prior's centre where the fact is missing."""
        getattr(state.facts, self.name)[self.rows] = self.to_fact(self.latent[self.rows])
        self.facts = state.facts.take(self.rows)
        self.soft = softness(self.facts.tyre)

    def update(
        self,
        state: State,
        effect: np.ndarray,
        left: Residuals,
        rng: np.random.Generator,
        make_up: MakeUp | None = None,
    ) -> Residuals:
        """Propose a new value for every unit at once and keep those that the laps accept."""
        step = self.steps[make_up is not None]
        proposal = self._propose(state, step, rng)
        change = proposal.columns - state.features[self.rows, self.columns]
        shift = np.zeros(len(left.sum))
        shift[self.rows] = change @ effect[self.columns]
        if make_up is None:
            worth = left.gain(shift)[self.rows]
            accepted = self._accept(np.bincount(self.unit, worth, len(self.value)), step, rng)
            shift[self.rows] *= accepted[self.unit]
        else:
            shift, accepted = self._made_up(make_up, shift, left, rng)
        self._keep(state, proposal, accepted)
        if self.above is not None:
            self._share(self.above, rng)
        return left.shifted(shift)

    def _propose(self, state: State, step: np.ndarray, rng: np.random.Generator) -> _Proposal:
        noise = step * self.sd * rng.standard_normal(len(step))
        value = self.mean + np.sqrt(1 - step**2) * (self.value - self.mean) + noise
        latent = self.latent[self.rows] + (value - self.value)[self.unit]
        fact = self.to_fact(latent)
        natural = state.facts.natural[self.rows]  # may be unknown itself
        facts = replace(self.facts, natural=natural, **{self.name: fact})
        return _Proposal(value, latent, fact, self.make(facts, self.soft))

    def _accept(self, gain: np.ndarray, step: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        accepted = np.log(rng.random(len(gain))) < gain
        if self.adapting:
            np.minimum(step * np.exp(0.1 * (accepted - TARGET)), 1.0, out=step)
        return np.asarray(accepted)

    def _keep(self, state: State, proposal: _Proposal, accepted: np.ndarray) -> None:
        self.value = np.where(accepted, proposal.value, self.value)
        keep = accepted[self.unit]
        rows = self.rows[keep]
        self.latent[rows] = proposal.latent[keep]
        getattr(state.facts, self.name)[rows] = proposal.fact[keep]
        state.features[rows, self.columns] = proposal.columns[keep]

    def _share(self, above: MissingNumber, rng: np.random.Generator) -> None:
        """Draw anew what groups of units have in common, the facts staying as they are.

        Without it a group creeps: its common part can then move no further than all its units
        accept at once.
        """
        total = self.value + above.value[above.unit]
        precision = 1 / above.sd**2 + np.bincount(above.unit, 1 / self.sd**2)
        mean = np.bincount(above.unit, total / self.sd**2) / precision
        above.value = mean + rng.standard_normal(len(mean)) / np.sqrt(precision)
        self.value = total - above.value[above.unit]

    def _made_up(
        self, make_up: MakeUp, shift: np.ndarray, left: Residuals, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """Let the group take back the mean shift of its runs; return the shift and what is kept.

        The group's effects change in place.
        """
        size = len(make_up.values)
        level = np.zeros(len(self.value), dtype=np.int64)
        level[self.unit] = make_up.code[self.rows]
        total = np.bincount(make_up.code, left.weight * shift, size)
        weight = np.bincount(make_up.code, left.weight, size)
        back = -total / np.maximum(weight, 1e-300)
        shift = shift + back[make_up.code]
        old, new = make_up.values[level], (make_up.values + back)[level]
        gain = np.bincount(make_up.code, left.gain(shift), size)[level]
        prior = (old**2 - new**2) / (2 * make_up.sd**2)
        accepted = self._accept(gain + prior, self.steps[True], rng)
        moved = np.zeros(size, dtype=bool)
        moved[level] = accepted
        np.add(make_up.values, back, out=make_up.values, where=moved)
        return np.where(moved[make_up.code], shift, 0.0), accepted


@dataclass(frozen=True)
class _Proposal:
    """New values of all units, and what they make of the runs' latents, facts and features."""

    value: np.ndarray
    latent: np.ndarray
    fact: np.ndarray
    columns: np.ndarray


def missing_numbers(s: Structure) -> list[MissingNumber]:
    """List the numbers that are missing in this structure, with their priors."""
    weather = [_missing_weather(s, name) for name in ("log_density", "track_c")]
    found = (*weather, *_missing_cycles(s), _missing_treadwear(s))
    return [number for number in found if len(number.rows)]


def _missing_weather(s: Structure, name: str) -> MissingNumber:
    """One unknown a session, centred on what the day or the circuit tells (`model.weather`)."""
    sd = s.runs[f"{name}_sd"].to_numpy()
    unit, first = _units(s.code["session"], sd > 0)
    names = [s.levels["session"][k] for k in s.code["session"][first]]
    centre = getattr(s.facts, name)[first]
    latent = np.zeros(s.n_runs)
    return MissingNumber(name, unit, centre, sd[first], names, latent, makes_up="session")


def _missing_cycles(s: Structure) -> list[MissingNumber]:
    """Unknowns of log heat cycles plus a half: one a build, and one an outing on top.

    A build whose cycles nobody wrote down lacks them on all its runs, and they are old or fresh
    together; that is the first. Within the season a set ages and is replaced; the second.
    """
    cycles = s.facts.cycles
    missing = np.isnan(cycles)
    known = np.log(cycles[~missing] + 0.5)
    many = len(known) >= ENOUGH_CYCLES
    mean = float(known.mean()) if many else LOG_CYCLES
    spread = max(float(known.std()), 0.3) if many else LOG_CYCLES_SD
    shared, first_of_set = _units(s.code["build"], missing)
    own, first = _units(np.arange(s.n_runs), missing)
    latent = np.full(s.n_runs, mean)
    most = max(MOST_CYCLES, float(np.max(cycles[~missing], initial=0.0)))
    to_fact = partial(_cycles, most)
    share = np.full(len(first_of_set), np.sqrt(SHARED_CYCLES) * spread)
    rest = np.full(len(first), np.sqrt(1 - SHARED_CYCLES) * spread)
    names: list[tuple[str, ...]] = [(str(k),) for k in first]
    none = np.zeros(len(share))
    of_build = MissingNumber("cycles", shared, none, share, [], latent, to_fact, "build")
    zero = np.zeros(len(first))
    of_run = MissingNumber("cycles", own, zero, rest, names, latent, to_fact, above=of_build)
    return [of_run, of_build]


def _cycles(most: float, log_value: np.ndarray) -> np.ndarray:
    return np.clip(np.exp(log_value) - 0.5, 0.0, most)


def _missing_treadwear(s: Structure) -> MissingNumber:
    """One unknown a build and tyre category: log grade over the category's usual one."""
    sets = s.runs["build"] + chr(31) + s.runs["tyre_category"]
    unit, first = _units(pd.factorize(sets)[0], np.isnan(s.facts.log_treadwear))
    names = [tuple(text.split(chr(31))) for text in sets.iloc[first]]
    sd = np.full(len(first), TREADWEAR_SD)
    centre, latent = np.zeros(len(first)), np.zeros(s.n_runs)
    return MissingNumber("log_treadwear", unit, centre, sd, names, latent)


def _units(group: np.ndarray, missing: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number the groups of the missing rows; -1 elsewhere. Return also a row of each."""
    unit = np.full(len(group), -1)
    unit[missing], _ = pd.factorize(group[missing])
    _, first = np.unique(unit[missing], return_index=True)
    return unit, np.flatnonzero(missing)[first]
