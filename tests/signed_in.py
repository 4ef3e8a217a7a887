"""A club's store with one person of each role, and who is signed in at it."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from argon2 import PasswordHasher

from benchmark.store import passwords
from benchmark.store.accounts import Accounts
from benchmark.store.people import name_role
from benchmark.store.roles import Role
from benchmark.store.store import Store

WORDS = "four invented words here"
OTHER = "another set of words"
HOME, AWAY = "192.0.2.1", "198.51.100.7"  # RFC 5737: addresses for documentation
OWNER, STEWARD, ENTRANT, NO_ROLE = "Anna Pell", "Ben Ruddock", "Cara Finch", "Dan Holm"
ROLES = {OWNER: Role.OWNER, STEWARD: Role.STEWARD, ENTRANT: Role.ENTRANT}


@dataclass
class SignedIn:
    """Somebody who is signed in while `name` is set."""

    name: str | None

    def person(self) -> str | None:
        return self.name


def cheap_hashes(monkeypatch) -> None:
    """Let hashes cost nothing, where the test is about something else."""
    monkeypatch.setattr(passwords, "HASHER", PasswordHasher(1, 8, 1))
    monkeypatch.setattr(passwords, "NOBODYS", PasswordHasher(1, 8, 1).hash("nobody's"))


def make_club(laps: Path, db: Path) -> Path:
    """Copy a store and give four people accounts, three of them a role."""
    shutil.copy(laps, db)
    with Store.open(db, write=True, who=SignedIn(OWNER)) as store:
        for name, role in ROLES.items():
            name_role(store, name, role)
    for name in (*ROLES, NO_ROLE):
        Accounts(db).add(name, WORDS)
    return db


def copy_club(made: Path, db: Path) -> Path:
    """Copy a club's store and its file of people."""
    for ending in ("", ".people"):
        shutil.copy(f"{made}{ending}", f"{db}{ending}")
    return db


def token_of(db: Path, name: str) -> str:
    """Sign somebody in and give the token."""
    return Accounts(db).sign_in(name, WORDS, address=HOME).token
