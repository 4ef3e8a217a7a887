"""What the whole record shows of each step: who ran each side, and what came along.

It is the same wherever a question is asked, and it takes a look at every run, so it is worked out
once for a fit, and kept with a large one (`as_arrays`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmark.answers.company import (
    COMPANY,
    Sides,
    changed_along,
    company,
    names_of,
    sides_of,
)
from benchmark.answers.ladders import LADDERS, TYRE, Ladder
from benchmark.model.fit import Fit

STEPS, PARTS = "steps", "parts"  # what `as_arrays` calls its arrays
# What else may carry a step alone: the column of a run, and how the warning begins.
CARRIERS = (("build", "one car"), ("driver", "one driver"), (TYRE, "one tyre category"))


@dataclass(frozen=True)
class Seen:
    """From one rung of a ladder to another: who ran each side and what came along, in the store.

    Attributes
    ----------
    on_both_sides : whether each side has an outing.
    counts : builds seen on either side, on both, and on each.
    along : what changed too in every car that changed.
    told : what the record alone cannot tell, in words.
    named : what may be its company, in words, by cause.
    parts : draws of each part's difference between the sides, one array (draws,) a part.
    """

    ladder: Ladder
    start: int
    end: int
    on_both_sides: bool
    counts: Mapping[str, int]
    along: list[str]
    told: list[str]
    named: Mapping[str, str]
    parts: Mapping[str, np.ndarray]

    @property
    def ends(self) -> tuple[str, str]:
        """Both rungs as text."""
        return self.ladder.rungs[self.start], self.ladder.rungs[self.end]


def seen_steps(fit: Fit) -> list[Seen]:
    """Give every step of every ladder as the record shows it, worked out once for a fit."""
    if "steps" not in fit.memory:
        kept = fit.kept("gains")
        fit.memory["steps"] = _find(fit) if kept is None else _from_arrays(kept)
    found: list[Seen] = fit.memory["steps"]
    return found


def as_arrays(fit: Fit) -> dict[str, np.ndarray]:
    """Give the steps as arrays, to be kept with a fit; the draws are rounded to 32 bits."""
    steps = seen_steps(fit)
    told = [
        {"on_both_sides": one.on_both_sides, "counts": dict(one.counts), "along": one.along,
         "told": one.told, "named": dict(one.named)}
        for one in steps
    ]  # fmt: skip
    parts = np.array([[one.parts[name] for name in COMPANY] for one in steps], dtype=np.float32)
    return {STEPS: np.frombuffer(json.dumps(told).encode(), np.uint8), PARTS: parts}


def _from_arrays(kept: Mapping[str, np.ndarray]) -> list[Seen]:
    told: list[dict[str, Any]] = json.loads(kept[STEPS].tobytes())
    parts = kept[PARTS].astype(float)
    return [
        Seen(*pair, **one, parts=dict(zip(COMPANY, draws, strict=True)))
        for pair, one, draws in zip(_pairs(), told, parts, strict=True)
    ]


def _pairs() -> list[tuple[Ladder, int, int]]:
    return [(ladder, *pair) for ladder in LADDERS for pair in ladder.pairs()]


def _find(fit: Fit) -> list[Seen]:
    sides = [sides_of(fit.runs, fit.lookup, *pair) for pair in _pairs()]
    parts = company(fit, sides)
    return [
        _seen(fit, pair, side, {name: draws[:, k] for name, draws in parts.items()})
        for k, (pair, side) in enumerate(zip(_pairs(), sides, strict=True))
    ]


def _seen(
    fit: Fit, pair: tuple[Ladder, int, int], side: Sides, parts: dict[str, np.ndarray]
) -> Seen:
    ladder = pair[0]
    told = list(_unseen(pair, side))
    if not side.seen:
        return Seen(*pair, on_both_sides=False, counts=_counts(side), along=[], told=told,
                    named={}, parts=parts)  # fmt: skip
    return Seen(
        *pair,
        on_both_sides=True,
        counts=_counts(side),
        along=changed_along(fit.lookup, ladder, side),
        told=[*told, *_carried(fit, pair, side)],
        named=names_of(fit.lookup, side, COMPANY.values()),
        parts=parts,
    )


def _counts(side: Sides) -> dict[str, int]:
    before, after = int((side.n_before > 0).sum()), int((side.n_after > 0).sum())
    both = len(side.both)
    return {
        "builds": before + after - both,
        "changes": both,
        "builds_from": before,
        "builds_to": after,
    }


def _unseen(pair: tuple[Ladder, int, int], side: Sides) -> Iterator[str]:
    """The sides that no car ran."""
    ladder, *ends = pair
    for rung, builds in zip(ends, (side.n_before, side.n_after), strict=True):
        if not builds.any():
            yield f"no car ran {ladder.area.replace('_', ' ')} {ladder.rungs[rung]}"
    if side.seen and not len(side.both):
        yield "seen on different cars only, on none before and after"


def _carried(fit: Fit, pair: tuple[Ladder, int, int], side: Sides) -> Iterator[str]:
    """A side that one car, driver or tyre category carries alone while the other side has more."""
    ladder, *ends = pair
    for column, words in CARRIERS:
        if column == ladder.column:
            continue
        code, number = fit.lookup.codes(column)
        names = list(number)
        before, after = (
            np.flatnonzero(np.bincount(code[side.rung == rung], minlength=len(names)))
            for rung in ends
        )
        for rung, these, those in zip(ends, (before, after), (after, before), strict=True):
            if len(these) == 1 and (column == "build" or not np.array_equal(these, those)):
                yield f"{ladder.rungs[rung]} seen with {words} only ({names[these[0]]})"
