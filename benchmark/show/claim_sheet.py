"""A checked claim for people: its tables, and the page to print or send."""

from __future__ import annotations

from collections.abc import Sequence

from benchmark.answers.claim import ClaimAnswer
from benchmark.answers.claim_rules import OVERTURN, VERDICTS, Finding
from benchmark.show.claim_figures import claim_alt, claim_chart, claim_rows
from benchmark.show.figures import svg
from benchmark.show.output import Column
from benchmark.show.report import Report, Section
from benchmark.show.words import lap_text, percent, place_text, range_text, reference_text

OUTCOMES = {"ok": "in order", "note": "note", "fail": "FAILS"}
HEADINGS = {"fail": "What fails", "note": "What to note", "ok": "What is in order"}
METHOD = (
    "As timed: the probability that the claimed lap was quicker than the standing one, from the "
    "standard uncertainties of both lap times (normal errors). From 0.95 on it counts as quicker, "
    "a guard band of 0.82 of the expanded uncertainty U = 2 u.",
    "Where a timing's uncertainty is not given: transponder and beam 0.002 s, gps 0.03 s, video "
    "0.016 s, stopwatch or not recorded 0.10 s (a choice of ours); a time written to fewer than "
    "three decimals adds its step over the root of 12.",
    "At equal conditions: what a clean lap of each car as it stands would take at the reference, "
    "estimated from all counted laps with the claimed lap among them. Chances come from joint "
    "draws, so that what two cars share cancels. Tyre, driver and parts are not made equal.",
    "The claimed lap joins the data by weighing the fit's draws (importance sampling). A lap "
    "picked as the best of several unseen ones is weighed as the best of that many.",
    "What nobody recorded is drawn from what is usual and widens the intervals.",
)
REFERENCES = (
    "JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM).",
    "JCGM 106:2012, The role of measurement uncertainty in conformity assessment.",
    "ILAC-G8:09/2019, Guidelines on decision rules and statements of conformity.",
    "49 CFR 575.104, uniform tire quality grading: a treadwear grade says nothing of grip.",
    "Vehtari and others, Pareto smoothed importance sampling, J. Mach. Learn. Res. 25 (2024).",
)


def figure_columns(answer: ClaimAnswer) -> list[Column]:
    """Give the figures of the verdict as a table: what, value, meaning."""
    rows = [*_as_timed(answer), *_at_equal(answer), *_expected(answer)]
    headings = ("Figure", "Value", "What it says")
    columns = zip(*rows, strict=True)
    return [Column(name, cells) for name, cells in zip(headings, columns, strict=True)]


def _as_timed(answer: ClaimAnswer) -> list[tuple[str, str, str]]:
    raw, standing = answer.raw, answer.scope.standing
    rows = [
        (
            "Claimed lap",
            lap_text(answer.case.lap_time_s),
            f"standard uncertainty {answer.case.timing_u_s:.3f} s",
        )
    ]
    if raw is None or standing is None:
        return rows
    who = f"{standing['build']}, {standing['driver']}, {standing['date']!s:.10}"
    return [
        *rows,
        (
            "Standing lap",
            lap_text(standing["lap_time_s"]),
            f"{who}; the quickest of those compared",
        ),
        (
            "Margin as timed",
            f"{raw.margin_s:+.3f} s",
            f"negative is quicker; standard uncertainty {raw.u_s:.3f} s",
        ),
        ("Chance of being quicker", percent(raw.p_quicker), "as timed, from timing error alone"),
    ]


def _at_equal(answer: ClaimAnswer) -> list[tuple[str, str, str]]:
    adjusted, share = answer.adjusted, f"{100 * answer.level:.0f} %"
    rows = [
        (
            "Adjusted lap",
            lap_text(adjusted.time_s),
            f"{share} interval {range_text(adjusted.time_low_s, adjusted.time_high_s)}",
        )
    ]
    if adjusted.margin_s is not None:
        rows += [
            (
                "Margin at equal conditions",
                f"{adjusted.margin_s:+.3f} s",
                f"against {adjusted.rival}; {share} interval {adjusted.low_s:+.2f} to "
                f"{adjusted.high_s:+.2f} s",
            )
        ]
    meaning = "of all compared, at equal conditions"
    return [*rows, ("Chance of being quickest", percent(adjusted.p_fastest), meaning)]


