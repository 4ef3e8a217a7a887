"""Places, points, drop rounds and ties: the arithmetic of a season, on whole numbers and lists."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np


def places(keys: Sequence[tuple[float, ...]]) -> list[int]:
    """Give places to entries by their keys, smallest first; equal keys share the better place."""
    ordered = sorted(keys)
    first: dict[tuple[float, ...], int] = {}
    for place, key in enumerate(ordered, 1):
        first.setdefault(key, place)
    return [first[key] for key in keys]


def points_of(given: Sequence[int], by_place: Sequence[float], shared: str) -> list[float]:
    """Points of entries by their places.

    Parameters
    ----------
    given : places of one round, from `places`.
    by_place : points of the first, the second and so on; nought after.
    shared : entries of one place get the points of that place ("same"), or the mean of those of
        the places that they fill ("split").
    """

    def worth(place: int) -> float:
        return float(by_place[place - 1]) if place <= len(by_place) else 0.0

    def split(place: int) -> float:
        filled = range(place, place + list(given).count(place))
        return sum(worth(p) for p in filled) / len(filled)

    of: Callable[[int], float] = split if shared == "split" else worth
    return [of(place) for place in given]


@dataclass(frozen=True)
class Result:
    """One entry in one round."""

    place: int
    points: float


@dataclass(frozen=True)
class Total:
    """One entry's season: points that count, rounds that do not, its key in tie-breaks."""

    points: float
    dropped: tuple[Hashable, ...]
    key: tuple[float, ...]


def season_total(
    results: Mapping[Hashable, Result],
    rounds: Sequence[Hashable],
    drop: int,
    ties: Sequence[str],
) -> Total:
    """Add up an entry's rounds.

    Parameters
    ----------
    results : of the rounds in which it was placed.
    rounds : all rounds held so far, in order; a missed one counts nought points and can be the
        one that is dropped.
    drop : how many of the worst do not count. While fewer rounds than that plus one have been
        held, one round always counts.
    ties : "wins" (more first places), "places" (more firsts, then more seconds, and so on),
        "latest" (the better place in the latest round in which they differ).
    """
    scored = [(results[r].points if r in results else 0.0, k, r) for k, r in enumerate(rounds)]
    number = max(min(drop, len(rounds) - 1), 0)
    dropped = [r for _, _, r in sorted(scored, key=lambda one: (one[0], one[1]))[:number]]
    points = sum(p for p, _, r in scored if r not in dropped)
    held = [results[r].place for r in rounds if r in results]
    missed = float("inf")
    breaks: dict[str, tuple[float, ...]] = {
        "wins": (-float(held.count(1)),),
        "places": tuple(-float(held.count(p)) for p in range(1, 1 + max(held, default=0))),
        "latest": tuple(
            float(results[r].place) if r in results else missed for r in reversed(rounds)
        ),
    }
    key = (-points, *(value for tie in ties for value in _padded(tie, breaks[tie])))
    return Total(points, tuple(r for r in rounds if r in dropped), key)


MOST_PLACES = 300


def _padded(tie: str, values: tuple[float, ...]) -> tuple[float, ...]:
    """Give counts of places one length for all entries, so that keys compare place by place."""
    return values + (0.0,) * (MOST_PLACES - len(values)) if tie == "places" else values


def simulated_winners(
    scored: np.ndarray,
    group: np.ndarray,
    by_place: Sequence[float],
    drop: int,
) -> np.ndarray:
    """Chance of each entry to win its group's season, from simulated rounds.

    Parameters
    ----------
    scored : log scored times, shape (seasons, rounds, entries); NaN where absent.
    group : entries are placed within their group.
    by_place, drop : as in the rules.

    Returns
    -------
    Shares over the seasons; seasons that stay tied after points and wins are shared out.
    """
    _, rounds, n = scored.shape
    table = np.concatenate([np.asarray(by_place, dtype=float), np.zeros(n)])
    out = np.zeros(n)
    for g in np.unique(group):
        mine = np.flatnonzero(group == g)
        ordered = np.argsort(np.argsort(np.nan_to_num(scored[:, :, mine], nan=np.inf), axis=2), 2)
        there = np.isfinite(scored[:, :, mine])
        points = np.where(there, table[ordered], 0.0)
        wins = ((ordered == 0) & there).sum(axis=1)
        kept = np.sort(points, axis=1)[:, max(min(drop, rounds - 1), 0) :].sum(axis=1)
        total = kept + wins / (10.0 * rounds)
        best = total == total.max(axis=1, keepdims=True)
        out[mine] = (best / best.sum(axis=1, keepdims=True)).mean(axis=0)
    return out
