"""A board of many entries, kept with the fit as it was worked out: the one that is asked for most.

It is that of all entries on a dry track with conditions made equal, and 90 % intervals.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
import pandas as pd

MANY_ENTRIES = 100  # fewer are worked out in a tenth of a second
COLUMNS = "columns"  # what `as_arrays` calls its array


def name_of(circuit: str, layout: str) -> str:
    """What the board of a place is called among what was worked out."""
    return f"board/{circuit}{chr(31)}{layout}"


def is_worth_keeping(board: pd.DataFrame) -> bool:
    """Whether a board has so many entries that nobody should wait for it twice."""
    return len(board) >= MANY_ENTRIES


def as_arrays(board: pd.DataFrame) -> dict[str, np.ndarray]:
    """Give a board as arrays; no digit is lost."""
    columns = {str(name): board[name].astype(object).where(board[name].notna(), None).tolist()
               for name in board}  # fmt: skip
    return {COLUMNS: np.frombuffer(json.dumps(columns).encode(), np.uint8)}


def from_arrays(kept: Mapping[str, np.ndarray]) -> pd.DataFrame:
    """Undo `as_arrays`."""
    columns = json.loads(kept[COLUMNS].tobytes())
    return pd.DataFrame({name: _column(values) for name, values in columns.items()})


def _column(values: list[object]) -> pd.Series:
    """Texts as objects, None where there is none, as a board just made has them."""
    is_text = any(value is None or isinstance(value, str) for value in values)
    return pd.Series(values, dtype=object if is_text else None)
