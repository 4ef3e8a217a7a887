"""A claim together with a trace of the lap."""

from __future__ import annotations

from dataclasses import replace

from benchmark.answers.claim_case import Claim, read_facts
from benchmark.answers.claim_trace import weigh_trace
from benchmark.intake.trace import TimingLine, Trace
from benchmark.trade.timing import lap_uncertainty


def with_trace(
    claim: Claim, trace: Trace, line: TimingLine | None = None, length_m: float | None = None
) -> Claim:
    """Hold the claimed time against a trace, and keep what it shows with the claim.

    A claim whose timing is not told counts as read from this trace, without an error of its own.

    Parameters
    ----------
    claim : as it was handed in.
    trace : as read.
    line, length_m : timing line and length [m] of the layout; a line is proposed without one.

    Raises
    ------
    FaultyFile
        The trace holds no lap at all.
    BadQuestion
        The claim cannot be read, or the length is not above zero.
    """
    facts = read_facts(claim)
    told = facts["timing"] is not None or facts["timing_u_s"] is not None
    u_s = lap_uncertainty(facts["timing"], facts["timing_u_s"]) if told else 0.0
    shown = weigh_trace(
        trace, claimed_s=facts["lap_time_s"], claimed_u_s=u_s, line=line, length_m=length_m
    )
    return replace(claim, trace=shown)
