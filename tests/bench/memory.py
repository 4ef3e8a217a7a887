"""Seconds and memory of the steps of a process, for the commands beside this file."""

from __future__ import annotations

import resource
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

EVERY_S = 0.02


class Clock:
    """Tells of each step its seconds, and the most memory up to there; a context manager.

    The most in all is the system's account; the most of its own is looked up every 20 ms (Linux:
    RssAnon of /proc/self/status), without files that are mapped, which the system may drop.
    """

    def __init__(self) -> None:
        self._own_kb = 0
        self._over = threading.Event()
        self._watch = threading.Thread(target=self._look, daemon=True)
        self._wall, self._cpu = time.monotonic(), processor_s()

    def tell(self, what: str) -> None:
        """Print what the step since the last one took."""
        wall, cpu = time.monotonic(), processor_s()
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"   {wall - self._wall:6.2f} s ({cpu - self._cpu:.2f} s of processors), ", end="")
        print(f"peak {peak_mb:.0f} MB, its own {self._own_kb / 1024:.0f} MB: {what}", flush=True)
        self._wall, self._cpu = time.monotonic(), processor_s()

    def _look(self) -> None:
        status = Path("/proc/self/status")
        while not self._over.wait(EVERY_S):
            line = next(one for one in status.read_text().splitlines() if "RssAnon" in one)
            self._own_kb = max(self._own_kb, int(line.split()[1]))

    def __enter__(self) -> Self:
        self._watch.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._over.set()
        self._watch.join()


def processor_s() -> float:
    """Give the seconds of processors that the process has used."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
