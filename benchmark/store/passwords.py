"""Passwords: what one must be, and how it is kept.

Length counts and nothing else is asked for: NIST SP 800-63B, revision 4, section 3.1.1.2 (from
memory) wants at least 15 characters where the password stands alone, room for at least 64, no rules
of composition, a check against what is easily guessed, and one normal form of Unicode. Revision 3
(section 5.1.1.2, from memory) wanted 8.
"""

from __future__ import annotations

import secrets
import unicodedata
from base64 import b64encode

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from benchmark.errors import BadQuestion

SHORTEST, LONGEST = 15, 256  # characters
FEWEST_DIFFERENT = 5  # characters; ours: shuts out "aaaaaaaaaaaaaaa" and "121212121212121"
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that reads like another
# RFC 9106, section 4, the second recommended option: Argon2id, 3 passes, 4 lanes, 64 MiB, 128 bits
# of salt, 256 bits of tag. The first option takes 2 GiB, which a club's machine may not have.
HASHER = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)


def _unmatched() -> str:
    """Give a hash that no password fits: salt and tag are random."""
    salt, tag = (b64encode(secrets.token_bytes(n)).decode().rstrip("=") for n in (16, 32))
    how = RFC_9106_LOW_MEMORY
    costs = f"m={how.memory_cost},t={how.time_cost},p={how.parallelism}"
    return f"$argon2id$v={how.version}${costs}${salt}${tag}"


NOBODYS = _unmatched()  # to spend the same time on a name that nobody has


def check_password(password: str, name: str) -> None:
    """Refuse a password that is too short, too long or easily guessed.

    Raises
    ------
    BadQuestion
        Says what is wrong with it, and never what it was.
    """
    text = _normal(password)
    if len(text) < SHORTEST:
        raise BadQuestion(
            f"the password has {len(text)} characters: take at least {SHORTEST}, such as four words"
        )
    if len(text) > LONGEST:
        raise BadQuestion(f"the password is longer than {LONGEST} characters: take a shorter one")
    if len(set(text.casefold())) < FEWEST_DIFFERENT or text.casefold() == _normal(name).casefold():
        raise BadQuestion("the password is easily guessed: take another, such as four words")


def new_password() -> str:
    """Give a random password in four groups of five characters (99 bits)."""
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(5)) for _ in range(4))


def hashed(password: str) -> str:
    """Give the hash to keep, with its salt and parameters in it."""
    return HASHER.hash(_normal(password))


def fits(password: str, kept: str | None) -> bool:
    """Tell whether this is the password; without a hash it takes as long, and never is."""
    text = _normal(password)[: 4 * LONGEST]
    try:
        return HASHER.verify(kept or NOBODYS, text) and kept is not None
    except (VerificationError, InvalidHashError):
        return False


def is_outdated(kept: str) -> bool:
    """Tell whether a hash was made with other parameters than today's."""
    return HASHER.check_needs_rehash(kept)


def _normal(text: str) -> str:
    return unicodedata.normalize("NFKC", text)
