"""`benchmark challenge ...`: a club's challenge, from its rules file to published standings."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db, Level, Surface
from benchmark.commands.progress import progress
from benchmark.errors import BadQuestion
from benchmark.show.output import Format

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.answers.challenge.basis import Basis
    from benchmark.answers.challenge.fairness import Fairness
    from benchmark.answers.challenge.standings import Standings

RulesFile = Annotated[
    Path, typer.Option("--rules", metavar="FILE.toml", help="The rules of the challenge.")
]
OfRound = Annotated[
    str | None,
    typer.Option(
        "--round", help="Factors of this round, where the rules renew them; else the first's."
    ),
]
AsOf = Annotated[
    str | None,
    typer.Option(
        metavar="DATE",
        help="Day on which results are final or provisional; without it the day of the latest "
        "counted lap.",
    ),
]


def classes(
    rules: RulesFile,
    number: Annotated[int, typer.Option(min=1, max=12, help="How many classes.")] = 3,
    minimum: Annotated[int, typer.Option(min=1, help="Least cars of a class.")] = 3,
    toml: Annotated[
        bool, typer.Option("--toml", help="Print the proposal as it goes into a rules file.")
    ] = False,
    surface: Surface = "dry",
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Propose classes from data, and compare them with those of the rules and the default."""
    from benchmark.answers.challenge.propose import classes_toml, propose
    from benchmark.show.challenge import proposal_columns

    with _ground(rules, surface, db) as (basis, _):
        found = propose(basis, number, minimum)
    if toml:
        typer.echo(classes_toml(found.rules), nl=False)
        return
    _print(found.rows, basis.stamp(), format, proposal_columns(found.rows))
    if format is Format.TABLE:
        typer.echo(f"The words put {100 * found.agreed:.0f} % of the cars where their pace would.")
        _say_ground(basis)


