"""What every visitor would be told alike, asked once for each state of the store.

Opening a store takes longer than most questions to it, and a page asks a dozen. What hangs on who
is signed in is asked each time, and a change asks the store itself.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import streamlit as st

T = TypeVar("T")
StoreState = tuple[str, int, int]
ANSWERS_KEPT = 512
NO_STORE = (0, 0)


def store_state(path: Path) -> StoreState:
    """Tell one state of the store from another, without opening it: every writer closes it.

    Raises
    ------
    FileNotFoundError
        There is no store yet.
    """
    found = path.stat()
    return str(path.absolute()), found.st_mtime_ns, found.st_size


def by_state(ask: Callable[..., T], db: Path, *about: object) -> T:
    """Give `ask(db, *about)`, a function of a module, asked anew when the store has changed.

    What it raises comes each time.
    """
    try:
        state = store_state(db)
    except FileNotFoundError:
        state = (str(db.absolute()), *NO_STORE)
    return _asked(f"{ask.__module__}.{ask.__qualname__}", state, about, ask)


@st.cache_data(max_entries=ANSWERS_KEPT, show_spinner=False)
def _asked(
    name: str,  # noqa: ARG001 - it tells one question from the next
    state: StoreState,
    about: tuple[object, ...],
    _ask: Callable[..., T],
) -> T:
    return _ask(Path(state[0]), *about)
