"""People with a role in a store, each change of a role on the record.

Passwords and sessions are not here (accounts.py), so that a store can be given away.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from benchmark.errors import BadQuestion, BadValue
from benchmark.intake.cells import clean, read_value
from benchmark.store import kept_fits, record
from benchmark.store.record import Entry, Line
from benchmark.store.roles import ANYONE, Actor, Role, machine_user, role_of

if TYPE_CHECKING:
    from benchmark.store.store import Store

PERSON = "person"


@dataclass(frozen=True, slots=True)
class Person:
    """One person with a role; a visitor is someone who had a role once."""

    name: str
    role: Role


def people(store: Store) -> list[Person]:
    """Give the people with a role, sorted by name; none is a store alone on a laptop."""
    rows = store._rows("select name, role from person order by name")
    return [Person(name, role_of(role)) for name, role in rows]


def name_role(
    store: Store, name: str, role: Role, *, reason: str = "", at: datetime | None = None
) -> Line:
    """Give a person a role, a new person or one that has another role.

    The first person of a store is its owner; from then on the store belongs to a club, and there
    is always an owner.

    Raises
    ------
    NotAllowed
        Only owners may.
    BadQuestion
        The name is none, the person has that role already, or no owner would be left.
    """
    work = partial(give, store._connection, name=name, role=role, reason=reason, at=at)
    line = store._change("name_role", work)
    hide_from_others(store.path)
    return line


def hide_from_others(path: Path) -> None:
    """Let other users of the machine no more read a club's store: it holds how to reach people.

    Rights of its group stay, and a file of somebody else's stays as it is.
    """
    with suppress(OSError):  # there is none: a store in memory
        path.chmod(path.stat().st_mode & 0o770)
        kept_fits.hide_from_others(path)


def recover_owner(store: Store, name: str, *, reason: str, at: datetime | None = None) -> Line:
    """Make a person an owner without asking who is signed in.

    It is for the operator of the machine that holds the file, when no owner can sign in: whoever
    can write the file could do so anyway, and this way it stands on the record, also for a person
    who is an owner already and gets a new password.

    Raises
    ------
    BadQuestion
        The name is none, or no reason.
    """
    record.given(reason=reason)
    operator = machine_user()
    known = {person.name: person.role for person in people(store)}
    if known.get(_name(name)) is Role.OWNER:
        return store._write(lambda: _same_role(store, operator, name, reason, at))
    work = partial(give, name=name, role=Role.OWNER, reason=reason, at=at)
    return store._write(lambda: work(store._connection, operator))


def note_password(store: Store, name: str, *, at: datetime | None = None) -> Line:
    """Note that an owner sets the password of another person, who could then act as that person.

    Raises
    ------
    NotAllowed
        Only owners may.
    """
    reason = "a new password was set"
    return store._change("name_role", lambda actor: _same_role(store, actor, name, reason, at))


def _same_role(store: Store, actor: Actor, name: str, reason: str, at: datetime | None) -> Line:
    role = {person.name: person.role.word for person in people(store)}.get(name)
    entry = Entry(PERSON, {"person": name}, reason, {"role": role}, {"role": role})
    return record.append(store._connection, actor, entry, at)


def give(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    *,
    name: str,
    role: Role,
    reason: str,
    at: datetime | None,
) -> Line:
    """Change the role and append the line, within the transaction that the caller holds."""
    name = _name(name)
    known = dict(connection.execute("select name, role from person").fetchall())
    had = known.get(name)
    if had == role.word:
        raise BadQuestion(f"{name} is {role.word} already")
    if name == ANYONE and role > Role.ENTRANT:
        raise BadQuestion(f"{name} can be entrant or visitor: name stewards and owners one by one")
    if not known and role is not Role.OWNER:
        raise BadQuestion(f"name an owner first: nobody could give roles after {name}")
    _keep_an_owner({**known, name: role.word}, name)
    _set_role(connection, name, role.word)
    entry = Entry(PERSON, {"person": name}, reason, {"role": had}, {"role": role.word})
    return record.append(connection, actor, entry, at)


def restore(connection: duckdb.DuckDBPyConnection, name: str, role: str | None) -> None:
    """Give a person back an earlier role; None takes the person out.

    Raises
    ------
    BadQuestion
        No owner would be left.
    """
    known = dict(connection.execute("select name, role from person").fetchall())
    _keep_an_owner({**known, name: role}, name)
    if role is None:
        connection.execute("delete from person where name = ?", [name])
    else:
        _set_role(connection, name, role)


def _keep_an_owner(known: dict[str, str | None], name: str) -> None:
    if Role.OWNER.word not in known.values():
        raise BadQuestion(f"{name} is the only owner: name another one first")


def _set_role(connection: duckdb.DuckDBPyConnection, name: str, role: str) -> None:
    connection.execute(
        """
        insert into person
        select (select coalesce(max(person_id), 0) from person) + 1, ?, ?
        where ? not in (select name from person)
        """,
        [name, role, name],
    )
    connection.execute("update person set role = ? where name = ?", [role, name])


def _name(name: str) -> str:
    try:
        return str(read_value("driver", clean(name)))
    except BadValue as bad:
        raise BadQuestion(f'person "{name}": {bad}') from bad
