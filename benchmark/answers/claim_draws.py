"""The claimed lap among the entry's data, without a new fit.

Each posterior draw, together with a draw of what that day, session and outing were like and of
whatever nobody recorded, says how likely the claimed lap was; weighting the draws by it (Pareto-
smoothed importance sampling) gives the posterior with this lap added. A lap that the fit holds
already is not counted twice; for the question how likely it was, it is first taken out again by
the inverse weights.

References
----------
Vehtari, Simpson, Gelman, Yao and Gabry, "Pareto smoothed importance sampling", Journal of Machine
Learning Research 25 (2024).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from arviz_stats.base import array_stats  # type: ignore[attr-defined]

from benchmark.answers.claim_case import Case
from benchmark.answers.claim_day import Day, day_of
from benchmark.answers.claim_unrecorded import drawn_rows, is_settled
from benchmark.answers.entries import reference_rows
from benchmark.answers.forecast import CHANCE
from benchmark.model.design import GROUPS
from benchmark.model.fit import Fit
from benchmark.model.lap_odds import LapOdds, lap_odds
from benchmark.model.predict import fresh

# Days, outings and unrecorded facts drawn for each posterior draw; a choice of ours: at twice
# this the answer takes 1.6 times as long and its Monte Carlo error hardly falls.
REPLICATES = 24
FEW_EFFECTIVE = 100.0  # effective draws below which the answer says so; a choice of ours


@dataclass(frozen=True)
class Weighed:
    """The claim under every draw.

    Attributes
    ----------
    rows : the claimed lap, one row a replicate, unrecorded facts drawn.
    parts : what `centre` is made of but for the passing effects, as `Fit.parts` gives it.
    centre : of clean laps of that situation, log seconds, shape (draws, replicates).
    adjusted : the entry at reference conditions, log seconds, shape (draws, 1 or replicates).
    before, after : weights of (draws, replicates) without and with the claimed lap; each adds
        up to 1.
    effective : effective number of draws under `after`.
    k_hat : Pareto shape of the weights; above 0.7 they are not to be trusted.
    odds : the noise of the driver's laps.
    day : the outings that the claimed lap was the best of.
    """

    rows: pd.DataFrame
    parts: Mapping[str, np.ndarray]
    centre: np.ndarray
    adjusted: np.ndarray
    before: np.ndarray
    after: np.ndarray
    effective: float
    k_hat: float
    odds: LapOdds
    day: Day

    @property
    def weights(self) -> np.ndarray:
        """Weights of `adjusted`, with the claimed lap: shape as `adjusted`."""
        if self.adjusted.shape == self.after.shape:
            return self.after
        return np.asarray(self.after.sum(axis=1, keepdims=True))


def weigh(fit: Fit, case: Case) -> Weighed:
    """Weigh the draws of a fit by the claimed lap."""
    rng = np.random.default_rng([fit.seed, 4])
    rows = drawn_rows(fit, case, REPLICATES, rng)
    at_reference = _at_reference(fit, case, rows)
    both = fit.parts(pd.concat([rows, at_reference], ignore_index=True))  # at once: half the time
    parts = {name: draws[:, : len(rows)] for name, draws in both.items()}
    adjusted = np.asarray(sum(draws[:, len(rows) :] for draws in both.values()))
    centre = np.asarray(sum(parts.values())) + passing(fit, rows)
    odds = lap_odds(fit, case.facts["driver"])
    log_s = np.log(case.lap_time_s)
    timing_var = (case.timing_u_s / case.lap_time_s) ** 2
    even = np.zeros(centre.shape)
    k_hat = 0.0
    day = day_of(fit, case, rows, rng)
    if case.stored_run is None:
        log_density = odds.log_density(log_s - centre, timing_var)
        if case.laps_unseen > 1:
            log_density += day.log_others_above(odds, log_s - centre, timing_var)
        after, k_hat = _smoothed(log_density)
        before = _shares(even)
    else:
        own = _own_centre(fit, case)
        out = -odds.log_density(log_s - own, timing_var)
        before, k_hat = _smoothed(np.broadcast_to(out, centre.shape))
        after = _shares(even)
    return Weighed(
        rows,
        parts,
        centre,
        adjusted,
        before,
        after,
        float(1 / np.sum(after.sum(axis=1) ** 2)),
        k_hat,
        odds,
        day,
    )


def passing(fit: Fit, rows: pd.DataFrame, groups: tuple[str, ...] = CHANCE) -> np.ndarray:
    """Effects of day, session, build-day and outing, log time, shape (draws, rows).

    A day or session that the fit has seen has its own, so what the claim shares with rivals of
    that day cancels; any other is drawn anew.
    """
    wet = ("wet_session",) if (rows["surface"] != "dry").any() else ()
    total = np.zeros((fit.draws, len(rows)))
    for group in (*groups, *wet):
        total += (
            _seen(fit, group, rows) if _is_seen(fit, group, rows) else fresh(fit, group, len(rows))
        )
    return total


def _key(group: str, rows: pd.DataFrame) -> tuple[str, ...]:
    first = rows.iloc[0]
    return tuple(str(first.get(column)) for column in GROUPS[group])


def _is_seen(fit: Fit, group: str, rows: pd.DataFrame) -> bool:
    return group != "outing" and _key(group, rows) in fit.level_numbers[group]


def _seen(fit: Fit, group: str, rows: pd.DataFrame) -> np.ndarray:
    number = fit.level_numbers[group][_key(group, rows)]
    return fit.posterior.groups[group][:, [number]].astype(float)


def _own_centre(fit: Fit, case: Case) -> np.ndarray:
    """Centre of the stored lap in its own run, log seconds, shape (draws, 1)."""
    run = fit.runs.loc[[case.stored_run]].assign(run_id=case.stored_run, lap=case.facts["lap"])
    return np.asarray(sum(fit.parts(run).values()))


def _at_reference(fit: Fit, case: Case, rows: pd.DataFrame) -> pd.DataFrame:
    """The entry at reference conditions; one row where everything about it is settled."""
    entry = rows.head(1) if is_settled(fit, case) else rows
    entry = entry.assign(treadwear=case.facts["treadwear"])  # else the category's usual one
    circuit, layout = case.where
    return reference_rows(entry, circuit, layout, surface=case.surface)


def _smoothed(log_ratio: np.ndarray) -> tuple[np.ndarray, float]:
    """Pareto-smoothed weights that add up to 1, and the shape of their tail.

    Where next to no draw makes the lap possible there is no tail to fit; the plain weights then
    come with an infinite shape, which the answer tells.
    """
    flat = -np.ascontiguousarray(log_ratio).ravel()  # it takes a log likelihood to be left out
    with np.errstate(all="ignore"):
        smooth, k_hat = array_stats.psislw(flat)  # type: ignore[no-untyped-call]
    if not np.isfinite(smooth).all() or not np.isfinite(k_hat):
        return _shares(log_ratio), float("inf")
    return _shares(np.asarray(smooth).reshape(log_ratio.shape)), float(k_hat)


def _shares(log_weight: np.ndarray) -> np.ndarray:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def weighted_quantiles(
    values: np.ndarray, weights: np.ndarray, shares: tuple[float, ...]
) -> np.ndarray:
    """Quantiles of weighted draws, for equal weights those of `numpy.quantile`.

    Draws stand at the middle of their weight, the outermost at 0 and 1, with straight lines
    between them.
    """
    values, weights = np.broadcast_arrays(values, weights)
    order = np.argsort(values, axis=None)
    v, w = values.ravel()[order], weights.ravel()[order]
    v, w = v[w > 0], w[w > 0]
    if len(v) == 1:
        return np.full(len(shares), v[0])
    at = np.cumsum(w) - w / 2
    return np.asarray(np.interp(shares, (at - at[0]) / (at[-1] - at[0]), v))
