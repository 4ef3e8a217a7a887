"""`benchmark people`: who has which role in a club's store, and their passwords.

Roles stand in the store, each change on its record; passwords in the file beside it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from benchmark.commands.acting import As, acting, ask_password
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Db
from benchmark.errors import BadQuestion
from benchmark.show.output import Column, Format

if TYPE_CHECKING:
    from pathlib import Path

    from benchmark.store.accounts import Account
    from benchmark.store.people import Person
    from benchmark.store.roles import SignIn

NEW_PASSWORD = "BENCHMARK_NEW_PASSWORD"  # noqa: S105 - the name of a variable
RESERVED = ("visitor", "a visitor", "this machine")


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
    """Add a person with a role and a password; the first one of a store is its owner."""
    from benchmark.store.accounts import Accounts, key_of
    from benchmark.store.passwords import check_password

    name, accounts = _name(name), Accounts(db)
    known = {key_of(person.name): person for person in _people(db)}
    if (there := known.get(key_of(name))) is not None:
        raise BadQuestion(
            f'"{there.name}" is {there.role.word} already: `benchmark people role` changes that, '
            "`benchmark people password` sets a password"
        )
    if accounts.has(name):  # left over from a store that was replaced
        raise BadQuestion(f'"{name}" has an account: `benchmark people remove`, then add again')
    actor = acting(db, as_)
    password = None if no_password else _new_password(name, generate=generate)
    if password is not None:
        check_password(password, name)
    _give(db, actor, name, role, reason)
    if password is not None:
        accounts.add(name, password)
    typer.echo(f"{name} is {role.value}{_told(password if generate else None)}")


def list_(db: Db = DEFAULT_DB, format: AnswerFormat = Format.TABLE) -> None:
    """Show who has which role, how they sign in, and when they were last seen."""
    import pandas as pd

    from benchmark.show.output import print_frame
    from benchmark.store.accounts import Accounts, key_of

    accounts = {key_of(account.name): account for account in Accounts(db).all()}
    rows = [_row(person, accounts.get(key_of(person.name))) for person in _everybody(db)]
    frame = pd.DataFrame(rows, columns=["name", "role", "signs_in_by", "last_seen"])
    headings = ("Name", "Role", "Signs in by", "Last seen (UTC)")
    columns = [
        Column(heading, [str(cell or "") for cell in frame[field]])
        for field, heading in zip(frame.columns, headings, strict=True)
    ]
    print_frame(frame, format, {}, columns)


def role(
    name: Name,
    to: Annotated[RoleName, typer.Argument(metavar="ROLE", help="visitor takes the role away.")],
    reason: Why = "",
    as_: As = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Give a person another role; "anyone signed in" can be entrant too."""
    from benchmark.store.roles import ANYONE

    name = _known(db, name, ANYONE)
    _give(db, acting(db, as_), name, to, reason)
    typer.echo(f"{name} is {to.value}")


def password(name: Name, generate: Make = False, as_: As = None, db: Db = DEFAULT_DB) -> None:
    """Set a person's password: one's own, or as an owner anybody's; all sessions end."""
    from benchmark.store.accounts import Accounts
    from benchmark.store.passwords import check_password
    from benchmark.store.people import note_password
    from benchmark.store.store import Store

    name, accounts = _known(db, name), Accounts(db)
    actor = acting(db, as_)
    new = _new_password(name, generate=generate)
    check_password(new, name)
    if actor is None or actor.person() != name:
        with Store.open(db, write=True, who=actor) as store:
            note_password(store, name)
    accounts.put(name, new)
    typer.echo(f"{name} has a new password{_told(new if generate else None)}; all sessions ended")


