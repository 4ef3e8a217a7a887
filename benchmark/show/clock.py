"""How long work will still take, from the share that is done."""

from __future__ import annotations

import time

TOO_EARLY = 0.02  # share done up to which the time left cannot be estimated


class Clock:
    """Estimates the time left; work that starts over (the share falls) is timed anew."""

    def __init__(self) -> None:
        self.started_s = time.monotonic()
        self.done = 0.0

    def time_left(self, done: float) -> str:
        """Say how many seconds are left, as `, about 9 s left`; empty while nobody can tell."""
        now_s = time.monotonic()
        if done < self.done:
            self.started_s = now_s
        self.done = done
        if not TOO_EARLY < done < 1:
            return ""
        return f", about {(now_s - self.started_s) * (1 - done) / done:.0f} s left"
