"""The margins of a claim: as timed, with its uncertainty, and at equal conditions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmark.answers.claim_case import Case
from benchmark.answers.claim_draws import Weighed, weighted_quantiles
from benchmark.answers.claim_scope import Scope
from benchmark.trade.uncertainty import combined_u, p_quicker


@dataclass(frozen=True)
class Raw:
    """As timed: margin, its standard uncertainty [s], and the chance of being quicker."""

    margin_s: float
    u_s: float
    p_quicker: float


@dataclass(frozen=True)
class Adjusted:
    """At equal conditions. Times and margin in seconds; None where there is nobody to compare with.

    Attributes
    ----------
    time_s, time_low_s, time_high_s : the claimed entry at reference conditions.
    rival, rival_s : the quickest other entry in scope and its time.
    margin_s, low_s, high_s : the claim's time less the rival's, from joint draws, so that what
        the two share cancels.
    p_fastest : chance of being the quickest of all in scope.
    """

    time_s: float
    time_low_s: float
    time_high_s: float
    rival: str | None
    rival_s: float | None
    margin_s: float | None
    low_s: float | None
    high_s: float | None
    p_fastest: float


def raw_margin(case: Case, scope: Scope) -> Raw | None:
    """Margin to the quickest counted lap of another build in scope, None without one."""
    if scope.standing is None:
        return None
    margin = case.lap_time_s - float(scope.standing["lap_time_s"])
    other_u = float(scope.standing["timing_u_s"])
    return Raw(
        margin, combined_u(case.timing_u_s, other_u), p_quicker(margin, case.timing_u_s, other_u)
    )


def adjusted_margin(weighed: Weighed, scope: Scope, level: float) -> Adjusted:
    """Margin at equal conditions to the entry in scope whose adjusted time is smallest."""
    tail = (1 - level) / 2
    shares = (0.5, tail, 1 - tail)
    middle, low, high = weighted_quantiles(weighed.adjusted, weighed.weights, shares)
    own = float(np.exp(middle)), float(np.exp(low)), float(np.exp(high))
    if scope.entries.empty:
        return Adjusted(*own, None, None, None, None, None, 1.0)
    # The claimed lap speaks of the rivals, too: of the circuit, and of a day they shared.
    by_draw = weighed.after.sum(axis=1)
    others = [weighted_quantiles(column, by_draw, (0.5,))[0] for column in scope.adjusted.T]
    rival = int(np.argmin(others))
    rival_s = float(np.exp(others[rival]))
    apart = np.exp(weighed.adjusted) - np.exp(scope.adjusted[:, [rival]])
    _, apart_low, apart_high = weighted_quantiles(apart, weighed.weights, shares)
    return Adjusted(
        *own,
        str(scope.entries["build"].iloc[rival]),
        rival_s,
        own[0] - rival_s,
        float(apart_low),
        float(apart_high),
        p_fastest_of(weighed, scope),
    )


def p_fastest_of(weighed: Weighed, scope: Scope, shift: np.ndarray | float = 0.0) -> float:
    """Chance that the claimed entry, its log time moved by `shift` (draws, 1), is the quickest."""
    if scope.entries.empty:
        return 1.0
    ahead = weighed.adjusted + shift < scope.adjusted.min(axis=1)[:, None]
    return float(np.sum(weighed.weights * ahead))
