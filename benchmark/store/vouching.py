"""People for whom a provider vouches (OpenID Connect): the person is the verified e-mail address.

Streamlit has checked the provider's signature (`st.user`). What is checked here: that the provider
says the address is verified, that it is written as it is kept here (a full-width "a" is another
address than an "a"), that the address still belongs to the same person there (issuer and
subject, OpenID Connect Core 1.0, section 5.7), and that this sign-in was not ended here.
"""

from __future__ import annotations

import time
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from benchmark.errors import BenchmarkError
from benchmark.store import sessions
from benchmark.store.accounts import key_of, note_refusal, person_name
from benchmark.store.people_file import people

FUTURE_S = 300.0  # what the provider's clock may be ahead


@dataclass(frozen=True, slots=True)
class Vouched:
    """What a provider said of a person; `token` names this one sign-in."""

    issuer: str
    subject: str
    name: str
    issued_at: float
    token: str


def read_claims(claims: Mapping[str, object]) -> Vouched | None:
    """Read what the provider said; None where it does not vouch for an e-mail address."""
    issuer, subject, email = (claims.get(name) for name in ("iss", "sub", "email"))
    issued_at = claims.get("iat")
    verified = claims.get("email_verified") in (True, "true")  # some providers send the word
    if not (claims.get("is_logged_in") is True and verified):
        return None
    if not (isinstance(issuer, str) and isinstance(subject, str) and isinstance(email, str)):
        return None
    if not (issuer and subject and "@" in email and isinstance(issued_at, int | float)):
        return None
    if unicodedata.normalize("NFKC", email) != email:
        return None  # another address, which would be written like somebody else's here
    try:
        name = person_name(email)
    except BenchmarkError:
        return None
    token = "\n".join((issuer, subject, str(issued_at), str(claims.get("nonce"))))
    return Vouched(issuer, subject, name, float(issued_at), token)


def vouched_person(
    db: Path, vouched: Vouched, *, clock: Callable[[], float] = time.time
) -> str | None:
    """Give the person who is signed in through a provider now, or None.

    The first sign-in with an address ties it to the provider's number for that person. Another one
    who comes with it later (an address that was given away again) is nobody here, until an owner
    has taken the first one out (`benchmark people remove`).
    """
    key, now = key_of(vouched.name), clock()
    age_s = now - vouched.issued_at
    if not -FUTURE_S <= age_s < sessions.LONGEST_S:
        return None
    with people(db, write=False) as file:
        found = sessions.person(file, vouched.token, now)
    if found == (vouched.name, False):
        return vouched.name
    with people(db) as file:
        values = (key, vouched.issuer, vouched.subject, now)
        file.execute("insert or ignore into identity values (?, ?, ?, ?)", values)
        tied = file.execute("select issuer, subject from identity where key = ?", (key,)).fetchone()
        is_same = tied == (vouched.issuer, vouched.subject)
        if is_same:
            sessions.start(file, vouched.token, key, vouched.name, now)
            found = sessions.person(file, vouched.token, now)
        if is_same and found is not None:
            sessions.seen(file, vouched.token, now)
    if not is_same:
        note_refusal(db, vouched.name, "sign in", f"another person at {vouched.issuer}")
        return None
    return found[0] if found else None  # None: signed out, or it stood idle


def end_vouched(db: Path, vouched: Vouched, *, clock: Callable[[], float] = time.time) -> None:
    """End a sign-in through a provider, in every tab at once."""
    with people(db) as file:
        sessions.end(file, vouched.token, clock())
