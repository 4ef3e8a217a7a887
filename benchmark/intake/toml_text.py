"""TOML that people write by hand: what nobody would write is refused before it costs anything.

A stranger can send rules and mappings too. The reader of the standard library takes half a minute
for one key of fifty thousand parts, and gives up on deep nesting and on long numbers with errors
that are no TOML errors.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from benchmark.errors import BadValue, Fault, FaultyFile

LARGEST, LONGEST_LINE = 200_000, 2_000  # characters
MOST_DEEP = 20  # tables and lists within each other
INTEGER_BITS = 64  # TOML 1.0.0, "Integer": 64 bits with sign are to be taken


def text_of(path: Path) -> str:
    """Read a file as text, no more of it than `read_toml` would take.

    Raises
    ------
    FaultyFile
        It cannot be read, is no UTF-8 text, or is far too large.
    """
    most = 4 * LARGEST  # bytes: a character of UTF-8 has four at most
    try:
        with path.open("rb") as file:
            body = file.read(most + 1)
        if len(body) > most:
            why = f"is larger than {LARGEST:,} characters; is it another file?"
        else:
            return body.decode("utf-8-sig")
    except OSError as error:
        why = f"cannot be read: {error.strerror or error}"
    except UnicodeDecodeError:
        why = "is not UTF-8 text; save it as UTF-8"
    raise FaultyFile([Fault(path.name, None, "-", "", why)])


def read_toml(text: str) -> dict[str, Any]:
    """Read TOML of whatever line ends.

    Raises
    ------
    tomllib.TOMLDecodeError
        It is no TOML; the message names line and column.
    BadValue
        It is larger, deeper or has a longer line or number than anybody would write.
    """
    if len(text) > LARGEST:
        raise BadValue(f"is larger than {LARGEST:,} characters; is it another file?")
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > LONGEST_LINE:
            raise BadValue(
                f"line {number} has {len(line):,} characters: break it into lines of at most "
                f"{LONGEST_LINE:,}"
            )
    try:
        data = tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise _too_deep() from None
    except ValueError as error:  # Python reads no whole number of thousands of digits
        raise _too_long() from error
    within: list[dict[str, Any] | list[Any]] = [data]
    for _ in range(MOST_DEEP):
        within = [value for one in within for value in _values(one)]
        if any(isinstance(value, int) and value.bit_length() > INTEGER_BITS for value in within):
            raise _too_long()
        within = [value for value in within if isinstance(value, dict | list)]
    if within:
        raise _too_deep()
    return data


def _values(one: dict[str, Any] | list[Any]) -> Iterable[Any]:
    return one.values() if isinstance(one, dict) else one


def _too_long() -> BadValue:
    return BadValue("has a number that is too long: write fewer digits")


def _too_deep() -> BadValue:
    return BadValue(f"has tables or lists within each other, more than {MOST_DEEP} deep")
