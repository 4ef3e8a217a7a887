"""What a trace shows of a claimed lap: its own time of it, and all that is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass

from benchmark.answers.claim_rules import FAIL, Finding
from benchmark.intake.trace import TimingLine, Trace, find_laps, propose_line
from benchmark.intake.trace_check import check_trace


@dataclass(frozen=True)
class TraceEvidence:
    """What a trace says of a claimed lap; it is kept with the claim, the trace itself is not.

    Attributes
    ----------
    file, sha256 : the trace, and its digest.
    lap_time_s, timing_u_s : of the lap that comes nearest to the claim; None without a lap. [s]
    agrees : whether the claimed time is that lap's, within timing error at 95 %.
    quicker_than_trace : whether the claim is quicker than what the trace shows.
    findings : all that was looked at.
    line : the timing line used, as text that `TimingLine.parse` reads.
    line_origin : given, stored or proposed.
    """

    file: str
    sha256: str
    lap_time_s: float | None
    timing_u_s: float | None
    agrees: bool
    quicker_than_trace: bool
    findings: tuple[Finding, ...]
    line: str
    line_origin: str


def weigh_trace(
    trace: Trace,
    *,
    claimed_s: float,
    claimed_u_s: float = 0.0,
    line: TimingLine | None = None,
    length_m: float | None = None,
) -> TraceEvidence:
    """Hold a claimed lap time against a trace.

    Parameters
    ----------
    trace : as read.
    claimed_s, claimed_u_s : the claimed lap and the standard uncertainty of its own timing. [s]
    line : where laps begin and end; proposed from the trace where nobody gave one.
    length_m : length of the layout, where known. [m]

    Raises
    ------
    FaultyFile
        The trace holds no lap at all to propose a line from.
    BadQuestion
        A length or a time that is not above zero.
    """
    line = line or propose_line(trace)
    laps = find_laps(trace, line)
    check = check_trace(
        trace, laps, expected_length_m=length_m, claimed_s=claimed_s, claimed_u_s=claimed_u_s
    )
    found = tuple(Finding(f"trace: {f.check}", f.outcome, f.detail) for f in check.findings)
    nearest = check.comparison
    return TraceEvidence(
        trace.file,
        trace.sha256,
        nearest.lap.lap_time_s if nearest else None,
        nearest.lap.timing_u_s if nearest else None,
        nearest.agrees if nearest else False,
        bool(nearest and not nearest.agrees and nearest.difference_s < 0),
        found,
        str(line),
        line.origin,
    )


def trace_faults(evidence: TraceEvidence) -> list[Finding]:
    """The findings of a trace that failed."""
    return [finding for finding in evidence.findings if finding.outcome == FAIL]