def _expected(answer: ClaimAnswer) -> list[tuple[str, str, str]]:
    expected = answer.expected
    span = f"best of {expected.laps} flying laps of this specification, driver, tyre and day"
    return [
        ("Expected lap", range_text(expected.low_s, expected.high_s), span),
        ("Chance of such a lap", percent(expected.p_this_quick), "of this quick a lap, or quicker"),
        (
            "Chance that it is beaten",
            percent(answer.p_next_beats),
            "by the next car of its kind that comes, on a day of its own",
        ),
    ]


def finding_columns(answer: ClaimAnswer) -> list[Column]:
    """Give the findings as a table."""
    found = answer.findings
    return [
        Column("Check", [finding.check for finding in found]),
        Column("Outcome", [OUTCOMES[finding.outcome] for finding in found]),
        Column("What was found", [finding.detail for finding in found]),
    ]


def rival_columns(answer: ClaimAnswer) -> list[Column]:
    """Give the numbers of the picture."""
    rows = claim_rows(answer).to_dict("records")
    return [
        Column("Car", [str(row["build"]) for row in rows]),
        Column("Best lap as timed", [lap_text(row["best_s"]) for row in rows], right=True),
        Column("Adjusted lap", [lap_text(row["adjusted_s"]) for row in rows], right=True),
        Column(
            f"{100 * answer.level:.0f} % interval",
            [_range(row["low_s"], row["high_s"]) for row in rows],
            right=True,
        ),
    ]


def _range(low_s: float, high_s: float) -> str:
    return range_text(low_s, high_s) if low_s == low_s else "-"


def overturn_points(answer: ClaimAnswer) -> list[str]:
    """Say what would overturn the verdict, the smallest change first."""
    return [
        f"If {change.fact}: the verdict would be {change.verdict}"
        + (f" ({change.size_s:.3f} s of lap time)." if change.size_s is not None else ".")
        for change in answer.overturned_by
    ] or ["No single change that was tried brings another verdict."]


def finding_points(answer: ClaimAnswer) -> list[tuple[str, list[str]]]:
    """Give the findings as sentences under a heading for each outcome, what fails first."""
    told = [
        (heading, [_sentence(f) for f in _told(answer) if f.outcome == outcome])
        for outcome, heading in HEADINGS.items()
    ]
    return [(heading, points) for heading, points in told if points]


def _told(answer: ClaimAnswer) -> list[Finding]:
    """The findings but for the one that has a heading of its own."""
    return [finding for finding in answer.findings if finding.check != OVERTURN]


def _sentence(finding: Finding) -> str:
    return f"{finding.check[:1].upper()}{finding.check[1:]}: {finding.detail}."


def rule_points(verdict: str) -> list[str]:
    """Give the verdicts with their rules; this one is marked."""
    return [
        f"{name}{' (this verdict)' if name == verdict else ''}: {rule}."
        for name, (_, rule) in VERDICTS.items()
    ]


def rests_on(answer: ClaimAnswer) -> list[str]:
    """Say what the answer can be recomputed from."""
    basis, trace = answer.basis, answer.case.claim.trace
    reference: dict[str, object] = basis["reference"]  # type: ignore[assignment]
    lines = [
        f"Adjusted to: {reference_text(reference)}.",
        f"Fit {basis['fit']} ({basis['mode']} mode) on data version {answer.data_version}.",
    ]
    if trace is not None:
        lines.append(f"Trace {trace.file}, SHA-256 {trace.sha256}, line {trace.line}.")
    return [*lines, *answer.warnings]


def claim_sheet(answer: ClaimAnswer) -> Report:
    """Lay out a checked claim as a page to print or send."""
    sections = [
        Section(
            "Claim and rivals",
            picture=svg(claim_chart(answer)),
            picture_alt=claim_alt(answer),
            table=rival_columns(answer),
        ),
        Section("The figures", table=figure_columns(answer)),
        *(Section(heading, points=points) for heading, points in finding_points(answer)),
        Section("What would overturn it", points=overturn_points(answer)),
        Section("How the verdict is reached", points=rule_points(answer.verdict)),
        Section("Method and references", points=[*METHOD, *REFERENCES]),
    ]
    return Report(claim_title(answer), answer.sentence, sections, rests_on(answer))


def claim_title(answer: ClaimAnswer) -> str:
    """Name the claim."""
    lap = lap_text(answer.case.lap_time_s)
    return f"Claim: {answer.case.build}, {lap}, {place_text(*answer.case.where)}"


def claim_text(answer: ClaimAnswer) -> Sequence[str]:
    """Give the words around the tables of the terminal."""
    return [answer.sentence, f"Verdict: {answer.verdict}. Rule: {VERDICTS[answer.verdict][1]}."]