def factors(
    rules: RulesFile,
    round: OfRound = None,
    surface: Surface = "dry",
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Give the factors with their intervals, as they are published before a round."""
    from benchmark.answers.challenge.factor_rows import factor_rows
    from benchmark.answers.challenge.factors import table_of
    from benchmark.answers.entries import check_level
    from benchmark.show.challenge import factor_columns

    check_level(level)
    with _ground(rules, surface, db) as (basis, laps):
        table = table_of(basis).for_round(laps, basis.rules.round(round))
        found = factor_rows(table, level)
    _print(found, table.basis.stamp(), format, factor_columns(found, level))
    if format is Format.TABLE:
        _say_ground(table.basis)


def standings(
    rules: RulesFile,
    round: Annotated[
        str | None, typer.Option("--round", help="One round; without it the season.")
    ] = None,
    as_of: AsOf = None,
    surface: Surface = "dry",
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Give the standings of the season or of one round, everybody left out with the reason."""
    from benchmark.answers.challenge.standings import standings as answer
    from benchmark.show.challenge import leader_line, standing_columns

    with _ground(rules, surface, db) as (basis, laps):
        found = answer(basis, laps, as_of=_day(as_of))
    table = found.of(round)
    if format is Format.TABLE:
        typer.echo(leader_line(found, basis.rules, table))
    _print(table, found.stamp(basis), format, standing_columns(table))
    if format is Format.TABLE:
        _say_ground(basis, found)
    for sentence in found.missing:
        typer.echo(sentence, err=True)


def fairness(
    rules: RulesFile,
    round: OfRound = None,
    surface: Surface = "dry",
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Give the fairness figures: who wins simulated events, how evenly, and questions to ask."""
    from benchmark.answers.challenge.factors import table_of
    from benchmark.answers.challenge.fairness import fairness as answer
    from benchmark.answers.entries import check_level
    from benchmark.show.challenge import fairness_columns
    from benchmark.show.challenge_words import fairness_lines

    check_level(level)
    with _ground(rules, surface, db) as (basis, laps):
        table = table_of(basis).for_round(laps, basis.rules.round(round))
        found = answer(table, level)
    last: dict[Any, Any] = {"class": "all", "entries": len(found.entries), **found.overall}
    last["questions"] = found.questions.to_dict("records")
    if format is Format.TABLE:
        stamp = table.basis.stamp()
        _print(found.classes, stamp, format, fairness_columns(found.classes, level))
        asked = list(found.questions["question"]) if len(found.questions) else []
        typer.echo("\n".join([*fairness_lines(found, basis.rules.factor["kind"]), *asked]))
        _say_ground(table.basis)
        return
    rows: list[dict[Any, Any]] = [*found.classes.to_dict("records"), last]
    _print_rows(rows, table.basis, format)


def whatif(
    rules: RulesFile,
    alternative: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE.toml", help="Other rules to lay beside; may be repeated."),
    ] = None,
    kinds: Annotated[
        bool, typer.Option("--kinds", help="Compare the kinds of factor for these rules.")
    ] = False,
    surface: Surface = "dry",
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Lay the fairness figures of other rules, or of other kinds of factor, side by side.

    All as they stand before the first round.
    """
    from benchmark.answers.challenge.factors import table_of
    from benchmark.answers.challenge.fairness import fairness as answer
    from benchmark.answers.challenge.whatif import SLOW, kinds_compared, side_by_side
    from benchmark.show.challenge import compared_columns, kind_columns
    from benchmark.show.challenge_words import figure_words, kind_words

    if not alternative and not kinds:
        raise BadQuestion("nothing to compare: name other rules with `--alternative`, or `--kinds`")
    if kinds:
        with _ground(rules, surface, db) as (basis, _):
            table = kinds_compared(basis)
        _print(table, basis.stamp(), format, kind_columns(table))
        if format is Format.TABLE:
            _say_ground(basis)
            for line in [*kind_words(SLOW), *figure_words()]:
                typer.echo(line)
        return
    named: dict[str, Fairness] = {}
    grounds = []
    for path in [rules, *(alternative or ())]:
        with _ground(path, surface, db) as (basis, _):
            named[str(path)] = answer(table_of(basis))
        grounds.append(basis)
    table = side_by_side(named)
    _print(table, grounds[0].stamp(), format, compared_columns(table))
    if format is Format.TABLE:
        for basis in grounds:
            _say_ground(basis)


def publish(
    rules: RulesFile,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="Ending in .html, .pdf or .csv.")
    ],
    as_of: AsOf = None,
    surface: Surface = "dry",
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
) -> None:
    """Write standings, factors and fairness as one page to print or send, or standings as CSV."""
    from benchmark.show.challenge_report import published

    with _ground(rules, surface, db) as (basis, laps):
        content = published(basis, laps, out.suffix.lower(), level=level, as_of=_day(as_of))
    try:
        out.write_bytes(content)
    except OSError as error:
        raise BadQuestion(f"cannot write {out}: {error.strerror or error}") from error
    typer.echo(f"{out}: written")


@contextmanager
def _ground(rules: Path, surface: str, db: Path) -> Iterator[tuple[Basis, pd.DataFrame]]:
    """Give the ground of a challenge and all laps; while it is open, further fits show progress."""
    from benchmark.intake.rules import read_rules
    from benchmark.show.challenge import ask_basis

    read = read_rules(rules)
    with progress("fitting the challenge's laps") as report:
        yield ask_basis(db, read, surface, report)


def _say_ground(basis: Basis, found: Standings | None = None) -> None:
    """Say which rules, laps and fit a table was computed from."""
    from benchmark.show.challenge import rests_on_lines

    typer.echo("\n  ".join(["What this rests on:", *rests_on_lines(basis, found)]))


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise BadQuestion(f'--as-of "{text}": write a date such as 2026-07-31') from error


def _print(table: pd.DataFrame, stamp: dict[str, Any], format: Format, columns: Any) -> None:
    from benchmark.show.output import print_frame

    print_frame(table, format, stamp, columns)


def _print_rows(rows: list[dict[Any, Any]], basis: Basis, format: Format) -> None:
    """Print rows that do not all have the same fields."""
    from benchmark.show.output import plain, to_csv, to_json

    told = [plain({**row, **basis.stamp()}) for row in rows]
    if format is Format.JSON:
        typer.echo(to_json(told))
        return
    fields = list(dict.fromkeys(key for row in told for key in row))
    typer.echo(to_csv([{f: row.get(f) for f in fields} for row in told], fields), nl=False)
