"""Progress of long work on standard error, once it has taken more than a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from benchmark.show.clock import Clock

if TYPE_CHECKING:
    from rich.progress import Progress

SHOWN_AFTER_S = 1.0
LINE_EVERY_S = 5.0  # where standard error is a file or a pipe, a line now and then

Report = Callable[[float, str], None]


@contextmanager
def progress(what: str) -> Iterator[Report]:
    """Give a function that takes the share done (0 to 1) and what is being done."""
    shown = _Bar(what) if sys.stderr.isatty() else _Lines(what)
    try:
        yield shown.report
    finally:
        shown.close()


class _Lines:
    """Plain lines for logs."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.clock = Clock()
        self.next_at = time.monotonic() + LINE_EVERY_S

    def report(self, done: float, step: str) -> None:
        estimate = self.clock.time_left(done)
        now = time.monotonic()
        if now < self.next_at or done >= 1:
            return
        self.next_at = now + LINE_EVERY_S
        sys.stderr.write(f"{self.what}: {100 * done:.0f} % ({step}){estimate}\n")
        sys.stderr.flush()

    def close(self) -> None:
        """Nothing is left to tidy."""


class _Bar:
    """A bar with a time estimate that vanishes when the work is done."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.started = time.monotonic()
        self.bar: Progress | None = None

    def report(self, done: float, step: str) -> None:
        if self.bar is None and time.monotonic() - self.started > SHOWN_AFTER_S:
            self.bar = _rich_bar()
            self.bar.start()
            self.bar.add_task(self.what, total=1.0, step=step)
        if self.bar is not None:
            self.bar.update(self.bar.task_ids[0], completed=done, step=step)

    def close(self) -> None:
        if self.bar is not None:
            self.bar.stop()


def _rich_bar() -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeLeft(),
        TextColumn("{task.fields[step]}", markup=False),
    )
    return Progress(*columns, console=Console(stderr=True), transient=True)
