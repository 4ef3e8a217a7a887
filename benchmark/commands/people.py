"""`benchmark people`: who has which role in a club's store, and their passwords.

Roles stand in the store, each change on its record; passwords in the file beside it.
"""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from typing import Annotated

import typer

from benchmark.commands.acting import As, acting, ask_password
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.show.output import Format

NEW_PASSWORD = "BENCHMARK_NEW_PASSWORD"  # noqa: S105 - the name of a variable


class RoleName(StrEnum):
    """A role as it is typed."""

    ENTRANT = "entrant"
    STEWARD = "steward"
    OWNER = "owner"
    VISITOR = "visitor"


Name = Annotated[str, typer.Argument(metavar="NAME", help="The person; an e-mail for a provider.")]
Why = Annotated[str, typer.Option("--reason", help="Why, for the record.")]
Make = Annotated[
    bool, typer.Option("--generate", help="Make the password and print it, to be handed over.")
]


def add(
    name: Name,
    role: Annotated[RoleName, typer.Option(help="What the person may do.")] = RoleName.ENTRANT,
    generate: Make = False,
    no_password: Annotated[
        bool, typer.Option("--no-password", help="The person signs in by the club's provider.")
    ] = False,
    reason: Why = "",
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Add a person with a role and a password; the first one of a store is its owner.

    The new password is asked for, or taken from BENCHMARK_NEW_PASSWORD, or made by `--generate`.
    """
    from benchmark.show.peopling import add_person, new_name
    from benchmark.store.roles import role_of

    name = new_name(db, name)
    who = acting(db, as_)
    password = None if no_password else _new_password(name, generate=generate)
    add_person(db, who, name, role_of(role.value), password, reason)
    typer.echo(f"{name} is {role.value}{_told(password, made=generate)}")


def list_(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Show who has which role, how they sign in, and when they were last seen."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.show.peopling import everybody, people_columns

    listed = everybody(db)
    rows = [{**asdict(one), "role": one.role.word} for one in listed]
    fields = ["name", "role", "signs_in_by", "last_seen"]
    print_frame(pd.DataFrame(rows, columns=fields), format, {}, people_columns(listed))


def refusals(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Show what was refused to whom, the latest first: changes, and sign-ins that failed."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.show.peopling import refusal_columns

    columns = refusal_columns(db)
    fields = ["last_at", "times", "person", "action", "detail"]
    cells = dict(zip(fields, (list(column.cells) for column in columns), strict=True))
    frame = pd.DataFrame(cells).astype({"times": int})
    print_frame(frame, format, {}, columns)


def role(
    name: Name,
    to: Annotated[RoleName, typer.Argument(metavar="ROLE", help="visitor takes the role away.")],
    reason: Why = "",
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Give a person another role; "anyone signed in" can be entrant too."""
    from benchmark.show.peopling import change_role, known_name
    from benchmark.store.roles import ANYONE, role_of

    name = known_name(db, name, ANYONE)
    change_role(db, acting(db, as_), name, role_of(to.value), reason)
    typer.echo(f"{name} is {to.value}")


def password(name: Name, generate: Make = False, as_: As = None, db: Db = DEFAULT_DB) -> None:
    """Set a person's password: one's own, or as an owner anybody's; all sessions end.

    The new password is asked for, or taken from BENCHMARK_NEW_PASSWORD, or made by `--generate`.
    """
    from benchmark.show.peopling import known_name, renew_password

    name = known_name(db, name)
    who = acting(db, as_)
    new = _new_password(name, generate=generate)
    renew_password(db, who, name, new)
    typer.echo(f"{name} has a new password{_told(new, made=generate)}; all sessions ended")


def remove(name: Name, reason: Why = "", as_: As = None, db: Db = DEFAULT_DB) -> None:
    """Take a person's role, password and sessions away; what the record says of them stays."""
    from benchmark.show.peopling import known_name, remove_person

    name = known_name(db, name)
    remove_person(db, acting(db, as_), name, reason)
    typer.echo(f"{name} has no role and no password any more")


def recover(
    name: Name,
    reason: Annotated[str, typer.Option("--reason", help="Why, for the record.")],
    generate: Make = False,
    db: Db = DEFAULT_DB,
) -> None:
    """Set an owner anew at the machine that holds the file, when no owner can sign in."""
    from benchmark.show.peopling import recover as set_owner

    new = _new_password(name, generate=generate)
    name = set_owner(db, name, new, reason)
    typer.echo(f"{name} is owner{_told(new, made=generate)}; it stands on the record")


def _new_password(name: str, *, generate: bool) -> str:
    from benchmark.store.passwords import SHORTEST, new_password

    if generate:
        return new_password()
    what = f"New password of {name}, at least {SHORTEST} characters"
    return ask_password(what, NEW_PASSWORD, twice=True)


def _told(password: str | None, *, made: bool) -> str:
    return f"; the password is {password}" if made and password is not None else ""
