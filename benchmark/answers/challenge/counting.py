"""Which time of an entry's laps counts.

A quick lap is partly luck, and whoever drives more laps draws more often. Two rules take that out:
the best of the first k laps, and the expected best of k, which uses every lap but rewards none for
its number.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import gammaln


@lru_cache(maxsize=512)
def best_of_weights(n: int, k: int) -> np.ndarray:
    """Weights of n times, quickest first, whose sum is the expected best of k of them.

    A sample of k out of n without replacement has its i-th smallest as its best with chance
    C(n - i, k - 1) / C(n, k); the mean over all samples is unbiased for the expected best of k
    whatever n is (a U-statistic: Hoeffding, Annals of Mathematical Statistics 19 (1948) 293).

    Raises
    ------
    ValueError
        k is not between 1 and n.
    """
    if not 1 <= k <= n:
        raise ValueError(f"the best of {k} needs 1 to {n} laps")

    def log_choose(top: np.ndarray | int, of: int) -> np.ndarray:
        return np.asarray(gammaln(np.add(top, 1)) - gammaln(of + 1) - gammaln(np.add(top, 1 - of)))

    rest = n - np.arange(1, n - k + 2)
    weights = np.zeros(n)
    weights[: n - k + 1] = np.exp(log_choose(rest, k - 1) - log_choose(n, k))
    return weights


def counted_time(times: np.ndarray, count: str, k: int) -> np.ndarray:
    """Return the time that counts, over the last axis: laps in the order in which they were driven.

    Parameters
    ----------
    times : lap times [s], or their logs; at least one lap.
    count : "best", "equal-conditions" (the times were made equal before), "first" (best of the
        first k), "mean-of-best" (of the k best, or of all where there are fewer) or
        "expected-best" (of k over all laps; of all laps where there are fewer).
    k : the k of the rule.
    """
    if count in ("best", "equal-conditions"):
        return np.asarray(times.min(axis=-1))
    if count == "first":
        return np.asarray(times[..., :k].min(axis=-1))
    ordered = np.sort(times, axis=-1)
    if count == "mean-of-best":
        return np.asarray(ordered[..., :k].mean(axis=-1))
    n = times.shape[-1]
    return np.asarray(ordered @ best_of_weights(n, min(k, n)))


def second_best(times: np.ndarray) -> float:
    """Return the second quickest of an entry's laps [s]; infinite where it has but one."""
    return float(np.sort(times)[1]) if len(times) > 1 else float("inf")