def remove(name: Name, reason: Why = "", as_: As = None, db: Db = DEFAULT_DB) -> None:
    """Take a person's role, password and sessions away; what the record says of them stays."""
    from benchmark.store.accounts import Accounts
    from benchmark.store.roles import Role
    from benchmark.store.store import Store

    name = _known(db, name)
    had = {person.name: person.role for person in _everybody(db)}[name]
    actor = acting(db, as_)
    with Store.open(db, who=actor) as store:
        store.require("name_role")
    if had is not Role.VISITOR:
        _give(db, actor, name, RoleName.VISITOR, reason)
    Accounts(db).remove(name)
    typer.echo(f"{name} has no role and no password any more")


def recover(
    name: Name,
    reason: Annotated[str, typer.Option("--reason", help="Why, for the record.")],
    generate: Make = False,
    db: Db = DEFAULT_DB,
) -> None:
    """Set an owner anew at the machine that holds the file, when no owner can sign in."""
    from benchmark.store.accounts import Accounts
    from benchmark.store.passwords import check_password
    from benchmark.store.people import recover_owner
    from benchmark.store.store import Store

    name, accounts = _name(name), Accounts(db)
    new = _new_password(name, generate=generate)
    check_password(new, name)
    with Store.open(db, write=True) as store:
        recover_owner(store, name, reason=reason)
    accounts.put(name, new)
    typer.echo(f"{name} is owner{_told(new if generate else None)}; it stands on the record")


def _people(db: Path) -> list[Person]:
    from benchmark.errors import NoStore
    from benchmark.store.people import people
    from benchmark.store.store import Store

    try:
        with Store.open(db) as store:
            return people(store)
    except NoStore:
        return []


def _everybody(db: Path) -> list[Person]:
    """Give the people of the store, and who has a password and no role."""
    from benchmark.store.accounts import Accounts, key_of
    from benchmark.store.people import Person
    from benchmark.store.roles import Role

    people = _people(db)
    known = {key_of(person.name) for person in people}
    others = [one.name for one in Accounts(db).all() if key_of(one.name) not in known]
    return [*people, *(Person(name, Role.VISITOR) for name in others)]


def _give(db: Path, actor: SignIn | None, name: str, role: RoleName, reason: str) -> None:
    from benchmark.store.people import name_role
    from benchmark.store.roles import role_of
    from benchmark.store.store import Store

    with Store.open(db, write=True, create=True, who=actor) as store:
        name_role(store, name, role_of(role.value), reason=reason)


def _name(text: str) -> str:
    """Give a person's name as it is kept, and refuse one that stands for something else."""
    from benchmark.store.accounts import key_of, person_name
    from benchmark.store.roles import ANYONE

    name = person_name(text)
    if key_of(name) in {*RESERVED, ANYONE}:
        raise BadQuestion(f'"{name}" has a meaning of its own here: take another name')
    return name


def _known(db: Path, text: str, *more: str) -> str:
    """Give the name of a person who is known, or is one of `more`, as it is kept.

    Raises
    ------
    BadQuestion
        Nobody is called so; the nearest names are offered.
    """
    from benchmark.store.accounts import key_of

    names = [*(person.name for person in _everybody(db)), *more]
    found = {key_of(name): name for name in names}.get(key_of(text))
    if found is None:
        raise BadQuestion.unknown("person", text, names)
    return found


def _new_password(name: str, *, generate: bool) -> str:
    from benchmark.store.passwords import SHORTEST, new_password

    if generate:
        return new_password()
    what = f"New password of {name}, at least {SHORTEST} characters"
    return ask_password(what, NEW_PASSWORD, twice=True)


def _told(password: str | None) -> str:
    return f"; the password is {password}" if password is not None else ""


def _row(person: Person, account: Account | None) -> dict[str, str | None]:
    without = "provider" if "@" in person.name else ""
    way = without if account is None else "password"
    seen = None if account is None else account.seen_at
    last = seen and datetime.fromtimestamp(seen, UTC).isoformat(sep=" ", timespec="minutes")[:16]
    return {
        "name": person.name,
        "role": person.role.word,
        "signs_in_by": way or None,
        "last_seen": last or None,
    }
