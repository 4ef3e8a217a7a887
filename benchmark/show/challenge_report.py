"""A challenge published: one page with standings, factors and fairness, as HTML, PDF or CSV."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from benchmark.errors import BadQuestion
from benchmark.show.challenge import (
    entry_columns,
    factor_columns,
    fairness_columns,
    leader_line,
    rests_on_lines,
    standing_columns,
    table_words,
)
from benchmark.show.challenge_rules import rules_lines
from benchmark.show.challenge_words import fairness_lines
from benchmark.show.output import records, to_spreadsheet_csv
from benchmark.show.report import Report, Section, to_html, to_pdf

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.answers.challenge.basis import Basis
    from benchmark.answers.challenge.fairness import Fairness
    from benchmark.answers.challenge.standings import Standings

SEASON_WORDS = (
    "An entry is a car, whoever drives it. Places in brackets are dropped: they give no points, "
    "but count in tie-breaks. The chance beforehand is that of winning the season, simulated "
    "over the rounds that the entry took part in, from laps before the rounds; results do not "
    "change it."
)
ROUND_WORDS = (
    "The chance beforehand is that of winning the round, simulated from earlier laps; the result "
    "does not change it. The place as timed is that of the best lap without a factor."
)
FIELD_WORDS = (
    "These are the cars known before the factors are made, with the parts and tyres that they had "
    "then. Who comes to a round may be others, or have changed: standings say what each had there."
)
ENDINGS = (".html", ".pdf", ".csv")


def published(
    basis: Basis,
    laps: pd.DataFrame,
    ending: str,
    *,
    level: float = 0.9,
    as_of: date | None = None,
) -> bytes:
    """Give the challenge as a file of that ending; the same store and rules give the same bytes.

    Raises
    ------
    BadQuestion
        Another ending than .html, .pdf or .csv.
    """
    from benchmark.answers.challenge.standings import standings

    if ending not in ENDINGS:
        raise BadQuestion(f"cannot publish as {ending or 'a file without ending'}: end the name in "
                          f"{', '.join(ENDINGS)}")  # fmt: skip
    found = standings(basis, laps, as_of=as_of)
    if ending == ".csv":
        return standings_csv(found, basis).encode()
    report = challenge_sheet(basis, found, level)
    return to_html(report).encode() if ending == ".html" else to_pdf(report)


def standings_csv(found: Standings, basis: Basis) -> str:
    """Give every round's standings and the season's as CSV, safe to open in a spreadsheet."""
    import pandas as pd

    both = pd.concat([found.rounds, found.season], ignore_index=True)
    stamp = found.stamp(basis)
    rows = records(both, stamp)
    return to_spreadsheet_csv(rows, [*both.columns, *stamp])


def challenge_sheet(basis: Basis, found: Standings, level: float = 0.9) -> Report:
    """Lay out standings, factors and fairness as a page to print or send."""
    from benchmark.answers.challenge.factor_rows import factor_rows
    from benchmark.answers.challenge.factors import table_of
    from benchmark.answers.challenge.fairness import fairness

    season = found.of(None)
    sections = [*_standings(found), Section("The rules", points=rules_lines(basis.rules))]
    if basis.fit is not None:
        table = table_of(basis)
        factors = factor_rows(table, level)
        sections.append(
            Section(
                "Factors, as published before the first round",
                paragraphs=[table_words(basis.rules)],
                table=factor_columns(factors, level),
            )
        )
        sections += _fairness(fairness(table, level), basis.rules.factor["kind"], level)
    answer = leader_line(found, basis.rules, season)
    return Report(basis.rules.name, answer, sections, rests_on_lines(basis, found))


def _standings(found: Standings) -> list[Section]:
    ahead = [f"Not held yet: {', '.join(found.ahead)}."] if found.ahead else []
    ahead += found.missing
    if not found.held:
        return [Section("Standings", paragraphs=ahead)]
    sections = []
    if len(found.held) + len(found.ahead) > 1:
        sections.append(Section("Season", paragraphs=[SEASON_WORDS, *ahead],
                                table=standing_columns(found.season)))  # fmt: skip
    sections += [
        Section(name, paragraphs=[ROUND_WORDS], table=standing_columns(found.of(name)))
        for name in found.held
    ]
    return sections


def _fairness(found: Fairness, kind: str, level: float) -> list[Section]:
    asked = list(found.questions["question"]) if len(found.questions) else []
    questions = asked or ["No entry's pace is out of keeping with its declared specification."]
    return [
        Section(
            "Fairness, from simulated events",
            points=fairness_lines(found, kind),
            table=fairness_columns(found.classes, level),
        ),
        Section("Who wins how often", paragraphs=[FIELD_WORDS], table=entry_columns(found.entries)),
        Section("Questions to the steward", points=questions),
    ]
