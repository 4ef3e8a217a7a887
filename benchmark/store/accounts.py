"""Who may sign in: named accounts with a password, their sessions, and what was refused.

Roles are not here but in the store, by its record: an account without a role there is a visitor.
"""

from __future__ import annotations

import logging
import sqlite3
import time
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.store import sessions, throttle
from benchmark.store.passwords import check_password, fits, hashed, is_outdated
from benchmark.store.people_file import people, people_path

LOG = logging.getLogger(__name__)
LONGEST_NAME = 100
MOST_REFUSALS, LONGEST_DETAIL = 5_000, 200
HERE = "this machine"  # the address of whoever works at the command line


class SignInFailed(BenchmarkError):
    """The name and the password do not fit, or it is too early to try again; `wait_s` [s]."""

    def __init__(self, wait_s: float = 0.0) -> None:
        self.wait_s = wait_s
        if wait_s:
            said = f"too many attempts that failed: wait {wait_s:.0f} s, then try again"
        else:
            said = "name and password do not fit: check both and try again"
        super().__init__(said)


@dataclass(frozen=True, slots=True)
class SignedIn:
    """One sign-in: the person, the token of the session and that of the browser."""

    name: str
    token: str
    device: str


@dataclass(frozen=True, slots=True)
class Account:
    """A person with a password, since when it is this one, and when last seen. [s of the epoch]"""

    name: str
    changed_at: float
    seen_at: float | None


@dataclass(frozen=True, slots=True)
class Refusal:
    """Something that was not allowed: who wanted what, when, how often. [s of the epoch]"""

    first_at: float
    last_at: float
    person: str
    action: str
    detail: str
    times: int


def person_name(text: str) -> str:
    """Give a person's name as it is kept: one form of Unicode, single spaces; e-mail in lower case.

    Raises
    ------
    BadQuestion
        It is empty, too long, or has characters that do not show.
    """
    name = " ".join(unicodedata.normalize("NFKC", text).split())
    if not name:
        raise BadQuestion("a person needs a name")
    if len(name) > LONGEST_NAME:
        raise BadQuestion(f"a name of {len(name)} characters: take at most {LONGEST_NAME}")
    if any(unicodedata.category(letter).startswith("C") for letter in name):
        raise BadQuestion("a name has characters that do not show: write it without them")
    return name.lower() if "@" in name else name


def key_of(name: str) -> str:
    """Give a name as it is compared: upper and lower case are one."""
    return " ".join(unicodedata.normalize("NFKC", name).split()).casefold()[: 4 * LONGEST_NAME]


