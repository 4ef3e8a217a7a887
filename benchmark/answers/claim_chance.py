"""How likely the claimed lap was, and whether the next car of its class will beat it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import USUAL_LAPS, Case
from benchmark.answers.claim_draws import Weighed, weighted_quantiles
from benchmark.answers.claim_scope import Scope
from benchmark.answers.entries import MODIFICATIONS
from benchmark.answers.forecast import chance_on
from benchmark.model.fit import Fit
from benchmark.model.lap_odds import lap_odds

NEWCOMERS = 40  # imagined next entrants for each draw; a choice of ours


@dataclass(frozen=True)
class Plausibility:
    """Where the claimed lap falls in what the model expected before it.

    Attributes
    ----------
    low_s, high_s : interval of the best of so many flying laps that day. [s]
    p_this_quick : chance that this best is as quick as the claimed lap, or quicker.
    laps : flying laps it is the best of.
    """

    low_s: float
    high_s: float
    p_this_quick: float
    laps: int


def plausibility(case: Case, weighed: Weighed, level: float, seed: int) -> Plausibility:
    """Say what was to be expected of this specification, driver, tyre and day."""
    rng = np.random.default_rng([seed, 5])
    best = weighed.centre + weighed.day.best_noise(weighed.odds, rng)
    tail = (1 - level) / 2
    low, high = np.exp(weighted_quantiles(best, weighed.before, (tail, 1 - tail)))
    error = np.log(case.lap_time_s) - weighed.centre
    timing_var = (case.timing_u_s / case.lap_time_s) ** 2
    chance = weighed.day.p_best_within(weighed.odds, error, timing_var)
    return Plausibility(
        float(low), float(high), float(np.sum(weighed.before * chance)), case.flying_laps
    )


def p_next_beats(fit: Fit, case: Case, scope: Scope) -> float:
    """Chance that the next car in scope, on a day of its own, beats the claimed lap.

    A car and driver that nobody has seen, with the specification, tyre and driver's level of one
    of those in scope, on one of the circuit's recorded days, best of five flying laps.
    """
    rng = np.random.default_rng([fit.seed, 6])
    rows = _newcomers(fit, case, scope, rng)
    centre = fit.log_time(rows, chance=chance_on(case.surface))
    odds = lap_odds(fit, None)
    return float(odds.p_best_within(np.log(case.lap_time_s) - centre, 0.0, USUAL_LAPS).mean())


def _newcomers(fit: Fit, case: Case, scope: Scope, rng: np.random.Generator) -> pd.DataFrame:
    facts = ["model", "induction", *MODIFICATIONS, "tyre_category", "driver_level"]
    own = pd.DataFrame([case.facts])[facts].astype(object)
    known = pd.concat([own, scope.entries[facts].astype(object)], ignore_index=True)
    here = fit.runs.iloc[fit.lookup.runs_of("circuit", case.where[0])]
    same = here[here["surface"] == case.surface]
    runs = same if len(same) else here
    weather = ["air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct"]
    picked = known.iloc[rng.integers(0, len(known), NEWCOMERS)].reset_index(drop=True)
    days = runs.iloc[rng.integers(0, len(runs), NEWCOMERS)][weather].reset_index(drop=True)
    names = [f"\x1fnext entrant {k}" for k in range(NEWCOMERS)]  # no lap table holds such a name
    rows = pd.concat([picked, days], axis=1).assign(build=names, driver=names)
    return rows.assign(circuit=case.where[0], layout=case.where[1], surface=case.surface)
