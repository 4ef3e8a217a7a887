"""Draws the true effects of a made-up season, around the sizes that the trade expects.

The centres are those of the trade's table of causes (common practice, no published source); the
spreads are how far seasons may differ. They are stated here, apart from the model's priors.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from benchmark.model.plan import SeasonPlan
from benchmark.model.truth import (
    GROUP_COLUMNS,
    LASTING,
    NoiseTruth,
    Track,
    Truth,
    group_keys,
    specification,
)
from benchmark.trade.classes import AREAS, DRY_TYRES, LEVELS

EFFECTS: Mapping[str, tuple[float, float]] = {
    "wet_tyre": (0.020, 0.010),
    "novice": (0.020, 0.006),
    "expert": (-0.010, 0.004),
    "professional": (-0.020, 0.005),
    "density_natural": (-0.090, 0.015),
    "density_boosted": (-0.045, 0.015),
    "heat": (0.0005, 0.0010),
    "heat_soft": (0.0040, 0.0015),
    "heat_curve": (0.0002, 0.0002),
    "heat_curve_soft": (0.0010, 0.0005),
    "cycles": (0.0010, 0.0010),
    "cycles_soft": (0.0080, 0.0030),
    "treadwear": (0.0100, 0.0050),
    "damp": (0.070, 0.015),
    "wet": (0.170, 0.030),
    "wet_tyre_damp": (-0.040, 0.015),
    "wet_tyre_wet": (-0.080, 0.025),
    "soft_wet": (0.030, 0.015),
    "lap_warm": (-0.0020, 0.0010),
    "lap_warm_soft": (0.0020, 0.0015),
    "fade": (0.0003, 0.0003),
    "fade_soft": (0.0020, 0.0007),
}
TYRE_STEP = (-0.018, 0.004)
STEP = (-0.004, 0.0010)  # mean of a season's steps; single ones differ by `area` and `step` below
# Median of each standard deviation; a season's own lies about it, log-normal with this spread.
SDS: Mapping[str, float] = {
    "area": 0.0015,
    "step": 0.0026,
    "model": 0.020,
    "model_circuit": 0.004,
    "build": 0.006,
    "build_spec": 0.002,
    "driver": 0.008,
    "driver_circuit": 0.003,
    "day": 0.003,
    "session": 0.003,
    "wet_session": 0.020,
    "build_day": 0.002,
    "outing": 0.002,
}
SD_SPREAD = 0.25
SIGMA, SIGMA_SPREAD = 0.0030, 0.20
DELAY, DELAY_SPREAD, DELAY_BETWEEN_DRIVERS = 0.010, 0.25, 0.5
SLOW, GROSS = 0.10, 0.06


def draw_truth(
    plan: SeasonPlan, runs: pd.DataFrame, rng: np.random.Generator, world: str = "model"
) -> Truth:
    """Draw every effect that the runs of a season need.

    Parameters
    ----------
    plan : gives the shares of slow laps and gross errors.
    runs : one row an outing, every fact written, as `runs_of_season` gives them.
    world : "model", or "other" for the effects that only the other world has as well.
    """
    sds = {
        name: float(size * np.exp(SD_SPREAD * rng.standard_normal())) for name, size in SDS.items()
    }
    effects = {name: _normal(rng, *size) for name, size in EFFECTS.items()}
    effects |= {f"tyre:{category}": _normal(rng, *TYRE_STEP) for category in DRY_TYRES[1:]}
    effects |= _steps(sds, rng)
    if world == "other":
        effects |= _other_effects(plan.tracks, rng)
    return Truth(
        world=world,
        tracks=tuple(_jittered(track, rng) for track in plan.tracks),
        effects=effects,
        groups=draw_groups(runs, sds, rng),
        sds=sds,
        noise=_noise(plan, sorted(set(runs["driver"])), rng),
    )


def _normal(rng: np.random.Generator, centre: float, spread: float) -> float:
    return float(centre + spread * rng.standard_normal())


def _jittered(track: Track, rng: np.random.Generator) -> Track:
    """Give the layout a base lap a few per cent off its usual one, so that no season knows it."""
    base = track.base_s * float(np.exp(0.03 * rng.standard_normal()))
    return Track(track.circuit, track.layout, base, track.altitude_m)


def _steps(sds: Mapping[str, float], rng: np.random.Generator) -> dict[str, float]:
    """Draw the worth of each step: of the season, of the area, of its own. Some hurt."""
    usual = _normal(rng, *STEP)
    steps = {}
    for area in AREAS:
        of_area = usual + sds["area"] * rng.standard_normal()
        for level in LEVELS[1:]:
            steps[f"step:{area}:{level}"] = float(of_area + sds["step"] * rng.standard_normal())
    return steps


def _other_effects(tracks: tuple[Track, ...], rng: np.random.Generator) -> dict[str, float]:
    """Draw what is not additive: local worth of power, light cars and tyres, heat soak."""
    power = {
        f"power:{track.circuit} {track.layout}": float(rng.uniform(-0.5, 0.5)) for track in tracks
    }
    return {**power, "tyre_by_weight": float(rng.uniform(0.03, 0.10)), "soak": 0.0005}


def draw_groups(
    runs: pd.DataFrame, sds: Mapping[str, float], rng: np.random.Generator
) -> dict[str, dict[str, float]]:
    """Draw the effect of every model, build, driver, day and so on that the runs name."""
    facts = runs.assign(spec=specification(runs))
    groups = {}
    for name in (*LASTING, "day", "session", "wet_session", "build_day", "outing"):
        rows = facts[facts["surface"] != "dry"] if name == "wet_session" else facts
        keys = sorted(set(group_keys(name, rows)))
        drawn = sds[name] * rng.standard_normal(len(keys))
        groups[name] = dict(zip(keys, drawn.tolist(), strict=True))
    return groups


def _noise(plan: SeasonPlan, names: list[str], rng: np.random.Generator) -> NoiseTruth:
    centre = float(DELAY * np.exp(DELAY_SPREAD * rng.standard_normal()))
    tau = centre * np.exp(DELAY_BETWEEN_DRIVERS * rng.standard_normal(len(names)))
    return NoiseTruth(
        sigma=float(SIGMA * np.exp(SIGMA_SPREAD * rng.standard_normal())),
        tau_centre=centre,
        tau_spread=DELAY_BETWEEN_DRIVERS,
        tau=dict(zip(names, tau.tolist(), strict=True)),
        slow=SLOW,
        gross=GROSS,
        shares=(1 - plan.p_slow - plan.p_gross, plan.p_slow, plan.p_gross),
    )


def add_learning(truth: Truth, runs: pd.DataFrame, rng: np.random.Generator) -> Truth:
    """Give the other world drivers who learn and a track that rubbers in, about their means.

    A driver learns over his sessions of the season (up to 0.3 to 1.5 %, half of it within three
    sessions) and again over each day (up to 0.3 %); the track gains 0.2 to 0.6 % over a day.
    """
    sessions = runs.drop_duplicates(["driver", "circuit", "layout", "date", "session"])
    nth = sessions.groupby("driver").cumcount().to_numpy()
    nth_today = sessions.groupby(["driver", "date"]).cumcount().to_numpy()
    names = sorted(set(sessions["driver"]))
    to_learn = dict(zip(names, rng.uniform(0.003, 0.015, len(names)), strict=True))
    today = dict(zip(names, rng.uniform(0.0, 0.003, len(names)), strict=True))
    state = sessions["driver"].map(to_learn) * 0.5 ** (nth / 3.0)
    state += sessions["driver"].map(today) * 0.5**nth_today
    state -= state.groupby(sessions["driver"]).transform("mean")
    learning = dict(zip(group_keys("learning", sessions), state, strict=True))
    groups = {**truth.groups, "learning": learning, "rubber": _rubber(runs, rng)}
    return Truth(truth.world, truth.tracks, truth.effects, groups, truth.sds, truth.noise)


def _rubber(runs: pd.DataFrame, rng: np.random.Generator) -> dict[str, float]:
    """Draw how much each session's track is off the season's mean, quicker as the day goes on."""
    columns = list(GROUP_COLUMNS["rubber"])
    sessions = runs.drop_duplicates(columns).sort_values([*columns[:3], "start_time"])
    nth = sessions.groupby(columns[:3]).cumcount().to_numpy()
    days = group_keys("day", sessions)
    names = sorted(set(days))
    gain = days.map(dict(zip(names, rng.uniform(0.002, 0.006, len(names)), strict=True)))
    state = -gain.to_numpy(dtype=float) * (1 - 0.5**nth)
    state -= state.mean()
    return dict(zip(group_keys("rubber", sessions), state.tolist(), strict=True))
