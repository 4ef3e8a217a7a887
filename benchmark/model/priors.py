"""What is believed before any lap is seen: every prior of the pace model, in one place.

Sizes are in log lap time: 0.01 is 1 %. Effects have Normal priors, standard deviations
and the delay of slow laps have log-normal priors ("about this size, within this factor").
All are weak: they stop a store of five laps from saying wild things and are outweighed as
laps come in. Unless another source is named on the line, a size is common practice with
no published source. `Priors.widened` widens them all at once, so that anybody can see how
much an answer owes to them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from benchmark.errors import BadQuestion


@dataclass(frozen=True, slots=True)
class Effect:
    """A Normal prior of one effect on log lap time: its centre and standard deviation."""

    centre: float
    width: float
    why: str


@dataclass(frozen=True, slots=True)
class Size:
    """A log-normal prior of a positive size: its median, and the standard deviation of its log."""

    median: float
    log_sd: float
    why: str


PRACTICE = "common practice, no published source"

EFFECTS: Mapping[str, Effect] = {
    "circuit": Effect(0.0, 0.15, "about the circuit's own median lap; our choice, near flat"),
    "steps": Effect(-0.004, 0.003, f"one step of one area; {PRACTICE}"),
    "tyre": Effect(-0.018, 0.007, f"one tyre category, touring to slick; {PRACTICE}"),
    "wet_tyre": Effect(0.02, 0.03, f"wet tyre on a dry track, against touring; {PRACTICE}"),
    "novice": Effect(0.020, 0.012, f"against a club driver; {PRACTICE}"),
    "expert": Effect(-0.010, 0.008, f"against a club driver; {PRACTICE}"),
    "professional": Effect(-0.020, 0.010, f"against a club driver; {PRACTICE}"),
    # 1 % of power is 0.11 % of a lap on a simulated point-mass lap, less 0.01 % for drag.
    "density_natural": Effect(-0.09, 0.03, "a point-mass lap of our own simulation; our choice"),
    "density_boosted": Effect(-0.045, 0.03, f"the boost makes up for about half; {PRACTICE}"),
    # No refereed figure for grip against surface temperature was found: wide and near nought.
    "heat": Effect(0.0005, 0.003, f"track 10 °C hotter, touring tyre; {PRACTICE}"),
    "heat_soft": Effect(0.004, 0.004, f"the same, slick less touring; {PRACTICE}"),
    "heat_curve": Effect(0.0005, 0.001, f"curvature for (10 °C)²; {PRACTICE}"),
    "heat_curve_soft": Effect(0.0005, 0.0015, f"the same, slick less touring; {PRACTICE}"),
    "cycles": Effect(0.001, 0.003, f"ten heat cycles, touring tyre; {PRACTICE}"),
    "cycles_soft": Effect(0.008, 0.006, f"the same, slick less touring; {PRACTICE}"),
    "treadwear": Effect(0.01, 0.012, f"log treadwear within a category; {PRACTICE}"),
    "damp": Effect(0.075, 0.03, f"damp against dry; {PRACTICE}"),
    "wet": Effect(0.17, 0.06, f"wet against dry; {PRACTICE}"),
    "wet_tyre_damp": Effect(-0.04, 0.03, f"wet tyre on a damp track, beyond dry; {PRACTICE}"),
    "wet_tyre_wet": Effect(-0.08, 0.05, f"wet tyre on a wet track, beyond dry; {PRACTICE}"),
    "soft_wet": Effect(0.03, 0.04, f"slick against touring on damp or wet; {PRACTICE}"),
    "lap_first": Effect(0.005, 0.02, "lap 1 of a run, where it was timed at all; our choice"),
    "lap_warm": Effect(-0.001, 0.003, f"from the second flying lap on, touring; {PRACTICE}"),
    "lap_warm_soft": Effect(0.001, 0.004, f"the same, slick less touring; {PRACTICE}"),
    "fade": Effect(0.0005, 0.001, f"each further lap of the run, touring; {PRACTICE}"),
    "fade_soft": Effect(0.002, 0.0015, f"the same, slick less touring; {PRACTICE}"),
    "fade_curve": Effect(0.0, 0.0003, "curvature of the fade, (laps)²/10; our choice"),
}

SIZES: Mapping[str, Size] = {
    "area": Size(0.0015, 0.6, "how areas differ in the worth of a step; our choice"),
    "step": Size(0.0030, 0.5, "how steps differ within an area; our choice"),
    "model": Size(0.020, 0.5, f"between car models; {PRACTICE}"),
    "model_circuit": Size(0.004, 0.5, f"a model that suits one circuit; {PRACTICE}"),
    "build": Size(0.006, 0.5, f"between builds of one model and specification; {PRACTICE}"),
    "build_spec": Size(0.002, 0.5, f"one build with one specification; {PRACTICE}"),
    "driver": Size(0.008, 0.5, f"between drivers of one level; {PRACTICE}"),
    "driver_circuit": Size(0.003, 0.5, f"a driver who knows one circuit; {PRACTICE}"),
    "day": Size(0.003, 0.5, f"track state of a day; {PRACTICE}"),
    "session": Size(0.003, 0.5, f"track state of a session; {PRACTICE}"),
    "wet_session": Size(0.03, 0.5, f"how wet a wet session was; {PRACTICE}"),
    "build_day": Size(0.002, 0.5, f"one build on one day: set-up, pressures; {PRACTICE}"),
    "outing": Size(0.002, 0.5, f"one outing: tyre pressures, traffic, mood; {PRACTICE}"),
    "sigma": Size(0.0035, 0.4, f"lap-to-lap spread of clean laps; {PRACTICE}"),
    "delay": Size(0.009, 0.5, f"mean delay of a typical driver's laps; {PRACTICE}"),
    "delay_spread": Size(0.45, 0.4, "spread of log delay between drivers; our choice"),
    "slow": Size(0.10, 0.3, f"mean delay of an unlabelled out, in or slow lap; {PRACTICE}"),
    "gross": Size(0.06, 0.3, "spread of gross timing errors; our choice"),
}

# Shares of the three kinds of lap in the Dirichlet prior: ordinary, unlabelled slow, gross error.
# Our choice; they weigh as much as 60 laps.
SHARES = (57.0, 2.0, 1.0)


@dataclass(frozen=True, slots=True)
class Priors:
    """Every prior of the model. `scale` is by how much they were widened (1: as published)."""

    effects: Mapping[str, Effect]
    sizes: Mapping[str, Size]
    shares: tuple[float, float, float]
    scale: float = 1.0

    def widened(self, scale: float) -> Priors:
        """Return the same centres with every width multiplied by `scale` (0.1 to 20).

        The shares of the three kinds of lap stay: a hundred laps outweigh them.

        Raises
        ------
        BadQuestion
            A scale outside 0.1 to 20.
        """
        if not 0.1 <= scale <= 20:
            raise BadQuestion(f'widen "{scale:g}": use a number from 0.1 to 20')
        return Priors(
            {k: replace(e, width=e.width * scale) for k, e in self.effects.items()},
            {k: replace(s, log_sd=s.log_sd * scale) for k, s in self.sizes.items()},
            self.shares,
            self.scale * scale,
        )


STANDARD_PRIORS = Priors(EFFECTS, SIZES, SHARES)
