"""Facts that nobody recorded, estimated together with everything else.

A missing number (air density, track temperature, heat cycles, treadwear) is a Normal unknown of
a session, an outing or a set of tyres; a missing class (driver level, induction, modification
level) is one of a few values. Each is updated given the effects, so that what is not known
widens the answer instead of dropping the lap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from benchmark.model.design import COLUMN, Facts, run_features
from benchmark.model.structure import Structure
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, LEVELS

# How a number is proposed: autoregressive about its prior, which leaves the prior unchanged
# (Neal, 1999, "Regression and classification using Gaussian process priors", eq. 15).
KEEP = 0.5
# Where no heat cycles were recorded at all: about 3, within a factor of two. Our choice.
LOG_CYCLES, LOG_CYCLES_SD = np.log(3.5), 0.7
SHARED_CYCLES = 0.6  # share of that variance that all runs of one car have in common
ENOUGH_CYCLES = 10  # recorded outings, to say what is usual in this store; our choice
TREADWEAR_SD = 0.15  # of log grade within a category; common practice, no published source
# How common driver levels are among people at track days; common practice, no published source.
DRIVER_LEVEL_SHARES = np.array([0.2, 0.55, 0.2, 0.05])
# Weight of even odds against what the same model's other builds have, in builds. Our choice.
EVEN_ODDS = 1.0


@dataclass(frozen=True)
class Residuals:
    """What is left of each run's laps: sum of weight times residual, and sum of weights."""

    sum: np.ndarray
    weight: np.ndarray

    def gain(self, shift: np.ndarray) -> np.ndarray:
        """Change of each run's log likelihood when its centre moves by `shift`."""
        return shift * self.sum - 0.5 * self.weight * shift**2

    def shifted(self, shift: np.ndarray) -> Residuals:
        """Return what is left after the centre has moved by `shift`."""
        return replace(self, sum=self.sum - self.weight * shift)