class Accounts:
    """The accounts of one store; `clock` gives seconds of the epoch."""

    def __init__(self, db: Path | str, *, clock: Callable[[], float] = time.time) -> None:
        self.db = Path(db)
        self._clock = clock

    def add(self, name: str, password: str) -> str:
        """Add an account and give its name as it is kept.

        Raises
        ------
        BadQuestion
            The name is taken or cannot be one, or the password will not do.
        """
        name = person_name(name)
        check_password(password, name)
        values = (key_of(name), name, hashed(password), self._clock())
        with people(self.db) as file:
            if _account(file, key_of(name)):
                raise BadQuestion(f'"{name}" has an account already: `benchmark people password`')
            file.execute("insert into account values (?, ?, ?, ?)", values)
        return name

    def set_password(self, name: str, password: str, *, keep: str | None = None) -> None:
        """Set another password: every session of that person ends, but for that of token `keep`.

        Raises
        ------
        BadQuestion
            There is no such account, or the password will not do.
        """
        check_password(password, name)
        key, kept, now = key_of(name), hashed(password), self._clock()
        with people(self.db) as file:
            changed = file.execute(
                "update account set hash = ?, changed_at = ? where key = ?", (kept, now, key)
            ).rowcount
            if not changed:
                raise BadQuestion(f'"{name}" has no account: `benchmark people add`')
            sessions.end_all(file, key, now, but=keep)
            file.execute("delete from device where key = ?", (key,))
            throttle.forget(file, key)

    def put(self, name: str, password: str) -> None:
        """Set a password, whether there is an account or not.

        Raises
        ------
        BadQuestion
            As `add`.
        """
        if self.has(name):
            self.set_password(name, password)
        else:
            self.add(name, password)

    def change_password(self, token: str, old: str, new: str, *, address: str) -> None:
        """Change the password of the person whose session it is; the old one is asked for.

        Raises
        ------
        SignInFailed
            The session has ended, the old password is another, or it is too early to try again.
        BadQuestion
            The new password will not do.
        """
        name = self.person(token)
        if name is None:
            raise SignInFailed
        check_password(new, name)
        self.check(name, old, address=address)
        self.set_password(name, new, keep=token)

    def remove(self, name: str) -> bool:
        """Remove an account and end its sessions; says whether there was one."""
        key = key_of(name)
        with people(self.db) as file:
            sessions.end_all(file, key, self._clock())
            file.execute("delete from device where key = ?", (key,))
            file.execute("delete from identity where key = ?", (key,))
            throttle.forget(file, key)
            return bool(file.execute("delete from account where key = ?", (key,)).rowcount)

    def all(self) -> list[Account]:
        """Give the accounts by name, with when each was last seen."""
        if not people_path(self.db).exists():
            return []
        with people(self.db, write=False) as file:
            rows = file.execute(
                """
                select account.name, changed_at, max(seen_at)
                from account left join session using (key) group by key order by key
                """
            ).fetchall()
        return [Account(*row) for row in rows]

    def has(self, name: str) -> bool:
        """Tell whether there is an account of that name."""
        return key_of(name) in {key_of(account.name) for account in self.all()}

    def check(
        self, name: str, password: str, *, address: str = HERE, device: str | None = None
    ) -> str:
        """Give the account's name as it is kept if the password is right.

        A name that nobody has costs the same time and gets the same answer.

        Raises
        ------
        SignInFailed
            They do not fit, or it is too early to try again.
        """
        key, now = key_of(name), self._clock()
        with people(self.db) as file:
            known = sessions.known_device(file, device, key, now)
            counted = throttle.counters(key, address, known)
            wait_s = throttle.count_attempt(file, counted, now)
            account = _account(file, key)
        if wait_s:
            raise SignInFailed(wait_s)
        if not fits(password, account[1] if account else None) or account is None:
            raise SignInFailed
        with people(self.db) as file:
            throttle.take_back(file, counted)
            if is_outdated(account[1]):
                better = (hashed(password), key, account[1])
                file.execute("update account set hash = ? where key = ? and hash = ?", better)
        return account[0]

    def sign_in(
        self, name: str, password: str, *, address: str, device: str | None = None
    ) -> SignedIn:
        """Start a session.

        Raises
        ------
        SignInFailed
            As `check`.
        """
        found = self.check(name, password, address=address, device=device)
        key, now, token = key_of(found), self._clock(), sessions.new_token()
        with people(self.db) as file:
            if _account(file, key) is None:  # removed meanwhile
                raise SignInFailed
            sessions.start(file, token, key, found, now)
            known = sessions.known_device(file, device, key, now)
            kept = device if known and device else sessions.new_device(file, key, now)
        return SignedIn(found, token, kept)

    def person(self, token: str | None) -> str | None:
        """Give who is signed in by this token now, or None."""
        if not token or not people_path(self.db).exists():
            return None
        now = self._clock()
        with people(self.db, write=False) as file:
            found = sessions.person(file, token, now)
        if found is None:
            return None
        name, is_due = found
        if is_due:
            with people(self.db) as file:
                sessions.seen(file, token, now)
        return name

    def sign_out(self, token: str) -> None:
        """End the session of a token, in every tab at once."""
        with people(self.db) as file:
            sessions.end(file, token, self._clock())

    def refusals(self) -> list[Refusal]:
        """Give what was not allowed, the latest first."""
        if not people_path(self.db).exists():
            return []
        with people(self.db, write=False) as file:
            rows = file.execute(
                """
                select first_at, last_at, person, action, detail, times
                from refusal order by last_at desc, number desc
                """
            ).fetchall()
        return [Refusal(*row) for row in rows]


def note_refusal(db: Path | str, person: str | None, action: str, detail: str) -> None:
    """Note that something was not allowed; the oldest make room, and a full disk is no fault.

    `person` None is somebody who is not signed in. Never in the store's record, which a stranger
    must not be able to fill.
    """
    said = [_short(text) for text in (person or "a visitor", action, detail)]
    LOG.info("refused to %s: %s (%s)", *said)
    now = time.time()
    try:
        with people(db) as file:
            file.execute(
                """
                insert into refusal (first_at, last_at, person, action, detail, times)
                values (?, ?, ?, ?, ?, 1)
                on conflict do update set times = times + 1, last_at = excluded.last_at
                """,
                (now, now, *said),
            )
            file.execute(
                """
                delete from refusal where number in (
                    select number from refusal order by last_at desc limit -1 offset ?
                )
                """,
                (MOST_REFUSALS,),
            )
    except BenchmarkError as error:
        LOG.warning("the refusal could not be noted: %s", error)


def _account(file: sqlite3.Connection, key: str) -> tuple[str, str] | None:
    row = file.execute("select name, hash from account where key = ?", (key,)).fetchone()
    return (str(row[0]), str(row[1])) if row else None


def _short(text: str) -> str:
    """Cut a text for the log, on one line."""
    shown = "".join(c if c.isprintable() else " " for c in str(text)[: 4 * LONGEST_DETAIL])
    return shown[:LONGEST_DETAIL]
