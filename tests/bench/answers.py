"""How long the answers take once a store is fitted: commands and pages, whatever laps lie behind.

    python -m tests.bench.answers --laps 10000000 [--draws N] [--keep FOLDER] [--served]

makes a store of the made-up decade (`benchmark.model.simulate`), imports its laps in one file, and
keeps a fit beside it that is made up in the shape of the fast mode (`tests.bench.made_up_fit`):
the answers do what they would do with a real one. Then it asks, at the first circuit, whose board
is as long as any. A command is timed in this process as a user would call it, with JSON put out,
but for the imports of Python: it opens the store and the fit anew each time. A page is run by
Streamlit's AppTest in an app that is up: with a question that nobody has asked before (another
circuit, build or claim each time), and with the same again. Milliseconds of the processor,
since other work on the machine changes those of the wall; both are printed, as the median of 5.

With `--served` the leaderboard and the gains of twelve circuits are opened in Chromium as well,
in a tab that has the files of the app: processor milliseconds of the server, and wall until the
last words stand there.

27 November 2026, two cores with little else to do, 10,000,000 laps and 400 draws, as many as the
fast mode keeps (a store of 0.12 GB, a fit of 0.98 GB), 1,040 entries on 12,469 runs at the circuit.
Milliseconds of the processor, least and most of seven runs (the page of one build: of three); the
machine itself was a quarter slower in one than in the others.

| | command | page, a new question | the same again |
| --- | --- | --- | --- |
| leaderboard | 153 to 263 | 122 to 180 | 51 to 85 |
| claim, model and class | 210 to 259 | 230 to 285 | 41 to 64 |
| claim, class alone | 246 to 284 | | |
| gains | 175 to 218 | 163 to 252 | 17 to 33 |
| forecast (the page of one build asks seven answers) | 126 to 149 | 265 to 433 | 40 to 60 |
| leaderboard, tyre and driver made equal: not kept | 403 to 492 | | |

With 1,000 draws and the cores taken twelve times over, a served leaderboard took the server 220,
gains 270. Making it took the processor 15 s for the fit, 76 s for what is worked out and kept, 9 s
to write.

With `--db` a fit by regions is asked that `python -m tests.bench.region_scale` has left.

With `--keep` the store stays in that folder, and is used again if it is there.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar
from urllib.parse import quote

from benchmark.model import decade
from benchmark.model.fit import Fit
from benchmark.model.pace import FAST_DRAWS
from benchmark.store.kept_fits import folder_of, write_draft
from benchmark.store.store import Store
from tests.bench.made_up_fit import made_up_fit

if TYPE_CHECKING:
    from playwright.sync_api import Page
    from streamlit.testing.v1 import AppTest

TIMES, VISITS = 5, 12
T = TypeVar("T")
APP = Path(__file__).parents[2] / "app.py"
PAGES = {
    "leaderboard": "leaderboard.py",
    "claim": "claim.py",
    "gains": "gains.py",
    "one build": "build.py",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--laps", type=int, default=10_000_000)
    parser.add_argument("--draws", type=int, default=FAST_DRAWS)
    parser.add_argument("--keep", type=Path, help="where the store is made, and stays")
    parser.add_argument("--db", type=Path, help="a decade that `tests.bench.region_scale` fitted")
    parser.add_argument("--served", action="store_true", help="also in a browser")
    options = parser.parse_args()
    if options.db is not None:
        measure(options.db, served=options.served)
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        db = folder / f"decade-{options.laps}.duckdb"
        if not folder_of(db).is_dir():
            make(db, options.laps, options.draws)
        measure(db, served=options.served)


def measure(db: Path, *, served: bool) -> None:
    beside = sum(path.stat().st_size for path in folder_of(db).rglob("*") if path.is_file())
    with Store.open(db) as store:
        laps = store.open_fit().whole.laps
        print(f"{laps:,} laps: store {db.stat().st_size / 1e9:.2f} GB, fit {beside / 1e9:.2f} GB")
        part = store.open_fit().part(decade.circuit_name(0))
    print(f"   at {decade.circuit_name(0)}: {len(part.entries):,} entries, {len(part.runs):,} runs")
    print("   | answer | wall, ms | processor, ms | the first, wall and processor |")
    for name, words in commands(part).items():
        tell(f"command: {name}", lambda words=words: run([*words, "--db", str(db)]))  # type: ignore[misc]
    for name, file in PAGES.items():
        new, again = page(db, file, part)
        tell(f"page: {name}, a new question", new)
        tell(f"page: {name}, the same again", again)
    if served:
        in_browser(db)


def make(db: Path, laps: int, draws: int) -> None:
    """Make the store with its laps, and the fit beside it."""
    from benchmark.answers.worked_out import worked_out
    from benchmark.intake.laptable import read_lap_table

    step("laps made", lambda: decade.write(laps, db.with_suffix(".laps")))
    table = db.with_suffix(".parquet")
    step("laps in one file", lambda: in_one_file(db.with_suffix(".laps"), table))
    lap_file = step("laps read and checked", lambda: read_lap_table(table))

    def add() -> None:
        with Store.open(db, create=True) as store:
            store.add(lap_file)

    step("laps added", add)
    fit: Fit = step("fit made up", lambda: made_up_fit(laps, draws))
    found = step("boards and gains worked out", lambda: worked_out(fit))
    draft = step("fit written", lambda: write_draft(db, fit, found))
    with Store.open(db, write=True) as store:
        step("fit kept", lambda: store.keep_written_fit(fit, draft))


def in_one_file(folder: Path, table: Path) -> None:
    import duckdb

    source = f"read_parquet('{folder}/**/*.parquet', hive_partitioning = false)"
    with duckdb.connect() as connection:
        connection.execute("set enable_progress_bar = false")
        connection.execute(f"copy (from {source}) to '{table}' (format parquet)")


def step(what: str, work: Callable[[], T]) -> T:
    wall, cpu = time.perf_counter(), time.process_time()
    done = work()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"   {what}: {cpu:.1f} s of processor, {wall:.1f} s, peak {peak_gb:.1f} GB", flush=True)
    return done


def commands(part: Fit) -> dict[str, list[str]]:
    """The questions: at the first circuit, of a car that ran there."""
    entry = part.entries.iloc[0]
    own = part.lookup.runs_where(build=str(entry["build"]), circuit=decade.circuit_name(0))
    best = float(part.lookup.with_facts(own)["lap_time_s"].min())
    circuit = ["--circuit", decade.circuit_name(0)]
    car = ["--build", str(entry["build"])]
    told = ["--model", str(entry["model"]), "--driver", str(entry["driver"]), "--tyre",
            str(entry["tyre_category"]), "--date", "2026-06-01"]  # fmt: skip
    json = ["--format", "json"]
    return {
        "leaderboard": ["leaderboard", *circuit, *json],
        "leaderboard of one model": [
            "leaderboard",
            *circuit,
            "--model",
            str(entry["model"]),
            *json,
        ],
        "leaderboard, tyre and driver made equal": [
            *("leaderboard", *circuit, "--adjust", "conditions,tyre,driver", *json)
        ],
        "claim, model and class": [
            *("claim", *circuit, *car, *told, "--lap-time", f"{best - 0.2:.3f}", *json)
        ],
        "claim, class alone": [
            *("claim", *circuit, *car, *told, "--lap-time", f"{best - 0.2:.3f}"),
            *("--scope", "class", *json),
        ],
        "gains": ["gains", *circuit, *json],
        "forecast": ["forecast", *circuit, *car, *json],
    }


def run(words: list[str]) -> None:
    from typer.testing import CliRunner

    from benchmark.cli import command_line

    result = CliRunner().invoke(command_line(words[0]), words, catch_exceptions=False)
    assert result.exit_code == 0, result.output


def page(db: Path, file: str, part: Fit) -> tuple[Callable[[], None], Callable[[], None]]:
    """Ways to run a page: with a question that nobody has asked before, and with the same again."""
    from streamlit.testing.v1 import AppTest

    os.environ["BENCHMARK_DB"] = str(db)
    at = AppTest.from_file(str(APP), default_timeout=120)
    shown(at)
    at.selectbox(key="circuit").set_value(decade.circuit_name(0))
    shown(at)
    if file != "leaderboard.py":
        at.switch_page(str(APP.parent / "benchmark" / "show" / "pages" / file))
        shown(at)
    number = count(1)

    def new() -> None:
        k = next(number)
        if file == "claim.py":
            fill(at, part, k)
        elif file == "build.py":
            at.selectbox(key="build").set_value(str(part.entries["build"].iloc[k]))
        else:
            at.selectbox(key="circuit").set_value(decade.circuit_name(k))
        shown(at)

    return new, lambda: shown(at)


def shown(at: AppTest) -> None:
    at.run()
    assert not at.exception, at.exception


def fill(at: AppTest, part: Fit, k: int) -> None:
    """Fill in the page's form with a claim of the k-th car."""
    entry = part.entries.iloc[k]
    at.selectbox(key="circuit").set_value(decade.circuit_name(0))
    for key in ("build", "model", "driver"):
        at.selectbox(key=f"claim_{key}").set_value(str(entry[key]))
    at.selectbox(key="claim_tyre_category").set_value(str(entry["tyre_category"]))
    at.text_input(key="claim_lap_time").set_value("1:30.000")
    next(one for one in at.button if one.label == "Check the claim").click()