@dataclass
class State:
    """Facts as they are now, and the features made from them."""

    facts: Facts
    features: np.ndarray


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
    fact, both write to the same.
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
    ) -> None:
        self.name, self.unit_names = name, unit_names
        self.makes_up = makes_up  # the group of which each unit is one level
        self.rows = np.flatnonzero(unit >= 0)
        self.unit = unit[self.rows]
        self.mean, self.sd = mean, sd
        self.value = mean.copy()
        self.latent = latent
        self.latent[self.rows] += mean[self.unit]
        self.to_fact = to_fact

    def fact(self, state: State) -> np.ndarray:
        """Give the fact of each unit as it is now (of its first run)."""
        _, first = np.unique(self.unit, return_index=True)
        return np.asarray(getattr(state.facts, self.name)[self.rows[first]])

    def start(self, state: State) -> None:
        """Put the prior's centre where the fact is missing."""
        getattr(state.facts, self.name)[self.rows] = self.to_fact(self.latent[self.rows])

    def update(
        self,
        state: State,
        effect: np.ndarray,
        left: Residuals,
        rng: np.random.Generator,
        make_up: MakeUp | None = None,
    ) -> Residuals:
        """Propose a new value for every unit at once and keep those that the laps accept."""
        n, all_runs = len(self.value), len(left.sum)
        spread = np.sqrt(1 - KEEP**2) * self.sd
        new = self.mean + KEEP * (self.value - self.mean) + spread * rng.standard_normal(n)
        latent = self.latent[self.rows] + (new - self.value)[self.unit]
        facts = state.facts.take(self.rows)
        getattr(facts, self.name)[:] = self.to_fact(latent)
        features = run_features(facts)
        shift = np.zeros(all_runs)
        shift[self.rows] = (features - state.features[self.rows]) @ effect
        unit = np.full(all_runs, -1)
        unit[self.rows] = self.unit
        gain = np.zeros(n)
        if make_up is not None:
            unit, shift, gain = self._made_up(make_up, shift, left)
        within = unit >= 0
        gain += np.bincount(unit[within], left.gain(shift)[within], minlength=n)
        accepted = np.log(rng.random(n)) < gain
        if make_up is not None:
            make_up.values[self._level(make_up)] += np.where(accepted, self._change, 0.0)
        self.value = np.where(accepted, new, self.value)
        keep = accepted[self.unit]
        rows = self.rows[keep]
        self.latent[rows] = latent[keep]
        getattr(state.facts, self.name)[rows] = getattr(facts, self.name)[keep]
        state.features[rows] = features[keep]
        return left.shifted(np.where(within & accepted[unit], shift, 0.0))

    def _level(self, make_up: MakeUp) -> np.ndarray:
        """Level of the group that belongs to each unit."""
        level = np.zeros(len(self.value), dtype=np.int64)
        level[self.unit] = make_up.code[self.rows]
        return level

    def _made_up(
        self, make_up: MakeUp, shift: np.ndarray, left: Residuals
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Let the group take back the mean shift of its runs; return unit, shift and gain."""
        level = self._level(make_up)
        unit_of = np.full(len(make_up.values), -1)
        unit_of[level] = np.arange(len(level))
        size = len(make_up.values)
        total = np.bincount(make_up.code, left.weight * shift, minlength=size)
        weight = np.bincount(make_up.code, left.weight, minlength=size)
        change = -total / np.maximum(weight, 1e-300)
        self._change = change[level]
        old = make_up.values[level]
        gain = (old**2 - (old + self._change) ** 2) / (2 * make_up.sd**2)
        return unit_of[make_up.code], shift + change[make_up.code], gain


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
    share = np.full(len(first_of_set), np.sqrt(SHARED_CYCLES) * spread)
    rest = np.full(len(first), np.sqrt(1 - SHARED_CYCLES) * spread)
    names: list[tuple[str, ...]] = [(str(k),) for k in first]
    return [
        MissingNumber("cycles", own, np.zeros(len(first)), rest, names, latent, _cycles, "outing"),
        MissingNumber("cycles", shared, np.zeros(len(share)), share, [], latent, _cycles, "build"),
    ]


def _cycles(log_value: np.ndarray) -> np.ndarray:
    return np.maximum(np.exp(log_value) - 0.5, 0.0)


def _missing_treadwear(s: Structure) -> MissingNumber:
    """One unknown a build and tyre category: log grade over the category's usual one."""
    sets = s.runs["build"] + chr(31) + s.runs["tyre_category"]
    unit, first = _units(pd.factorize(sets)[0], np.isnan(s.facts.log_treadwear))
    names = [tuple(sets.iloc[k].split(chr(31))) for k in first]
    sd = np.full(len(first), TREADWEAR_SD)
    centre, latent = np.zeros(len(first)), np.zeros(s.n_runs)
    return MissingNumber("log_treadwear", unit, centre, sd, names, latent)


def _units(group: np.ndarray, missing: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number the groups of the missing rows; -1 elsewhere. Return also a row of each."""
    unit = np.full(len(group), -1)
    unit[missing], names = pd.factorize(group[missing])
    first = np.array([np.flatnonzero(unit == k)[0] for k in range(len(names))], dtype=np.int64)
    return unit, first


class MissingDriverLevel:
    """The level of drivers whose level nobody recorded.

    What the laps tell is the sum of level and driver; given the sum, the level is drawn from its
    conditional distribution and the driver's own effect is what remains.
    """

    def __init__(self, s: Structure) -> None:
        missing = s.facts.driver_level < 0
        self.run_driver = s.code["driver"]
        self.drivers = np.unique(self.run_driver[missing])
        self.value = np.full(len(self.drivers), DRIVER_LEVELS.index("club"))
        self.rows = np.flatnonzero(np.isin(self.run_driver, self.drivers) & missing)
        self.unit = np.searchsorted(self.drivers, self.run_driver[self.rows])

    def write(self, state: State) -> None:
        """Set the facts and features of the runs concerned."""
        level = self.value[self.unit]
        state.facts.driver_level[self.rows] = level
        for name in ("novice", "expert", "professional"):
            state.features[self.rows, COLUMN[name]] = level == DRIVER_LEVELS.index(name)

    def update(
        self,
        state: State,
        effect: np.ndarray,
        driver: np.ndarray,
        sd: float,
        rng: np.random.Generator,
    ) -> None:
        """Draw the levels anew; `driver` (the drivers' own effects) is changed in place."""
        if not len(self.drivers):
            return
        worth = np.zeros(len(DRIVER_LEVELS))
        for name in ("novice", "expert", "professional"):
            worth[DRIVER_LEVELS.index(name)] = effect[COLUMN[name]]
        total = driver[self.drivers] + worth[self.value]
        own = total[:, None] - worth
        log_p = np.log(DRIVER_LEVEL_SHARES) - 0.5 * (own / sd) ** 2
        gumbel = rng.gumbel(size=log_p.shape)
        self.value = np.argmax(log_p + gumbel, axis=1)
        driver[self.drivers] = own[np.arange(len(own)), self.value]
        self.write(state)


class MissingInduction:
    """Whether an engine is boosted, for builds where nobody recorded it."""

    def __init__(self, s: Structure) -> None:
        missing = np.isnan(s.facts.natural)
        builds = s.code["build"]
        self.builds = np.unique(builds[missing])
        self.rows = np.flatnonzero(missing)
        self.unit = np.searchsorted(self.builds, builds[self.rows])
        known = s.facts.natural[~missing]
        share = (known.sum() + EVEN_ODDS) / (len(known) + 2 * EVEN_ODDS)
        self.log_odds = float(np.log(share / (1 - share)))
        self.value = np.full(len(self.builds), float(share >= 0.5))

    def write(self, state: State) -> None:
        """Set the facts and features of the runs concerned."""
        natural = self.value[self.unit]
        state.facts.natural[self.rows] = natural
        density = state.facts.log_density[self.rows]
        state.features[self.rows, COLUMN["density_natural"]] = natural * density
        state.features[self.rows, COLUMN["density_boosted"]] = (1 - natural) * density

    def update(
        self, state: State, effect: np.ndarray, left: Residuals, rng: np.random.Generator
    ) -> Residuals:
        """Propose the other kind for every build at once and keep what the laps accept."""
        if not len(self.builds):
            return left
        worth = effect[COLUMN["density_natural"]] - effect[COLUMN["density_boosted"]]
        turn = 1 - 2 * self.value
        shift = np.zeros(len(left.sum))
        shift[self.rows] = turn[self.unit] * worth * state.facts.log_density[self.rows]
        gain = np.bincount(self.unit, left.gain(shift)[self.rows], minlength=len(turn))
        accepted = np.log(rng.random(len(turn))) < gain + turn * self.log_odds
        self.value = np.where(accepted, 1 - self.value, self.value)
        shift[self.rows] *= accepted[self.unit]
        self.write(state)
        return left.shifted(shift)


class MissingModification:
    """The level of an area of a build, for runs where nobody recorded it.

    A change of level is proposed together with the opposite change of the build's own effect
    (with this specification, or overall), so that the laps' centre stays where it is and only
    the priors decide.
    """

    def __init__(self, s: Structure) -> None:
        self.s = s
        missing = s.facts.levels < 0
        runs, areas = np.nonzero(missing)
        builds = s.code["build"][runs]
        pairs, self.unit = np.unique(builds * len(AREAS) + areas, return_inverse=True)
        self.build, self.area = pairs // len(AREAS), pairs % len(AREAS)
        self.rows = runs
        self.log_shares = np.log(self._shares())
        self.value = np.argmax(self.log_shares, axis=1)
        self.specs = [
            np.unique(s.code["build_spec"][runs[self.unit == u]]) for u in range(len(pairs))
        ]
        all_specs = pd.Series(s.code["build_spec"]).groupby(s.code["build"]).nunique()
        self.whole = np.array(
            [len(k) == all_specs[b] for k, b in zip(self.specs, self.build, strict=True)],
            dtype=bool,
        )

    def _shares(self) -> np.ndarray:
        """Chance of each level of each unit: what runs of the same model have in that area."""
        model = self.s.code["model"]
        shares = np.full((len(self.build), len(LEVELS)), EVEN_ODDS / len(LEVELS))
        build_model = dict(zip(self.s.code["build"], model, strict=True))
        for u, (build, area) in enumerate(zip(self.build, self.area, strict=True)):
            level = self.s.facts.levels[model == build_model[build], area]
            builds = self.s.code["build"][model == build_model[build]]
            seen = pd.DataFrame({"b": builds, "l": level})[level >= 0].drop_duplicates()
            shares[u] += np.bincount(seen["l"], minlength=len(LEVELS))
        return shares / shares.sum(axis=1, keepdims=True)

    def write(self, state: State) -> None:
        """Set the facts and features of the runs concerned."""
        areas = self.area[self.unit]
        state.facts.levels[self.rows, areas] = self.value[self.unit]
        rows = np.unique(self.rows)
        state.features[rows] = run_features(state.facts.take(rows))

    def update(
        self,
        state: State,
        effect: np.ndarray,
        build: np.ndarray,
        build_spec: np.ndarray,
        sd: dict[str, float],
        rng: np.random.Generator,
    ) -> None:
        """Draw levels anew; the builds' own effects are changed in place to make up for them."""
        if not len(self.build):
            return
        for u in range(len(self.build)):
            worth = level_worth(effect, int(self.area[u]))
            overall = bool(self.whole[u]) and rng.random() < 0.5
            target = build if overall else build_spec
            which = np.array([self.build[u]]) if overall else self.specs[u]
            old_sd = sd["build"] if overall else sd["build_spec"]
            own = target[which][:, None] + worth[self.value[u]] - worth[None, :]
            log_p = self.log_shares[u] - 0.5 * ((own / old_sd) ** 2).sum(axis=0)
            new = int(np.argmax(log_p + rng.gumbel(size=len(log_p))))
            target[which] = own[:, new]
            self.value[u] = new
        self.write(state)


def level_worth(effect: np.ndarray, area: int) -> np.ndarray:
    """Worth of each level of one area against standard, in log time."""
    name = AREAS[area]
    slope = effect[COLUMN["steps"]] + effect[COLUMN[f"area:{name}"]]
    steps = [effect[COLUMN[f"step:{name}:{level}"]] for level in LEVELS[1:]]
    return np.concatenate([[0.0], np.cumsum(slope + np.array(steps))])
