"""Which fact, if it were another, would overturn the verdict; the smallest change first.

Every change is weighed in seconds of this lap, so that a fault of timing, a degree of air and a
step of an area stand in one order. The verdict after each is decided anew by the same rules.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case
from benchmark.answers.claim_draws import Weighed, weighted_quantiles
from benchmark.answers.claim_margins import Raw, p_fastest_of, raw_margin
from benchmark.answers.claim_rules import (
    FASTEST_AT_LEAST,
    QUICKER_AT_LEAST,
    Grounds,
    decide,
)
from benchmark.answers.claim_scope import Field, Scope, scope_of
from benchmark.answers.entries import class_of, reference_rows, usual_levels
from benchmark.model.fit import Fit
from benchmark.trade.classes import AREAS, DRY_TYRES, LEVELS
from benchmark.trade.uncertainty import combined_u, coverage_factor, p_quicker

LARGEST = 0.05  # share of the lap; a change worth more than this overturns any verdict
A_TENTH = 1e-4  # just past a threshold, so that the rules decide for the other side [s]


@dataclass(frozen=True, slots=True)
class Overturn:
    """One change that would bring another verdict; what it amounts to, in seconds of this lap."""

    fact: str
    size_s: float | None
    verdict: str


@dataclass(frozen=True)
class Settled:
    """What a verdict was decided on."""

    case: Case
    weighed: Weighed
    scope: Scope
    field: Field
    raw: Raw | None
    grounds: Grounds

    @property
    def verdict(self) -> str:
        """The verdict on these grounds."""
        return decide(self.grounds)

    def by_times(self, **changes: float | None) -> str:
        """The verdict that the times alone would give, with changed figures."""
        return decide(replace(self.grounds, falls=(), held_up=(), **changes))  # type: ignore[arg-type]


def overturned_by(fit: Fit, settled: Settled) -> list[Overturn]:
    """List what would overturn the verdict, the smallest change first."""
    if settled.grounds.falls or settled.grounds.held_up:
        return list(_without_reasons(settled))
    if settled.raw is None:
        first = "a first counted lap of another car in scope, quicker or slower"
        return [Overturn(first, None, "any of the others")]
    found = [
        *_other_time(settled, settled.raw),
        *_other_timing(settled, settled.raw),
        *_struck(settled),
        *_other_conditions(settled),
        *_other_scope(fit, settled),
    ]
    found = [change for change in found if change.verdict != settled.verdict]
    return sorted(found, key=lambda change: change.size_s or 0.0)


def _without_reasons(settled: Settled) -> Iterator[Overturn]:
    verdict = settled.by_times()
    for reason in (*settled.grounds.falls, *settled.grounds.held_up):
        yield Overturn(f"this were shown to be otherwise: {reason}", None, verdict)


def _other_time(settled: Settled, raw: Raw) -> Iterator[Overturn]:
    """A lap this much slower or quicker: a fault of timing, or a rival's lap nobody collected."""
    edge = coverage_factor(2 * QUICKER_AT_LEAST - 1) * raw.u_s
    for wanted, way in ((-edge, -1), (edge, -1), (-edge, 1), (edge, 1)):
        change = wanted - raw.margin_s
        if np.sign(change) == way:
            moved = change + way * A_TENTH
            p = p_quicker(raw.margin_s + moved, raw.u_s)
            verdict = settled.by_times(p_quicker=p)
            if way > 0:
                other = "or a rival's lap this much quicker than the standing one came to light"
                words = f"the claimed lap were {moved:.3f} s slower than claimed, {other}"
            else:
                words = f"the claimed lap were {-moved:.3f} s quicker than claimed"
            yield Overturn(words, abs(moved), verdict)


def _other_timing(settled: Settled, raw: Raw) -> Iterator[Overturn]:
    """A claimed lap that was timed worse, or better, than is taken."""
    other_u = float(settled.scope.standing["timing_u_s"])  # type: ignore[index]
    needed = (raw.margin_s / coverage_factor(2 * QUICKER_AT_LEAST - 1)) ** 2 - other_u**2
    if needed <= 0 or raw.margin_s == 0:
        return
    limit, now = float(np.sqrt(needed)), settled.case.timing_u_s
    u_s = limit + A_TENTH if limit > now else max(limit - A_TENTH, 0.0)
    p = p_quicker(raw.margin_s, combined_u(u_s, other_u))
    way = "at least" if limit > now else "at most"
    words = (
        f"the standard uncertainty of the claimed lap's timing were {way} {u_s:.3f} s instead of "
        f"{now:.3f} s"
    )
    yield Overturn(words, abs(u_s - now), settled.by_times(p_quicker=p))


