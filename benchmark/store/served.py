"""How this process serves the store, told by the command that started it.

It only ever takes away: served to a club nobody is the user of this machine, and served to be read
nothing can be changed, whatever a page asks for. Processes that this one starts inherit it.
"""

from __future__ import annotations

import os

from benchmark.errors import NotAllowed

SERVED = "BENCHMARK_SERVED"
CLUB, READ_ONLY = "club", "read-only"


def is_for_a_club() -> bool:
    """Tell whether people sign in at this process."""
    return os.environ.get(SERVED) == CLUB


def is_read_only() -> bool:
    """Tell whether nothing may be changed from this process."""
    return os.environ.get(SERVED) == READ_ONLY


def refuse_if_read_only() -> None:
    """Refuse a change where the store is served to be read.

    Raises
    ------
    NotAllowed
        It is.
    """
    if is_read_only():
        raise NotAllowed("this store is served to be read only: nothing can be changed here")
