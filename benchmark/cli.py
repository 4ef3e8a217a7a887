"""The command line: gathers the commands and turns errors into sentences and exit codes.

Exit codes: 0 done, 1 a fault of this program, 2 the input or the question was wrong, 130 stopped
by the user. A new answer is one file in `benchmark.commands` and one line in `COMMANDS`; a name of
two words is a command of a group, whose help stands in `GROUPS`.
"""

from __future__ import annotations

import functools
import inspect
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer

from benchmark.commands import challenge, evidence, mapping, people, setting, submissions
from benchmark.commands.advise import advise, coach
from benchmark.commands.application import app as app_command
from benchmark.commands.auditing import audit
from benchmark.commands.backing_up import backup, restore
from benchmark.commands.claim import claim, claims, timing_line
from benchmark.commands.deciding import correct, merge, protest_close, protest_open, undo
from benchmark.commands.demonstration import demo
from benchmark.commands.explain import explain
from benchmark.commands.exporting import export
from benchmark.commands.fitting import fit
from benchmark.commands.forecast import forecast
from benchmark.commands.gains import gains
from benchmark.commands.importing import import_
from benchmark.commands.leaderboard import leaderboard
from benchmark.commands.outing import outing
from benchmark.commands.plan import plan
from benchmark.commands.ruling import rulings, strike, unstrike
from benchmark.errors import BenchmarkError

COMMANDS: tuple[tuple[str, Callable[..., None]], ...] = (
    ("demo", demo),
    ("app", app_command),
    ("import", import_),
    ("outing", outing),
    ("mapping show", mapping.show),
    ("mapping list", mapping.list_),
    ("mapping save", mapping.save),
    ("mapping remove", mapping.remove),
    ("export", export),
    ("fit", fit),
    ("leaderboard", leaderboard),
    ("gains", gains),
    ("explain", explain),
    ("forecast", forecast),
    ("advise", advise),
    ("plan", plan),
    ("coach", coach),
    ("claim", claim),
    ("claims", claims),
    ("timing-line", timing_line),
    ("strike", strike),
    ("unstrike", unstrike),
    ("rulings", rulings),
    ("correct", correct),
    ("merge", merge),
    ("protest open", protest_open),
    ("protest close", protest_close),
    ("undo", undo),
    ("audit", audit),
    ("submit", submissions.submit),
    ("submissions list", submissions.list_),
    ("submissions show", submissions.show),
    ("submissions accept", submissions.accept),
    ("submissions refuse", submissions.refuse),
    ("submissions withdraw", submissions.withdraw),
    ("evidence add", evidence.add),
    ("evidence list", evidence.list_),
    ("evidence verify", evidence.verify),
    ("settings list", setting.list_),
    ("settings change", setting.change),
    ("backup", backup),
    ("restore", restore),
    ("people add", people.add),
    ("people list", people.list_),
    ("people refusals", people.refusals),
    ("people role", people.role),
    ("people password", people.password),
    ("people remove", people.remove),
    ("people recover", people.recover),
    ("challenge classes", challenge.classes),
    ("challenge factors", challenge.factors),
    ("challenge standings", challenge.standings),
    ("challenge fairness", challenge.fairness),
    ("challenge whatif", challenge.whatif),
    ("challenge publish", challenge.publish),
)

GROUPS: dict[str, str] = {
    "challenge": "A club's challenge, from its rules file to published standings.",
    "submissions": "What was handed in to a club, and a steward's decision on each.",
    "evidence": "Files that support a submission or a claim, kept by their digest.",
    "settings": "What an owner may set for the whole club.",
    "people": "Who may do what in a club's store, and their passwords.",
    "protest": "The protest period of a day at a circuit, opened and closed by a steward.",
    "mapping": "Column mappings for foreign sheets: kept by name, used by `benchmark import`.",
}

Debug = Annotated[
    bool, typer.Option("--debug", help="Show the traceback of a fault of this program.")
]


@contextmanager
def exit_codes(debug: bool) -> Iterator[None]:
    """Turn what is raised inside into one message on standard error and an exit code."""
    try:
        yield
    except BenchmarkError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error
    except (typer.Exit, typer.Abort, BrokenPipeError):
        raise
    except Exception as error:
        if debug:
            raise
        told = f"{type(error).__name__}: {error}".splitlines()[0]
        typer.echo(f"a fault of this program: {told} (add --debug for its traceback)", err=True)
        raise typer.Exit(1) from error


def with_debug(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the `--debug` option and our exit codes."""
    signature = inspect.signature(function, eval_str=True)
    debug = inspect.Parameter(
        "debug", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=Debug
    )

    @functools.wraps(function)
    def command(*args: Any, debug: bool = False, **options: Any) -> None:
        with exit_codes(debug):
            function(*args, **options)

    parameters = [*signature.parameters.values(), debug]
    command.__dict__.pop("__wrapped__")
    command.__dict__["__signature__"] = signature.replace(parameters=parameters)
    command.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return command


def gathered(about: str) -> typer.Typer:
    """Make an empty group: help without arguments, errors as plain lines."""
    return typer.Typer(
        help=about,
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )


def command_line(first: str = "") -> typer.Typer:
    """Gather the commands that begin with a word, or all if none does.

    To gather all fifty takes as long as some answers.
    """
    whole = gathered(
        "Which modified road car is really the quickest of its class at a circuit, by how much, "
        "and how sure that is."
    )
    whole.callback()(lambda: None)  # a group of one command would be that command
    groups = {"": whole}
    chosen = [one for one in COMMANDS if one[0].split()[0] == first]
    for name, function in chosen or COMMANDS:
        group, _, own = name.rpartition(" ")
        if group not in groups:
            groups[group] = gathered(GROUPS[group])
            whole.add_typer(groups[group], name=group)
        groups[group].command(own)(with_debug(function))
    return whole


app = command_line()


def main() -> None:
    """Run the command line."""
    command_line(*sys.argv[1:2])()
