"""A load test on loopback: many people at once at the served app, some of whom hand in laps.

    python -m tests.bench.load [--read 40] [--hand-in 10] [--seconds 300] [--think 8]
        [--club] [--stewards 2] [--fit] [--import] [--db DEMO_STORE]

serves the app (`benchmark app`) on a copy of the demo store (made first, unless one is named) and
opens a websocket a person, as a browser does (`tests/bench/tab.py`): readers go from page to page,
handers-in upload a lap table, see what it would do and store it, each with a pause of `--think`
seconds on average. Every submission has a number, in its file's name and its session, so that lost
and doubled ones are counted in the store afterwards. `--fit` fits again and again meanwhile,
`--import` imports by the command line, one file after another. A page's answer is the time from
asking to the end of its script; both sides run on the same cores, so it holds the tester's own
work, too. Exit status 1 where a submission was lost or doubled, or a page showed an error.

`--club` serves it to a club: the handers-in are entrants who sign in by the form, what they hand in
waits, `--stewards` people accept the first file of the queue again and again meanwhile, and readers
read the record, too. Afterwards the store is held against what everybody was told: submissions
lost, doubled or half, accepted twice or not in the store, and the audit of the record. Of two
stewards at one file the second is told that it does not wait any more; that is no error.

26 November 2026, 2 cores and 24 GiB, Python 3.11.7, streamlit 1.67.0, the demo store; 50 people for
300 s, who ask for a page every 8 s, and two stewards; nothing beside the first run but the tester
itself, a part of the test suite beside the second:

| `--club` | alone | `--fit --import` |
| --- | --- | --- |
| answers; p50, p95, longest | 1,972; 0.2, 2.4, 7.3 s | 1,769; 0.6, 5.9, 18 s |
| the app: processor, peak memory | 291 s, 540 MB | 211 s, 620 MB |
| submissions; lost, doubled, half | 152; 0, 0, 0 | 154 (43 by command), 5 fits; 0, 0, 0 |
| accepted; twice, or not in the store | 18; 0, 0 | 12; 0, 0 |
| exceptions on pages, errors told | 0, 0 | 0, 0 |

Before, on the laptop's app with less beside it, 1,236 answers took 332 s of processor: a whole
collection of memory after each page, and the store opened anew for every question of a page.
The app is one process of Python, so it has one core for all: fifty people who never rest are more
than that serves quickly, and wait.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from contextlib import asynccontextmanager
from pathlib import Path

from benchmark.store.store import Store
from tests.bench.load_club import (
    PASSWORD,
    accept_what_waits,
    hand_in_signed_in,
    prepare_club,
    steward_name,
    tell_club,
)
from tests.bench.load_plan import (
    BENCHMARK,
    CIRCUIT,
    LAPS,
    Plan,
    Tally,
    open_hand_in,
    sheet,
    upload,
)
from tests.bench.tab import HOST, Tab

# How often a reader goes to each page, and with what in the address.
READ = {"": 5, "gains": 2, "build": 3, "plan": 1, "claim": 2, "challenge": 1, "method": 1}
READ_OF_A_CLUB = {**READ, "record": 1}
QUERIES = {"": ["", "circuit=Tarnebrook", "circuit=Highmarl"], "gains": ["", "circuit=Highmarl"]}


def main() -> None:
    asked = parser().parse_args()
    with tempfile.TemporaryDirectory() as name:
        db = Path(name) / "laps.duckdb"
        prepare(db, asked.db)
        if asked.club:
            prepare_club(db, asked.hand_in, asked.stewards)
        tally = Tally()
        print(f"load of the machine before: {os.getloadavg()[0]:.1f}", flush=True)
        asyncio.run(run(db, asked, tally))
        print(f"load of the machine at the end: {os.getloadavg()[0]:.1f}")
        bad = (tell_club if asked.club else tell)(db, tally) + tally.tell()
    sys.exit(1 if bad else 0)


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(prog="python -m tests.bench.load")
    made.add_argument("--read", type=int, default=40)
    made.add_argument("--hand-in", type=int, default=10)
    made.add_argument("--seconds", type=float, default=300)
    made.add_argument("--think", type=float, default=8)
    made.add_argument("--club", action="store_true")
    made.add_argument("--stewards", type=int, default=2)
    made.add_argument("--fit", action="store_true")
    made.add_argument("--import", action="store_true", dest="import_")
    made.add_argument("--db", type=Path)
    return made


def prepare(db: Path, demo: Path | None) -> None:
    if demo is not None:
        shutil.copy(demo, db)
        return
    print("making the demo store", flush=True)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    subprocess.run([*BENCHMARK, "demo", "--no-app", "--db", str(db)], check=True, **quiet)


async def run(db: Path, asked: argparse.Namespace, tally: Tally) -> None:
    async with served(db, *(["--club"] if asked.club else [])) as port:
        by = {"BENCHMARK_AS": steward_name(0), "BENCHMARK_PASSWORD": PASSWORD} if asked.club else {}
        plan = Plan(port, time.monotonic() + asked.seconds, asked.think, by)
        pages = READ_OF_A_CLUB if asked.club else READ
        people = [read(plan, tally, number, pages) for number in range(asked.read)]
        entrant = hand_in_signed_in if asked.club else hand_in
        people += [entrant(plan, tally, number) for number in range(asked.hand_in)]
        if asked.club:
            people += [accept_what_waits(plan, tally, number) for number in range(asked.stewards)]
        if asked.fit:
            people.append(fit_again(plan, tally, db))
        if asked.import_:
            people.append(import_again(plan, tally, db))
        await asyncio.gather(*people)


@asynccontextmanager
async def served(db: Path, *manner: str):
    """Serve the app, and tell the memory it took when all is over."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    command = [*BENCHMARK, "app", "--port", str(port), "--db", str(db), *manner]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        try:
            assert f":{port} " in await asyncio.to_thread(child.stdout.readline)
            yield port
            tell_use(child.pid)
        finally:
            child.terminate()