def _struck(settled: Settled) -> Iterator[Overturn]:
    """The standing lap is struck, and the next one stands instead."""
    scope, standing = settled.scope, settled.scope.standing
    then = scope.without_standing()
    what = f"the standing lap ({standing['build']}, {standing['date']!s:.10}) were struck"  # type: ignore[index]
    if then.standing is None:
        yield Overturn(what, None, settled.by_times(p_quicker=None))
        return
    raw = raw_margin(settled.case, then)
    size = float(then.standing["lap_time_s"] - standing["lap_time_s"])  # type: ignore[index]
    p = None if raw is None else raw.p_quicker
    yield Overturn(what, size, settled.by_times(p_quicker=p))


def _other_conditions(settled: Settled) -> Iterator[Overturn]:
    """How far the estimate would have to move for the chance at equal conditions to pass 0.90."""
    scope, weighed = settled.scope, settled.weighed
    if scope.entries.empty:
        return
    lead = scope.adjusted.min(axis=1)[:, None] - weighed.adjusted
    (slack,) = weighted_quantiles(lead, weighed.weights, (1 - FASTEST_AT_LEAST,))
    past = A_TENTH / settled.case.lap_time_s
    shift = float(slack) + (past if slack > 0 else -past)
    p = p_fastest_of(weighed, scope, shift)
    seconds = abs(settled.case.lap_time_s * np.expm1(shift))
    way = "slower" if shift > 0 else "quicker"
    words = (
        f"the car were {seconds:.2f} s {way} at equal conditions, by wrongly recorded weather, "
        "parts, tyre or driver"
    )
    if seconds < LARGEST * settled.case.lap_time_s:
        yield Overturn(words, seconds, settled.by_times(p_fastest=p))


def _other_scope(fit: Fit, settled: Settled) -> Iterator[Overturn]:
    """Another level of an area, or another tyre, that puts the car in other company."""
    others = [
        (words, changed)
        for words, changed in _other_facts(fit, settled.case)
        if scope_of(changed) != settled.scope.what
    ]
    if not others:
        return
    shifts = _shifts(fit, settled.case, [changed for _, changed in others])
    sizes = np.abs(settled.case.lap_time_s * np.expm1(np.median(shifts, axis=0)))
    seen: set[tuple[str, ...]] = set()
    for k in np.argsort(sizes, kind="stable"):  # of those that lead to one company, the smallest
        words, changed = others[k]
        what = scope_of(changed)
        if tuple(what.values()) in seen:
            continue
        seen.add(tuple(what.values()))
        scope = settled.field.scope(what)
        raw = raw_margin(changed, scope)
        p = None if raw is None else raw.p_quicker
        p_first = p_fastest_of(settled.weighed, scope, shifts[:, [k]])
        yield Overturn(words, float(sizes[k]), settled.by_times(p_quicker=p, p_fastest=p_first))


def _other_facts(fit: Fit, case: Case) -> Iterator[tuple[str, Case]]:
    """The claim with one level, or the tyre, one step away."""
    usual = usual_levels(fit, case.facts["model"])
    for area in AREAS:
        recorded = case.facts[f"mod_{area}"]
        now = usual[area] if recorded is None else int(recorded)
        for level in (now - 1, now + 1):
            if level in LEVELS:
                facts = {**case.facts, f"mod_{area}": level}
                in_class = class_of(facts, usual)
                words = f"{area} were level {level} instead of {now} (class {in_class})"
                yield words, replace(case, facts=facts, real_class=in_class)
    tyre = str(case.facts["tyre_category"])
    if tyre in DRY_TYRES:
        k = DRY_TYRES.index(tyre)
        for other in (*DRY_TYRES[max(k - 1, 0) : k], *DRY_TYRES[k + 1 : k + 2]):
            facts = {**case.facts, "tyre_category": other, "treadwear": None}
            yield f"the tyre were {other} instead of {tyre}", replace(case, facts=facts)


def _shifts(fit: Fit, case: Case, changed: list[Case]) -> np.ndarray:
    """What each change does to the entry at reference, log time, shape (draws, changes)."""
    facts = pd.DataFrame([case.facts, *(one.facts for one in changed)]).astype(object)
    rows = reference_rows(facts.where(facts.notna(), None), *case.where, surface=case.surface)
    log_time = fit.log_time(rows)
    return np.asarray(log_time[:, 1:] - log_time[:, [0]])


def overturn_text(changes: list[Overturn], verdict: str) -> str:
    """Write the smallest changes as one sentence."""
    if not changes:
        return f"no single change that was tried brings another verdict than {verdict}"
    return "; ".join(f"if {change.fact}: {change.verdict}" for change in changes[:3])
