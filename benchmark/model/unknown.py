"""Classes that nobody recorded: driver level, induction, modification level.

Each is one of a few values, updated given the effects, so that what is not known widens the answer
instead of dropping the lap. Missing numbers stand in `model.unknown_numbers`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from benchmark.model.design import COLUMN, Facts, run_features
from benchmark.model.structure import Structure
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, LEVELS

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