async def read(plan: Plan, tally: Tally, number: int, pages: Mapping[str, int]) -> None:
    """Go from page to page, each time in one and the same tab."""
    draw = random.Random(number)
    await plan.think(draw)
    async with Tab(plan.port) as tab:
        tally.note("first page", await tab.ask(""))
        while plan.goes_on():
            await plan.think(draw)
            page = draw.choices(list(pages), list(pages.values()))[0]
            query = draw.choice(QUERIES.get(page, [""]))
            tally.note(page or "leaderboard", await tab.ask(page, query))


async def hand_in(plan: Plan, tally: Tally, number: int) -> None:
    """Hand in one numbered table after another."""
    draw = random.Random(1000 + number)
    await plan.think(draw)
    async with Tab(plan.port) as tab:
        page = await open_hand_in(tally, tab)
        count = 0
        while plan.goes_on():
            await plan.think(draw)
            name = f"L{number}-{count}"
            count += 1
            button = await upload(tally, tab, page, name, "Store 1")
            if button is None:
                continue
            await plan.think(draw)
            tally.sent.add(name)
            stored = await tab.ask(press=button)
            tally.note("hand-in, store", stored)
            if stored.says(f"{name}.csv: {LAPS} laps added"):
                tally.acknowledged.add(name)
            await tab.upload(page.uploader, [])


async def fit_again(plan: Plan, tally: Tally, db: Path) -> None:
    while plan.goes_on():
        status = await plan.command("fit", "--db", str(db), errors=tally.errors)
        tally.fits += status == 0


async def import_again(plan: Plan, tally: Tally, db: Path) -> None:
    count = 0
    while plan.goes_on():
        name = f"C-{count}"
        count += 1
        path = db.with_name(f"{name}.csv")
        path.write_text(sheet(name), encoding="utf-8")
        tally.sent.add(name)
        if await plan.command("import", str(path), "--db", str(db), errors=tally.errors) == 0:
            tally.acknowledged.add(name)
            tally.imported.add(name)
        await asyncio.sleep(2)


def tell(db: Path, tally: Tally) -> int:
    """Print the figures, and give how many things went wrong."""
    with Store.open(db) as store:
        laps = store.accepted_laps()
        files = store.imports()["file"].tolist()
    of_load = laps[laps["circuit"] == CIRCUIT]
    found = of_load.groupby("session")["lap"].count().to_dict()
    lost = sorted(name for name in tally.acknowledged if found.get(name, 0) < LAPS)
    half = sorted(name for name, count in found.items() if count != LAPS)
    doubled = sorted(name for name in tally.sent if files.count(f"{name}.csv") > 1)
    unsaid = sorted(set(found) - tally.acknowledged)
    print(
        f"submissions sent {len(tally.sent)} (of them {len(tally.imported)} by command), ", end=""
    )
    print(
        f"acknowledged {len(tally.acknowledged)}, lost {len(lost)}, doubled {len(doubled)}, ",
        end="",
    )
    print(f"half {len(half)}, stored without a word {len(unsaid)}; fits {tally.fits}")
    return len(lost) + len(doubled) + len(half) + len(unsaid)


def tell_use(pid: int) -> None:
    """Print processor time and peak memory of the app, where the system tells them."""
    children = Path(f"/proc/{pid}/task/{pid}/children")
    if not children.exists():
        return
    for child in children.read_text().split():
        status = Path(f"/proc/{child}/status").read_text()
        peak = re.findall(r"VmHWM:\s+(\d+)", status)
        ticks = Path(f"/proc/{child}/stat").read_text().rpartition(") ")[2].split()[11:13]
        used_s = sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
        print(f"the app: peak {int(peak[0]) / 1024:.0f} MB, {used_s:.0f} s of processor")


if __name__ == "__main__":
    main()
