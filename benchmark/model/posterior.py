"""What posterior draws say: intervals, ranks, the chance of being quickest, and convergence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

SIMULATED = 10_000  # draws of the largest difference: the critical value's own error is about 0.02


def interval(draws: np.ndarray, level: float = 0.9) -> tuple[np.ndarray, np.ndarray]:
    """Return the equal-tailed interval over the first axis that holds `level` of the draws."""
    tail = (1 - level) / 2
    low, high = np.quantile(draws, [tail, 1 - tail], axis=0)
    return low, high


def middle_and_interval(
    draws: np.ndarray, level: float = 0.9
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the median over the first axis and what `interval` returns, from one sorting."""
    tail = (1 - level) / 2
    ordered = np.sort(draws, axis=0)
    middle, low, high = (_quantile(ordered, share) for share in (0.5, tail, 1 - tail))
    return middle, low, high


def _quantile(ordered: np.ndarray, share: float) -> np.ndarray:
    """Quantile of sorted draws, with straight lines between them as `numpy.quantile` has it."""
    at = share * (len(ordered) - 1)
    below = int(at)
    above = min(below + 1, len(ordered) - 1)
    return np.asarray(ordered[below] + (at - below) * (ordered[above] - ordered[below]))


def total(parts: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return the sum of some parts of log time, each of shape (draws, rows)."""
    first, *others = (part for part in parts.values() if any(part.strides))
    out = first.copy(order="K")
    for part in others:
        out += part
    return out


def median(draws: np.ndarray) -> np.ndarray:
    """Return the median over the first axis; on small arrays much quicker than `numpy.median`."""
    half = len(draws) // 2
    if len(draws) % 2:
        return np.asarray(np.partition(draws, half, axis=0)[half])
    two = np.partition(draws, (half - 1, half), axis=0)[half - 1 : half + 1]
    return np.asarray(two.mean(axis=0))


def ranks(draws: np.ndarray) -> np.ndarray:
    """Return ranks within each draw, 1 for the smallest (quickest), shape as `draws`."""
    rows = np.ascontiguousarray(draws)
    order = np.argsort(rows, axis=1)
    out = np.empty(rows.shape, dtype=np.int32)
    np.put_along_axis(out, order, np.arange(1, rows.shape[1] + 1, dtype=np.int32)[None], axis=1)
    return out


def rank_sets(draws: np.ndarray, level: float = 0.9) -> tuple[np.ndarray, np.ndarray]:
    """Return lowest and highest plausible rank of each column, from ranks within joint draws.

    The set is the shortest run of ranks that holds at least `level` of an entry's draws, so a
    set of one rank is stated only where that rank has at least that chance.
    """
    joint = np.sort(ranks(draws).T, axis=1).T
    held = np.arange(1, len(joint) + 1) / len(joint)
    enough = int(np.searchsorted(held, level - 1e-12))  # one less than the draws that must be held
    width = (joint[enough:] - joint[: len(joint) - enough]).min(axis=0) + 1
    low = np.array([_likeliest(own, int(w)) for own, w in zip(joint.T, width, strict=True)])
    return low, low + width - 1


def _likeliest(own: np.ndarray, width: int) -> int:
    """First rank of the run of so many ranks that holds most of the sorted draws.

    The first on a tie. A run that holds most, and is the first to, ends at a draw: else the run
    before it would hold as many.
    """
    first = np.maximum(own - width + 1, 1)
    held = np.arange(1, len(own) + 1) - np.searchsorted(own, first)
    return int(first[np.argmax(held)])


def p_fastest(draws: np.ndarray) -> np.ndarray:
    """Return the chance that each column is the smallest, shape (columns,); they add up to 1."""
    best = np.argmin(draws, axis=1)
    return np.bincount(best, minlength=draws.shape[1]) / len(draws)


def simultaneous_rank_sets(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn simultaneous intervals into joint rank sets.

    An entry ranks behind all whose interval lies wholly below its own, and before all whose
    interval lies wholly above.

    References
    ----------
    Klein, Wright and Wieczorek, Journal of the Royal Statistical Society C 69 (2020) 589.
    """
    n = len(low)
    below = (high[None, :] <= low[:, None]).sum(axis=1)
    above = (low[None, :] >= high[:, None]).sum(axis=1)
    return 1 + below, n - above


def pairwise_rank_sets(
    estimate: np.ndarray,
    standard_error: np.ndarray,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    units: np.ndarray | None = None,
    only_behind: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Return rank sets from independent estimates, rank 1 for the smallest, by tests of pairs.

    Every difference is tested against one critical value, the simulated quantile of the largest
    studentised difference; pairs found to differ are dropped and the rest tested again until
    nothing changes (step-down).

    Parameters
    ----------
    estimate, standard_error : shape (n,), in one unit.
    level : of each set where `units` has one unit, of all sets together otherwise.
    units : numbers of the units wanted; None for all.
    only_behind : test only whether others are ahead; the sets are then open at n.

    Returns
    -------
    Lowest and highest rank of each of `units`.

    References
    ----------
    Mogstad, Romano, Shaikh and Wilhelm, Review of Economic Studies (2023), sections 3.1 to 3.4.
    """
    n = len(estimate)
    units = np.arange(n) if units is None else np.asarray(units)
    row, other = (m.ravel() for m in np.meshgrid(units, np.arange(n), indexing="ij"))
    spread = np.hypot(standard_error[row], standard_error[other])
    behind = (estimate[row] - estimate[other]) / spread
    size = behind if only_behind else np.abs(behind)
    differs = row == other  # a unit is not tested against itself
    errors = standard_error * rng.standard_normal((SIMULATED, n))
    while not differs.all():
        critical = _critical(errors, row[~differs], other[~differs], level, only_behind=only_behind)
        found = ~differs & (size > critical)
        if not found.any():
            break
        differs |= found
    ahead = (differs & (behind > 0)).reshape(len(units), n).sum(axis=1)
    slower = (differs & (behind < 0)).reshape(len(units), n).sum(axis=1)
    return 1 + ahead, n - slower


def _critical(
    errors: np.ndarray, row: np.ndarray, other: np.ndarray, level: float, *, only_behind: bool
) -> float:
    """Quantile of the largest studentised difference of the pairs, over simulated errors."""
    sd = errors.std(axis=0)
    largest = np.full(len(errors), -np.inf)
    for unit in np.unique(row):
        against = other[row == unit]
        apart = (errors[:, [unit]] - errors[:, against]) / np.hypot(sd[unit], sd[against])
        largest = np.maximum(largest, (apart if only_behind else np.abs(apart)).max(axis=1))
    return float(np.quantile(largest, level))


def _statistics() -> Any:
    # Imported when first asked for: it takes longer to load than everything else here.
    from arviz_stats.base import array_stats  # type: ignore[attr-defined]

    return array_stats


def r_hat(draws: np.ndarray) -> np.ndarray:
    """Return rank-normalised split R-hat of draws (chains, draws, quantities).

    References
    ----------
    Vehtari, Gelman, Simpson, Carpenter and Bürkner, Bayesian Analysis 16 (2021).
    """
    return np.asarray(_statistics().rhat(draws, chain_axis=0, draw_axis=1))


def effective_draws(draws: np.ndarray) -> np.ndarray:
    """Return the bulk effective sample size of draws (chains, draws, quantities)."""
    return np.asarray(_statistics().ess(draws, chain_axis=0, draw_axis=1))
