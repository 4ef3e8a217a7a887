"""Names that a spreadsheet would run as a formula, in lap tables.

A cell that begins with = + - @ (or a full-width form of one) is run by a spreadsheet that opens the
CSV file (OWASP, "CSV Injection"). No name is refused for that. A lap table is written with an
apostrophe before it, which a spreadsheet takes for "this is text", and that apostrophe is taken off
again when the table is read. Where a name has apostrophes before such a sign itself, it gets one
more and loses one, so every name comes back as it was, and an export is the same byte for byte.
"""

from __future__ import annotations

import re

# At the end of a class of characters the minus stands for itself, in Python and in SQL.
SIGNS = "=+@\uff1d\uff0b\uff0d\uff20-"
RISKY = re.compile(f"'*[{SIGNS}]")


def guarded(text: str) -> str:
    """Write a text so that no spreadsheet runs it and `unguarded_sql` gives it back."""
    return f"'{text}" if RISKY.match(text) else text


def guarded_sql(value: str) -> str:
    """Write SQL that does what `guarded` does."""
    risky = f"regexp_matches({value}, '^''*[{SIGNS}]')"
    return f"case when {risky} then '''' || {value} else {value} end"


def unguarded_sql(cell: str, cleaned: str) -> str:
    """Write SQL that takes the apostrophe off again; few cells begin with one.

    `cell` is the raw cell, `cleaned` the SQL of its cleaned text.
    """
    return (
        f"case when starts_with({cell}, '''') and regexp_matches({cleaned}, '^''+[{SIGNS}]') "
        f"then substr({cleaned}, 2) else {cleaned} end"
    )
