"""Naming, changing and removing people, the same from the command line and from a page.

`who` tells who acts, in a store that belongs to a club; the store refuses whom it must.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from benchmark.errors import BadQuestion, NoStore
from benchmark.show.output import Column
from benchmark.store.accounts import Accounts, key_of, person_name
from benchmark.store.passwords import check_password
from benchmark.store.people import Person, name_role, note_password, people, recover_owner
from benchmark.store.roles import ANYONE, Role, SignIn
from benchmark.store.store import Store

RESERVED = ("visitor", "a visitor", "this machine", ANYONE)


@dataclass(frozen=True, slots=True)
class Listed:
    """One person of the list: how that person signs in, and when last seen (UTC)."""

    name: str
    role: Role
    signs_in_by: str | None
    last_seen: str | None


def everybody(db: Path) -> list[Listed]:
    """Give who has or had a role, and who has a password and none."""
    accounts = {key_of(account.name): account for account in Accounts(db).all()}
    known = _people(db)
    keys = {key_of(person.name) for person in known}
    others = [Person(one.name, Role.VISITOR) for key, one in accounts.items() if key not in keys]
    listed = []
    for person in [*known, *others]:
        account = accounts.get(key_of(person.name))
        way = "password" if account else "provider" if "@" in person.name else None
        seen = _moment(account.seen_at) if account and account.seen_at else None
        listed.append(Listed(person.name, person.role, way, seen))
    return listed


def people_columns(listed: list[Listed]) -> list[Column]:
    """Give the list as a table."""
    return [
        Column("Name", [one.name for one in listed]),
        Column("Role", [one.role.word for one in listed]),
        Column("Signs in by", [one.signs_in_by or "" for one in listed]),
        Column("Last seen (UTC)", [one.last_seen or "" for one in listed]),
    ]


def refusal_columns(db: Path, most: int | None = None) -> list[Column]:
    """Give what was refused lately as a table, the latest first."""
    noted = Accounts(db).refusals()[:most]
    return [
        Column("Last (UTC)", [_moment(one.last_at) for one in noted]),
        Column("Times", [str(one.times) for one in noted]),
        Column("Who", [one.person for one in noted]),
        Column("Wanted to", [one.action for one in noted]),
        Column("What was said", [one.detail for one in noted]),
    ]


def new_name(db: Path, text: str) -> str:
    """Give the name of a new person as it is kept.

    Raises
    ------
    BadQuestion
        It cannot be one, stands for something else, or is taken.
    """
    name = person_name(text)
    if key_of(name) in RESERVED:
        raise BadQuestion(f'"{name}" has a meaning of its own here: take another name')
    known = {key_of(one.name): one for one in everybody(db)}
    if (there := known.get(key_of(name))) is not None:
        raise BadQuestion(
            f'"{there.name}" is {there.role.word} already: `benchmark people role` changes that, '
            "`benchmark people password` sets a password"
        )
    return name


def known_name(db: Path, text: str, *more: str) -> str:
    """Give the name of a person who is known, or is one of `more`, as it is kept.

    Raises
    ------
    BadQuestion
        Nobody is called so; the nearest names are offered.
    """
    names = [*(one.name for one in everybody(db)), *more]
    found = {key_of(name): name for name in names}.get(key_of(text))
    if found is None:
        raise BadQuestion.unknown("person", text, names)
    return found


def add_person(
    db: Path, who: SignIn | None, name: str, role: Role, password: str | None, reason: str = ""
) -> None:
    """Give a new person a role, and an account unless `password` is None.

    Raises
    ------
    NotAllowed
        Only owners may.
    BadQuestion
        The name or the password will not do, or the first person is to be no owner.
    """
    name = new_name(db, name)
    if password is not None:
        check_password(password, name)
    change_role(db, who, name, role, reason)
    if password is not None:
        Accounts(db).add(name, password)


def change_role(db: Path, who: SignIn | None, name: str, role: Role, reason: str = "") -> None:
    """Give a person a role; makes the store where there is none.

    Raises
    ------
    NotAllowed, BadQuestion
        As `benchmark.store.people.name_role`.
    """
    with Store.open(db, write=True, create=True, who=who) as store:
        name_role(store, name, role, reason=reason)


def renew_password(db: Path, who: SignIn | None, name: str, password: str) -> None:
    """Set one's own password, or as an owner that of another; all its sessions end.

    Raises
    ------
    NotAllowed
        Only owners may set that of another, which stands on the record.
    BadQuestion
        The password will not do.
    """
    check_password(password, name)
    if who is None or who.person() != name:
        with Store.open(db, write=True, who=who) as store:
            note_password(store, name)
    Accounts(db).put(name, password)


def remove_person(db: Path, who: SignIn | None, name: str, reason: str = "") -> None:
    """Take a person's role, password and sessions away; what the record says stays.

    Raises
    ------
    NotAllowed
        Only owners may.
    BadQuestion
        It is the only owner.
    """
    had = {one.name: one.role for one in everybody(db)}[name]
    with Store.open(db, who=who) as store:
        store.require("name_role")
    if had is not Role.VISITOR:
        change_role(db, who, name, Role.VISITOR, reason)
    Accounts(db).remove(name)


def recover(db: Path, name: str, password: str, reason: str) -> str:
    """Set an owner anew, for the operator of the machine; gives the name as it is kept.

    Raises
    ------
    BadQuestion
        The name, the password or the reason will not do.
    """
    known = {key_of(one.name): one.name for one in everybody(db)}
    name = known.get(key_of(name)) or new_name(db, name)
    check_password(password, name)
    with Store.open(db, write=True) as store:
        recover_owner(store, name, reason=reason)
    Accounts(db).put(name, password)
    return name


def _people(db: Path) -> list[Person]:
    try:
        with Store.open(db) as store:
            return people(store)
    except NoStore:
        return []


def _moment(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M")
