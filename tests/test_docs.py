"""README.md says what the code does: commands, their options and the exit codes."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest
import typer.main

from benchmark import cli
from benchmark.errors import BenchmarkError

README = Path(__file__).parent.parent / "README.md"
EXIT_CODES = {
    "0": "done",
    "1": "fault of this program",
    "2": "input or the question",
    "130": "stopped",
}
CALLS = re.compile(r"benchmark ([a-z][a-z-]*)((?:[^`\n]|\\\n)*)")
OPTIONS = re.compile(r"(?<![\w-])--[a-z][a-z-]*")


def text() -> str:
    return README.read_text(encoding="utf-8")


def code_of(markdown: str) -> str:
    """The code of a page: fenced blocks and inline spans."""
    fenced = re.findall(r"```.*?\n(.*?)```", markdown, flags=re.DOTALL)
    inline = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", markdown, flags=re.DOTALL))
    return "\n".join([*fenced, *inline])


def commands() -> dict[str, set[str]]:
    """Every command with the options that it takes."""
    return {
        name: _options(command)
        for name, command in typer.main.get_command(cli.app).commands.items()
    }


def _options(command) -> set[str]:
    """The options of a command, or of all commands of a group."""
    if hasattr(command, "commands"):
        return set().union(*map(_options, command.commands.values()))
    return {option for parameter in command.params for option in parameter.opts}


@pytest.mark.parametrize("name", [name for name, _ in cli.COMMANDS])
def test_every_command_stands_in_the_readme(name):
    assert re.search(rf"`(?:\S*/)?benchmark {name}\b|^\s*(?:\S*/)?benchmark {name}\b", text(), re.M)


def test_the_readme_names_no_command_or_option_that_is_not_there():
    known = commands()
    for name, rest in CALLS.findall(code_of(text())):
        assert name in known, f"README.md names `benchmark {name}`"
        unknown = set(OPTIONS.findall(rest)) - known[name] - {"--help"}
        assert not unknown, f"`benchmark {name}` takes no {', '.join(sorted(unknown))}"


@pytest.mark.parametrize("code", list(EXIT_CODES))
def test_the_exit_codes_stand_in_the_readme_and_in_the_code(code):
    assert re.search(rf"\b{code}\b[^\n]*{EXIT_CODES[code]}", text()), f"exit code {code}"
    assert re.search(
        rf"\b{code} (a |the )?{EXIT_CODES[code]}", " ".join((cli.__doc__ or "").split())
    )


def test_every_command_has_a_sentence_of_help():
    for name, function in cli.COMMANDS:
        assert (inspect.getdoc(function) or "").endswith("."), name


def test_every_kind_of_wrong_input_is_explained_where_it_is_defined():
    for kind in BenchmarkError.__subclasses__():
        assert inspect.getdoc(kind), kind.__name__
