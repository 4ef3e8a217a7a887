"""Loops compiled by numba where it is installed (`pip install benchmark[fast]`), else plain Python.

The first use on a machine compiles (some five seconds) and keeps the result beside the source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

try:
    from numba import njit

    COMPILED = True
except ImportError:  # pragma: no cover - the other branch is what CI installs
    COMPILED = False


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers, if numba is there."""
    if not COMPILED:
        return function
    return cast(F, njit(cache=True)(function))
