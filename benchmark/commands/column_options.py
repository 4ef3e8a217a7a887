"""The columns of the lap table as options of a command, told once with the columns themselves."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Collection
from typing import Annotated

import typer

from benchmark.intake.columns import COLUMNS, Column

Command = Callable[..., None]


def with_columns(
    *, optional: Collection[str] = (), left_out: Collection[str] = ()
) -> Callable[[Command], Command]:
    """Give a command the columns of the lap table as options, needed ones first.

    Parameters
    ----------
    optional : needed columns that this command can do without.
    left_out : columns that are no option of it.
    """

    def decorate(function: Command) -> Command:
        own = inspect.signature(function, eval_str=True).parameters.values()
        columns = [column for column in COLUMNS if column.name not in left_out]
        options = [_option(one, needed=one.needed and one.name not in optional) for one in columns]
        options.sort(key=lambda option: option.default is not inspect.Parameter.empty)
        kept = [one for one in own if one.kind is not inspect.Parameter.VAR_KEYWORD]
        # Options without a default stand first, whoever brings them.
        both = [*options, *kept]
        both.sort(key=lambda option: option.default is not inspect.Parameter.empty)
        function.__dict__["__signature__"] = inspect.Signature(both)
        return function

    return decorate


def _option(column: Column, *, needed: bool) -> inspect.Parameter:
    name = "tyre" if column.name == "tyre_category" else column.name
    told = typer.Option(f"--{name.replace('_', '-')}", help=f"{column.meaning}.", metavar="TEXT")
    return inspect.Parameter(
        column.name,
        inspect.Parameter.KEYWORD_ONLY,
        default=inspect.Parameter.empty if needed else None,
        annotation=Annotated[str if needed else (str | None), told],
    )
