"""Who takes part in a made-up season: drivers, cars, and what changes on them from day to day.

Confounded as in reality: keen owners are better drivers, have more parts and softer tyres, and
parts and tyres arrive together. The habits here are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmark.model.plan import SeasonPlan
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, DRY_TYRES, INDUCTIONS

# Keenness (standard normal) up to which a driver is of each level; above the last a professional.
LEVEL_UP_TO = (-0.9, 0.7, 1.7)
GRADES = {
    "touring": (300, 340, 400, 460, 500),
    "sport": (220, 240, 260, 280),
    "track-day": (140, 180, 200),
    "semi-slick": (40, 60, 80, 100),
}
CYCLES_OF_A_SET = 14  # after about as many an owner buys the next set
BOOSTED_MODELS = 0.45  # share
AS_BOUGHT = 0.12  # share of builds without any modification at first


@dataclass(frozen=True, slots=True)
class Driver:
    """A driver, and how keen (standard normal)."""

    name: str
    level: str
    keen: float


@dataclass(slots=True)
class Car:
    """A build as it stands on one day; days change it."""

    build: str
    model: str
    induction: str
    owner: Driver
    levels: dict[str, int]
    tyre: str
    treadwear: float
    cycles: int
    attendance: float
    p_run: float


def drivers(plan: SeasonPlan, rng: np.random.Generator) -> list[Driver]:
    """Return the drivers, keenness drawn anew."""
    keen = rng.standard_normal(plan.n_drivers)
    return [
        Driver(f"Driver {i + 1:03d}", DRIVER_LEVELS[int(np.searchsorted(LEVEL_UP_TO, k))], float(k))
        for i, k in enumerate(keen)
    ]


def cars(plan: SeasonPlan, people: list[Driver], rng: np.random.Generator) -> list[Car]:
    """Return the builds as they stand before the first day; every model and driver has one."""
    boosted = rng.random(plan.n_models) < BOOSTED_MODELS
    models = _dealt(plan.n_builds, plan.n_models, rng)
    owners = _dealt(plan.n_builds, plan.n_drivers, rng)
    return [
        _car(i, int(models[i]), INDUCTIONS[int(boosted[models[i]])], people[owners[i]], plan, rng)
        for i in range(plan.n_builds)
    ]


def _dealt(n: int, kinds: int, rng: np.random.Generator) -> np.ndarray:
    """Deal n places to kinds: each once as far as they go, the rest by chance, shuffled."""
    first = np.arange(min(n, kinds))
    rest = rng.integers(0, kinds, n - len(first))
    return rng.permutation(np.concatenate([first, rest]))


def _car(
    i: int, model: int, induction: str, owner: Driver, plan: SeasonPlan, rng: np.random.Generator
) -> Car:
    levels = _levels(plan, owner.keen, rng)
    tyre = "track-day" if plan.matched else _tyre(sum(levels.values()), rng)
    return Car(
        build=f"Build {i + 1:03d}",
        model=f"Model {model + 1:02d}",
        induction=induction,
        owner=owner,
        levels=levels,
        tyre=tyre,
        treadwear=grade(tyre, rng),
        cycles=int(rng.integers(0, 6)),
        attendance=1.0 if i < plan.always else plan.attendance,
        p_run=plan.p_run,
    )


def _levels(plan: SeasonPlan, keen: float, rng: np.random.Generator) -> dict[str, int]:
    """Draw the six levels: at most 1 where builds are matched, else more for the keen."""
    as_bought = rng.random() < AS_BOUGHT
    if plan.matched:
        drawn = rng.choice([0, 1], size=len(AREAS), p=[0.3, 0.7])
    elif as_bought:
        drawn = np.zeros(len(AREAS))
    else:
        wish = 0.8 + 0.5 * keen + 0.5 * rng.standard_normal()
        drawn = np.clip(np.rint(wish + 0.7 * rng.standard_normal(len(AREAS))), 0, 3)
    return {area: int(level) for area, level in zip(AREAS, drawn, strict=True)}


def _tyre(steps: int, rng: np.random.Generator) -> str:
    """Draw a tyre: the more steps a car has, the softer."""
    wish = 0.6 + 0.22 * steps + 0.7 * rng.standard_normal()
    return DRY_TYRES[int(np.clip(np.rint(wish), 0, len(DRY_TYRES) - 1))]


def grade(tyre: str, rng: np.random.Generator) -> float:
    """Draw a treadwear grade of the category; NaN for slicks and wets, which have none."""
    return float(rng.choice(GRADES[tyre])) if tyre in GRADES else np.nan


def before_the_day(car: Car, plan: SeasonPlan, rng: np.random.Generator) -> None:
    """Change the car as its owner does between days: parts, with them often tyres, a new set."""
    if rng.random() < plan.p_parts:
        _fit_parts(car, plan, rng)
    if car.cycles > CYCLES_OF_A_SET:
        car.cycles = 0


def _fit_parts(car: Car, plan: SeasonPlan, rng: np.random.Generator) -> None:
    """Raise one to three areas by a step; half the time new, often softer tyres come along."""
    top = 1 if plan.matched else 3
    for area in rng.choice(AREAS, size=int(rng.integers(1, 4)), replace=False):
        car.levels[area] = min(car.levels[area] + 1, top)
    if rng.random() < 0.5:
        car.cycles = 0
        if not plan.matched and rng.random() < 0.6:
            softer = min(DRY_TYRES.index(car.tyre) + 1, len(DRY_TYRES) - 1)
            car.tyre = DRY_TYRES[softer]
        car.treadwear = grade(car.tyre, rng)
