"""Sessions: who is signed in, by the digest of a random token that only the browser has.

A session ends when it was signed out, stood idle, or grew old; then it counts for nothing in any
tab, from the next thing that is asked of it.
"""

from __future__ import annotations

import hashlib
import secrets
import sqlite3

IDLE_S = 12 * 3600.0  # a day at the circuit without signing in again
LONGEST_S = 7 * 86_400.0
DEVICE_S = 365 * 86_400.0
SEEN_EVERY_S = 60.0  # that it was used is written no more often
MOST_A_PERSON = 20  # the oldest make room


def new_token() -> str:
    """Give a token that cannot be guessed: 256 bits."""
    return secrets.token_urlsafe(32)


def digest(token: str) -> str:
    """Give what is kept of a token; SHA-256 does, for there is nothing to guess in 256 bits."""
    return hashlib.sha256(token.encode()).hexdigest()


def start(connection: sqlite3.Connection, token: str, key: str, name: str, now: float) -> None:
    """Start the session of a token; one that was there already stays as it is."""
    connection.execute("delete from session where expires_at < ?", (now,))
    connection.execute(
        "insert or ignore into session values (?, ?, ?, ?, ?, ?, null)",
        (digest(token), key, name, now, now, now + LONGEST_S),
    )
    connection.execute(
        """
        delete from session where digest in (
            select digest from session where key = ? and ended_at is null
            order by started_at desc limit -1 offset ?
        )
        """,
        (key, MOST_A_PERSON),
    )


def person(connection: sqlite3.Connection, token: str, now: float) -> tuple[str, bool] | None:
    """Give the person whose session it is now, and whether it is time to call `seen`."""
    row = connection.execute(
        "select name, seen_at, expires_at from session where digest = ? and ended_at is null",
        (digest(token),),
    ).fetchone()
    if row is None:
        return None
    name, seen_at, expires_at = row
    if now >= expires_at or now >= seen_at + IDLE_S:
        return None
    return str(name), now >= seen_at + SEEN_EVERY_S


def seen(connection: sqlite3.Connection, token: str, now: float) -> None:
    """Note that a session was used."""
    connection.execute("update session set seen_at = ? where digest = ?", (now, digest(token)))


def end(connection: sqlite3.Connection, token: str, now: float) -> None:
    """End one session; its row stays until it would have expired, so that it cannot start again."""
    connection.execute("update session set ended_at = ? where digest = ?", (now, digest(token)))


def end_all(
    connection: sqlite3.Connection, key: str, now: float, *, but: str | None = None
) -> None:
    """End every session of a person, but for that of one token."""
    kept = digest(but) if but else ""
    connection.execute(
        "update session set ended_at = ? where key = ? and digest <> ? and ended_at is null",
        (now, key, kept),
    )


def new_device(connection: sqlite3.Connection, key: str, now: float) -> str:
    """Remember a browser in which that person has signed in, and give its token."""
    token = new_token()
    connection.execute("delete from device where expires_at < ?", (now,))
    values = (digest(token), key, now + DEVICE_S)
    connection.execute("insert into device values (?, ?, ?)", values)
    connection.execute(
        """
        delete from device where digest in (
            select digest from device where key = ? order by expires_at desc limit -1 offset ?
        )
        """,
        (key, MOST_A_PERSON),
    )
    return token


def known_device(
    connection: sqlite3.Connection, token: str | None, key: str, now: float
) -> str | None:
    """Give the digest of a browser in which that person has signed in before, else None."""
    if not token:
        return None
    row = connection.execute(
        "select digest from device where digest = ? and key = ? and expires_at > ?",
        (digest(token), key, now),
    ).fetchone()
    return str(row[0]) if row else None
