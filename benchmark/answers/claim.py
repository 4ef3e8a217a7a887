"""Is this lap the fastest of its class: verdict, margins, findings, what would overturn it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case, Claim, make_case
from benchmark.answers.claim_chance import Plausibility, p_next_beats, plausibility
from benchmark.answers.claim_compare import Gain, Worth, air_of, gain_over_earlier, worths
from benchmark.answers.claim_draws import Weighed, weigh, weighted_quantiles
from benchmark.answers.claim_estimates import Estimates, estimate_findings
from benchmark.answers.claim_findings import class_fault, flying_fault, record_findings, tyre_fault
from benchmark.answers.claim_margins import Adjusted, Raw, adjusted_margin, raw_margin
from benchmark.answers.claim_overturn import Overturn, Settled, overturn_text, overturned_by
from benchmark.answers.claim_rules import (
    IMPLAUSIBLE_BELOW,
    NOTE,
    OVERTURN,
    TRACE_TIME,
    VERDICTS,
    Finding,
    Grounds,
)
from benchmark.answers.claim_scope import Field, Scope, scope_of
from benchmark.answers.claim_sentence import sentence_of
from benchmark.answers.claim_trace import TraceEvidence, trace_faults
from benchmark.answers.entries import basis, check_level, reference
from benchmark.model.fit import Fit

MOST_RIVALS = 12  # shown in the picture and the table beside the standing lap


@dataclass(frozen=True)
class ClaimAnswer:
    """A checked claim. `record` gives the published fields."""

    case: Case
    scope: Scope
    verdict: str
    sentence: str
    raw: Raw | None
    adjusted: Adjusted
    expected: Plausibility
    worths: dict[str, Worth]
    gain: Gain | None
    p_next_beats: float
    findings: list[Finding]
    overturned_by: list[Overturn]
    rivals: pd.DataFrame
    basis: dict[str, object]
    data_version: int
    level: float
    warnings: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """Give the answer as its published fields, in their order."""
        raw, adjusted = self.raw, self.adjusted
        return {
            "class": self.case.real_class,
            "verdict": self.verdict,
            "raw_margin_s": raw and raw.margin_s,
            "margin_u_s": raw and raw.u_s,
            "p_quicker": raw and raw.p_quicker,
            "adjusted_margin_s": adjusted.margin_s,
            "low_s": adjusted.low_s,
            "high_s": adjusted.high_s,
            "p_fastest": adjusted.p_fastest,
            "expected_low_s": self.expected.low_s,
            "expected_high_s": self.expected.high_s,
            "p_this_quick": self.expected.p_this_quick,
            "findings": [asdict(finding) for finding in self.findings],
            "overturned_by": [asdict(change) for change in self.overturned_by],
            "answer": self.sentence,
            "rule": VERDICTS[self.verdict][1],
            "scope": dict(self.scope.what),
            "standing": self._standing(),
            "adjusted_s": adjusted.time_s,
            "adjusted_low_s": adjusted.time_low_s,
            "adjusted_high_s": adjusted.time_high_s,
            "adjusted_rival": adjusted.rival,
            "adjusted_rival_s": adjusted.rival_s,
            "p_next_beats": self.p_next_beats,
            "gain": asdict(self.gain) if self.gain else None,
            "data_version": self.data_version,
            **self.basis,
        }

    def _standing(self) -> dict[str, Any] | None:
        row = self.scope.standing
        if row is None:
            return None
        told = ("build", "driver", "date", "session", "tyre_category", "lap_time_s", "timing_u_s")
        return {column: row[column] for column in told}


def check_claim(fit: Fit, claim: Claim, *, level: float = 0.9) -> ClaimAnswer:
    """Check a claim against everything the fit knows.

    Parameters
    ----------
    fit : the fitted store.
    claim : as it was handed in.
    level : probability that an interval holds; the rules of the verdict do not depend on it.

    Raises
    ------
    BadQuestion
        An unknown circuit, layout, class or scope, or a value that cannot be; a build, model or
        driver that nobody knows is legal.
    BadValue
        A weather report that is no METAR.
    """
    check_level(level)
    case = make_case(fit, claim)
    field = Field(fit, case)
    scope = field.scope(scope_of(case))
    weighed = weigh(fit, case)
    raw, adjusted = raw_margin(case, scope), adjusted_margin(weighed, scope, level)
    expected = plausibility(case, weighed, level, fit.seed)
    grounds = _grounds(case, raw, adjusted, expected)
    settled = Settled(case, weighed, scope, field, raw, grounds)
    found = _estimates(fit, case, weighed, scope, expected, level)
    changes = overturned_by(fit, settled)
    findings = [
        *record_findings(fit, case, scope),
        *estimate_findings(case, weighed, found),
        Finding(OVERTURN, NOTE, overturn_text(changes, settled.verdict)),
    ]
    stated = reference(fit, *case.where, surface=case.surface)
    return ClaimAnswer(
        case=case,
        scope=scope,
        verdict=settled.verdict,
        sentence=sentence_of(case, scope, raw, adjusted, grounds),
        raw=raw,
        adjusted=adjusted,
        expected=expected,
        worths=dict(found.worths),
        gain=found.gain,
        p_next_beats=found.p_next_beats,
        findings=findings,
        overturned_by=changes,
        rivals=_rivals(weighed, scope, level),
        basis=basis(fit, stated),
        data_version=fit.data_version,
        level=level,
        warnings=tuple(fit.warnings),
    )


def _grounds(case: Case, raw: Raw | None, adjusted: Adjusted, expected: Plausibility) -> Grounds:
    falls = [flying_fault(case), class_fault(case), tyre_fault(case), _trace_time(case.claim.trace)]
    held_up = [*_trace_faults(case.claim.trace), _implausible(expected)]
    return Grounds(
        tuple(filter(None, falls)),
        tuple(filter(None, held_up)),
        raw.p_quicker if raw else None,
        adjusted.p_fastest,
    )


def _trace_time(trace: TraceEvidence | None) -> str | None:
    """A claim quicker than its own trace, with nothing else wrong with that, falls."""
    if trace is None or not trace.quicker_than_trace:
        return None
    faults = trace_faults(trace)
    if any(fault.check != TRACE_TIME for fault in faults):
        return None
    return faults[0].detail if faults else None


def _trace_faults(trace: TraceEvidence | None) -> list[str]:
    return [fault.detail for fault in trace_faults(trace)] if trace else []


def _implausible(expected: Plausibility) -> str | None:
    if expected.p_this_quick >= IMPLAUSIBLE_BELOW:
        return None
    return (
        "a lap this quick has a chance of under 1 in 1,000 for this specification, driver, tyre "
        "and day"
    )


def _estimates(
    fit: Fit, case: Case, weighed: Weighed, scope: Scope, expected: Plausibility, level: float
) -> Estimates:
    standing = None if scope.standing is None else dict(scope.standing)
    return Estimates(
        air=air_of(fit, case.where, case.facts),
        standing=standing,
        standing_air=air_of(fit, case.where, standing) if standing else {},
        worths=worths(fit, case, weighed, standing, level) if standing else {},
        expected=expected,
        gain=gain_over_earlier(fit, case, weighed),
        p_next_beats=p_next_beats(fit, case, scope),
    )


def _rivals(weighed: Weighed, scope: Scope, level: float) -> pd.DataFrame:
    """The rivals to show: best lap and, where it is an entry in scope, its adjusted lap [s]."""
    tail = (1 - level) / 2
    by_draw = weighed.after.sum(axis=1)
    columns = ["build", "driver", "date", "tyre_category", "lap_time_s"]
    rivals = scope.best[columns].head(MOST_RIVALS)
    shown = set(rivals["build"])
    adjusted = [
        [build, *np.exp(weighted_quantiles(draws, by_draw, (0.5, tail, 1 - tail)))]
        for build, draws in zip(scope.entries["build"], scope.adjusted.T, strict=True)
        if build in shown
    ]
    table = pd.DataFrame(adjusted, columns=["build", "adjusted_s", "low_s", "high_s"])
    return rivals.merge(table, on="build", how="left")
