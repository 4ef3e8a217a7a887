"""What a load test is made of: its sizes, what is handed in, what everybody saw."""

from __future__ import annotations

import asyncio
import os
import random
import sys
import time
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from benchmark.intake.columns import NAMES
from tests.bench.tab import Answer, Tab

BENCHMARK = [sys.executable, "-c", "from benchmark.cli import main; main()"]
LAPS = 5  # of a submission
CIRCUIT = "Loadmoor"
SHEET = ["circuit", "date", "session", "model", "build", "driver", "tyre_category", "lap",
         "lap_time"]  # fmt: skip


@dataclass
class Tally:
    """What everybody saw."""

    took_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    exceptions: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    acknowledged: set[str] = field(default_factory=set)
    sent: set[str] = field(default_factory=set)
    imported: set[str] = field(default_factory=set)
    accepted: set[int] = field(default_factory=set)
    second: int = 0
    fits: int = 0

    def note(self, page: str, answer: Answer) -> None:
        self.took_s[page].append(answer.took_s)
        self.exceptions += [f"{page}: {text}" for text in answer.exceptions]
        self.errors += [f"{page}: {text}" for text in answer.errors]

    def tell(self) -> int:
        """Print errors and times of answers, and give how many errors there were."""
        print(f"exceptions on pages {len(self.exceptions)}, errors told {len(self.errors)}")
        for text in [*sorted(set(self.exceptions)), *sorted(set(self.errors))][:20]:
            print(f"   {text[:300]}")
        every = [took for took_s in self.took_s.values() for took in took_s]
        print("| page | answers | p50, s | p95, s | longest, s |")
        for page, took_s in [("all", every), *sorted(self.took_s.items())]:
            low, high = np.quantile(took_s, [0.5, 0.95])
            print(f"| {page} | {len(took_s)} | {low:.2f} | {high:.2f} | {max(took_s):.2f} |")
        return len(self.exceptions) + len(self.errors)


@dataclass(frozen=True)
class Plan:
    """The run's sizes; `environment` is what commands beside the app are told of who runs them."""

    port: int
    until: float
    think_s: float
    environment: Mapping[str, str] = field(default_factory=dict)

    def goes_on(self) -> bool:
        return time.monotonic() < self.until

    async def think(self, draw: random.Random) -> None:
        pause = draw.expovariate(1 / self.think_s) if self.think_s else 0
        await asyncio.sleep(min(pause, max(self.until - time.monotonic(), 0)))

    async def command(self, *words: str, errors: list[str]) -> int:
        """Run a command of ours, and note what it says where it fails."""
        pipe = asyncio.subprocess.PIPE
        child = await asyncio.create_subprocess_exec(
            *BENCHMARK, *words, stdout=pipe, stderr=pipe, env={**os.environ, **self.environment}
        )
        _, said = await child.communicate()
        if child.returncode:
            errors.append(f"benchmark {words[0]}: {said.decode(errors='replace').strip()}")
        return child.returncode or 0


def sheet(name: str) -> str:
    """A lap table of one invented car on a day of its own."""
    assert set(SHEET) <= set(NAMES)
    facts = [CIRCUIT, "2026-05-02", name, "Pipit 1600", f"Load {name}", f"Driver {name}", "sport"]
    rows = [",".join([*facts, str(lap), f"1:{20 + lap}.5"]) for lap in range(1, LAPS + 1)]
    return "\n".join([",".join(SHEET), *rows, ""])


async def open_hand_in(tally: Tally, tab: Tab) -> Answer:
    """Go to the first page, then to the one where laps are handed in."""
    tally.note("first page", await tab.ask(""))
    page = await tab.ask("hand-in")
    tally.note("hand-in", page)
    return page


async def upload(tally: Tally, tab: Tab, page: Answer, name: str, label: str) -> str | None:
    """Upload a numbered table and give the button, so labelled, that hands it in; None without."""
    await tab.upload(page.uploader, [(f"{name}.csv", sheet(name).encode())])
    seen = await tab.ask()
    tally.note("hand-in, check", seen)
    button = next((b for text, b in seen.buttons.items() if text.startswith(label)), None)
    if button is None:
        tally.errors.append(f"hand-in: nothing to press for {name}")
    return button
