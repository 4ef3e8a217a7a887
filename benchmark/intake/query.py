"""Ask DuckDB so that Ctrl-C stops it.

An interrupt during `execute` in the main thread is often lost. So the work is done by a worker
thread, while the main thread waits where an interrupt always arrives. No interrupt comes to another
thread, such as one that draws a page: it does the work itself.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

import duckdb

T = TypeVar("T")
WAIT_S = 0.1


class _Errand(Generic[T]):
    """A piece of work, with what came of it."""

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self.done = threading.Event()
        self._result: list[T] = []
        self._error: BaseException | None = None

    def run(self) -> None:
        try:
            self._result.append(self._work())
        except BaseException as error:  # noqa: BLE001  raised again where it is waited for
            self._error = error
        finally:
            self.done.set()

    def result(self) -> T:
        if self._error is not None:
            raise self._error
        return self._result[0]


def interruptible(
    connection: duckdb.DuckDBPyConnection,
    work: Callable[[], T],
    meanwhile: Callable[[], None] | None = None,
) -> T:
    """Do the work, which uses this connection alone, so that an interrupt stops it.

    `meanwhile` is called again and again by the calling thread, and once when the work is done.

    Raises
    ------
    KeyboardInterrupt
        The user pressed Ctrl-C; the query has ended by then and its transaction can be rolled back.
    """
    if meanwhile is None and threading.current_thread() is not threading.main_thread():
        return work()
    report = meanwhile or _nothing
    errand = _Errand(work)
    threading.Thread(target=errand.run, daemon=True).start()
    try:
        # Thread.join with a timeout crashed Python 3.11 at exit when it was interrupted.
        while not errand.done.wait(WAIT_S):
            report()
    except KeyboardInterrupt:
        connection.interrupt()
        while not errand.done.wait(WAIT_S):
            connection.interrupt()
        raise
    report()
    return errand.result()


def _nothing() -> None:
    """Report nothing."""
