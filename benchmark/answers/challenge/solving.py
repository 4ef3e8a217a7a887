"""Factors that give every group its fair share of wins.

With the chances of many simulated events held fixed, the share of wins of a group is a decreasing
function of its handicap. The handicaps that hit given shares minimise a convex function whose
slope is the share wanted less the share won (the inversion of market shares: Berry, RAND Journal
of Economics 25 (1994) 242; as a dual problem: Galichon, Optimal Transport Methods in Economics,
2016). A softened minimum makes it smooth; the softness shrinks step by step.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize
from scipy.special import logsumexp, softmax

SOFTNESS = (0.004, 0.001, 0.0003)  # log time; a choice of ours: at the last, a share is off by
# less than 0.002 in the events of a club season


def group_best(scores: np.ndarray, group: np.ndarray, groups: int) -> np.ndarray:
    """Quickest score of each group in each event: (events, entries) to (events, groups)."""
    best = [scores[:, group == g].min(axis=1) for g in range(groups)]
    return np.column_stack(best)


def equal_chances(
    best: np.ndarray, fair: np.ndarray, softness: tuple[float, ...] = SOFTNESS
) -> np.ndarray:
    """Handicaps in log time that let each group win its fair share of the events.

    Parameters
    ----------
    best : quickest log time of each group, shape (events, groups).
    fair : shares wanted, positive, adding up to 1.

    Returns
    -------
    What is to be added to each group's log times; the mean weighted by `fair` is 0.
    """
    handicap = np.asarray(np.median(best) - np.median(best, axis=0))
    if len(fair) == 1:
        return np.zeros(1)
    for soft in softness:
        found = minimize(_value, handicap[1:] - handicap[0], (best, fair, soft), jac=True,
                         method="BFGS", options={"gtol": 1e-4})  # fmt: skip
        handicap = np.concatenate([[0.0], found.x])
    return np.asarray(handicap - fair @ handicap)


def _value(
    others: np.ndarray, best: np.ndarray, fair: np.ndarray, soft: float
) -> tuple[float, np.ndarray]:
    handicap = np.concatenate([[0.0], others])
    scaled = -(best + handicap) / soft
    won = softmax(scaled, axis=1).mean(axis=0)
    value = soft * float(logsumexp(scaled, axis=1).mean()) + float(fair @ handicap)
    return value / soft, (fair - won)[1:] / soft
