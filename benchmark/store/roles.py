"""Who may change what in a store: four roles, and one row an action that changes something.

The rule is kept in the functions that change the store, so that no page, address or command gets
round it. A store in which nobody has a role is alone on a laptop: its user may do everything.
"""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import Protocol

from benchmark.errors import BadQuestion, NotAllowed

__all__ = [
    "ANYONE",
    "NEEDED",
    "Actor",
    "NotAllowed",
    "Role",
    "SignIn",
    "machine_user",
    "require",
    "role_of",
]

ANYONE = "anyone signed in"  # stands in the list of people for who has no role of their own
NOBODY = "visitor"  # what a visitor who is not signed in is called in the log of refusals


class Role(IntEnum):
    """What a person may do; each role may also do what the ones before it may."""

    VISITOR = 0
    ENTRANT = 1
    STEWARD = 2
    OWNER = 3

    @property
    def word(self) -> str:
        """Give the role as people write it."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Actor:
    """Who is about to change the store, in which role."""

    name: str
    role: Role


class SignIn(Protocol):
    """Tells who is signed in; a page or command hands one to `Store.open`."""

    def person(self) -> str | None:
        """Give the name of the person signed in now, None where nobody is (any more)."""


# The least role that each change needs. A visitor may read, and hand in what a steward then rules.
NEEDED: Mapping[str, Role] = MappingProxyType(
    {
        "hand_in": Role.VISITOR,
        "withdraw": Role.ENTRANT,
        "add_evidence": Role.ENTRANT,
        "keep_claim": Role.ENTRANT,
        "add": Role.STEWARD,
        "fit": Role.STEWARD,
        "keep_line": Role.STEWARD,
        "keep_mapping": Role.STEWARD,
        "strike": Role.STEWARD,
        "unstrike": Role.STEWARD,
        "accept": Role.STEWARD,
        "refuse": Role.STEWARD,
        "correct": Role.STEWARD,
        "merge": Role.STEWARD,
        "protest": Role.STEWARD,
        "undo": Role.STEWARD,
        "restore": Role.OWNER,
        "settings": Role.OWNER,
        "name_role": Role.OWNER,
    }
)
WORDS: Mapping[str, str] = MappingProxyType(
    {
        "hand_in": "hand in a file",
        "withdraw": "take back a file that was handed in",
        "add_evidence": "add evidence",
        "keep_claim": "keep a claim",
        "add": "add laps",
        "fit": "keep a fit",
        "keep_line": "keep a timing line",
        "keep_mapping": "keep a column mapping",
        "strike": "strike a lap",
        "unstrike": "put a lap back",
        "accept": "accept a file",
        "refuse": "refuse a file",
        "correct": "correct a specification",
        "merge": "merge names",
        "protest": "open or close a protest period",
        "undo": "undo a ruling",
        "restore": "restore the store",
        "settings": "change settings",
        "name_role": "give a person a role",
    }
)
WHO_MAY: Mapping[Role, str] = MappingProxyType(
    {
        Role.VISITOR: "anybody may",
        Role.ENTRANT: "entrants, stewards and owners may",
        Role.STEWARD: "stewards and owners may",
        Role.OWNER: "owners may",
    }
)


def require(actor: Actor, action: str) -> None:
    """Refuse a change that the actor's role does not allow.

    Raises
    ------
    NotAllowed
        The role is too low; the message says who may.
    """
    needed = NEEDED[action]
    if actor.role >= needed:
        return
    who = f"{actor.name} ({actor.role.word})" if actor.name != NOBODY else "a visitor"
    way_on = "" if actor.name != NOBODY else "; sign in first"
    raise NotAllowed(f"{who} may not {WORDS[action]}: {WHO_MAY[needed]}{way_on}")


def role_of(word: str) -> Role:
    """Read a role as people write it.

    Raises
    ------
    BadQuestion
        It is none of the four.
    """
    for role in Role:
        if role.word == word.strip().lower():
            return role
    raise BadQuestion(f'"{word}" is not a role; use visitor, entrant, steward or owner')


def machine_user() -> Actor:
    """Give the user of this machine, who alone on a laptop may do everything."""
    try:
        name = getpass.getuser()
    except (OSError, KeyError):  # no such user in a bare container
        name = ""
    return Actor(name or "the user of this machine", Role.OWNER)
