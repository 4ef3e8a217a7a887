"""From raw times to scored times: factors, the tolerance, and personal factors that move.

All of it is arithmetic on published numbers, so that anyone can recompute it. How much quicker an
entry was than assumed is judged against the field of the same round: its log time less the
assumed one, less the median of that difference over all entries, so that weather and track cancel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmark.intake.rules import Rules

LEAST_FIELD = 3  # below this a median says nothing of the day
RATCHET_TOLERANCE = 0.0075  # where the rules name none; choice of ours


@dataclass(frozen=True)
class Policy:
    """How scored times are limited and factors move; sizes in log time.

    Attributes
    ----------
    tolerance : how much quicker than assumed still counts in full; None: no limit.
    ratchet : whether a factor tightens at once and loosens slowly.
    loosen : how much it may loosen a round.
    """

    tolerance: float | None = None
    ratchet: bool = False
    loosen: float = 0.0

    @classmethod
    def of(cls, rules: Rules, kind: str) -> Policy:
        """Take the policy from the rules; only class and personal factors have one."""
        factor = rules.factor
        given = factor["tolerance_pct"]
        tolerance = given / 100 if given is not None and kind in ("class", "personal") else None
        ratchet = bool(factor["ratchet"]) and kind == "personal"
        return cls(tolerance, ratchet, factor["loosen_pct"] / 100)


def quicker_than_assumed(log_time: np.ndarray, assumed: np.ndarray) -> np.ndarray:
    """Each entry's departure from its assumed pace against the field's, negative: quicker.

    Over the last axis; absent entries are NaN. A field below `LEAST_FIELD` gives nought.
    """
    off = log_time - assumed
    if not off.size:
        return np.asarray(off)
    there = np.isfinite(off).sum(axis=-1, keepdims=True)
    if not np.isnan(off).any():
        middle = np.median(off, axis=-1, keepdims=True)
    else:
        filled = np.where(there > 0, off, 0.0)
        middle = np.nanmedian(filled, axis=-1, keepdims=True)
    return np.asarray(np.where(there >= LEAST_FIELD, off - middle, off * 0.0))


def limited(log_time: np.ndarray, assumed: np.ndarray, policy: Policy) -> np.ndarray:
    """Log times in which nobody is quicker than assumed by more than the tolerance."""
    if policy.tolerance is None:
        return log_time
    off = quicker_than_assumed(log_time, assumed)
    return np.asarray(log_time + np.maximum(-(off + policy.tolerance), 0.0))


@dataclass(frozen=True)
class Played:
    """Scored rounds, shape (..., rounds, entries): log scored time, log factor, time taken off."""

    scored: np.ndarray
    log_factor: np.ndarray
    limit: np.ndarray


def play(
    log_time: np.ndarray,
    assumed: np.ndarray,
    handicap: np.ndarray,
    room: np.ndarray,
    policy: Policy,
    *,
    rounding: bool = True,
) -> Played:
    """Score rounds one after another.

    Parameters
    ----------
    log_time : of the counted time, shape (..., rounds, entries); NaN where an entry is absent.
    assumed : pace assumed of each entry before the first round, (rounds, entries). [log s]
    handicap : log factor of each entry before the first round, (rounds, entries).
    room : how far an entry's factor may loosen from there, (entries,); 0 for no floor above it.
    policy : limit and ratchet.
    rounding : whether factors are rounded as published.
    """
    shape = log_time.shape
    shift = np.zeros((*shape[:-2], shape[-1]))
    scored, factors, limits = np.empty(shape), np.empty(shape), np.empty(shape)
    for t in range(shape[-2]):
        factor = handicap[t] - shift
        if rounding:
            factor = np.log(np.round(np.exp(factor), 4))
        raw, expected = log_time[..., t, :], assumed[t] + shift
        limit = limited(raw, expected, policy) - raw
        scored[..., t, :] = raw + factor + limit
        factors[..., t, :], limits[..., t, :] = factor, limit
        if policy.ratchet:
            shift = _moved(shift, quicker_than_assumed(raw, expected), room, policy)
    return Played(scored, factors, limits)


def _moved(shift: np.ndarray, off: np.ndarray, room: np.ndarray, policy: Policy) -> np.ndarray:
    """Tighten at once by all that was shown beyond the tolerance's reach, loosen slowly."""
    off = np.nan_to_num(off)
    tolerance = policy.tolerance if policy.tolerance is not None else RATCHET_TOLERANCE
    looser = np.minimum(shift + np.minimum(off, policy.loosen), np.maximum(room, shift))
    return np.where(off < -tolerance, shift + off, np.where(off > 0, looser, shift))