def in_browser(db: Path) -> None:
    """Open pages of a served app, each of a circuit that nobody has asked about."""
    from playwright.sync_api import sync_playwright

    start = [sys.executable, "-c", "from benchmark.cli import main; main()"]
    with (
        subprocess.Popen(
            [*start, "app", "--db", str(db)], stdout=subprocess.PIPE, text=True
        ) as app,
        sync_playwright() as playwright,
    ):
        try:
            line = app.stdout.readline() if app.stdout else ""
            address = re.findall(r"http://127\.0\.0\.1:\d+", line)[0]
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"))
            tab = browser.new_page(viewport={"width": 1280, "height": 1900})
            for page in ("", "gains"):
                found = sorted(opened(tab, app.pid, f"{address}/{page}", k) for k in range(VISITS))
                cpu, wall = found[VISITS // 2]
                print(
                    f"   | served: {page or 'leaderboard'} | {wall:.0f} | {cpu:.0f} | |", flush=True
                )
            browser.close()
        finally:
            app.terminate()


def opened(tab: Page, pid: int, address: str, k: int) -> tuple[float, float]:
    """Milliseconds of the server's processor, and of the wall, until the page is there."""
    cpu, wall = server_s(pid), time.perf_counter()
    tab.goto(f"{address}?circuit={quote(decade.circuit_name(k))}")
    tab.get_by_text("no target to drive to").first.wait_for(timeout=60_000)
    wall = time.perf_counter() - wall
    tab.wait_for_timeout(500)
    return 1000 * (server_s(pid) - cpu), 1000 * wall


def server_s(pid: int) -> float:
    """Seconds of processors that a process and its children have used (Linux)."""
    ticks = 0
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):  # it ended meanwhile
            fields = path.read_text().rpartition(")")[2].split()
            if pid in (int(path.parent.name), int(fields[1])):
                ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def tell(name: str, ask: Callable[[], None]) -> None:
    first = milliseconds(ask)
    later = sorted(milliseconds(ask) for _ in range(TIMES))
    wall, cpu = later[TIMES // 2]
    print(f"   | {name} | {wall:.0f} | {cpu:.0f} | {first[0]:.0f}, {first[1]:.0f} |", flush=True)


def milliseconds(ask: Callable[[], None]) -> tuple[float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    ask()
    return 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)


if __name__ == "__main__":
    sys.exit(main())
