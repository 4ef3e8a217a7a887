"""In whose name a command changes a store that belongs to a club: `--as NAME` and a password.

On a laptop, where nobody has a role in the store, nothing is asked.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.errors import BadQuestion, NoStore

if TYPE_CHECKING:
    from benchmark.store.roles import SignIn

PASSWORD = "BENCHMARK_PASSWORD"  # noqa: S105 - the name of a variable

As = Annotated[
    str | None,
    typer.Option(
        "--as",
        envvar="BENCHMARK_AS",
        metavar="NAME",
        help=f"Who you are, where the store belongs to a club; password by prompt or {PASSWORD}.",
    ),
]


@dataclass(frozen=True, slots=True)
class ByPassword:
    """A person whose password was right, for as long as the command runs and the account lives."""

    db: Path
    name: str

    def person(self) -> str | None:
        """Give the name, unless the account is gone."""
        from benchmark.store.accounts import Accounts

        return self.name if Accounts(self.db).has(self.name) else None


def acting(db: Path, name: str | None) -> SignIn | None:
    """Give who acts: None on a laptop's store and for somebody who gave no name (a visitor).

    Raises
    ------
    BadQuestion
        A name that has no account, or no password that could be asked for.
    SignInFailed
        Name and password do not fit, or it is too early to try again.
    """
    from benchmark.store.accounts import Accounts

    if not is_club(db):
        return None
    if name is None:
        typer.echo(f"{db} belongs to a club: say who you are with `--as NAME`", err=True)
        return None
    accounts = Accounts(db)
    # Over the network nobody is told who has an account. Here whoever asks can read the list.
    if not accounts.has(name):
        known = [account.name for account in accounts.all()]
        raise BadQuestion(
            f"{BadQuestion.unknown('account', name, known)} An owner makes one with "
            "`benchmark people add`, or gives a person a password with `benchmark people password`"
        )
    return ByPassword(db, accounts.check(name, ask_password(f"Password of {name}", PASSWORD)))


def is_club(db: Path) -> bool:
    """Tell whether people have roles in the store."""
    from benchmark.store.people import people
    from benchmark.store.store import Store

    try:
        with Store.open(db) as store:
            return bool(people(store))
    except NoStore:
        return False


def ask_password(what: str, variable: str, *, twice: bool = False) -> str:
    """Take a password from the environment, else ask for it without showing it.

    Raises
    ------
    BadQuestion
        There is neither, nor a terminal to ask at.
    """
    given = os.environ.get(variable)
    if given:
        return given
    if not sys.stdin.isatty():
        raise BadQuestion(f"{what}: set {variable}, or run this at a terminal")
    asked: str = typer.prompt(what, hide_input=True, confirmation_prompt=twice, err=True)
    return asked
