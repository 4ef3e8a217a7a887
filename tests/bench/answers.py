"""How long the answers take once a store is fitted: commands and pages, whatever laps lie behind.

    python -m tests.bench.answers --laps 10000000 [--draws N] [--keep FOLDER]

makes a store of the made-up decade (`benchmark.model.simulate`), imports its laps in one file, and
keeps a fit beside it that is made up in the shape of the fast mode (`tests.bench.made_up_fit`):
the answers do what they would do with a real one. Then it asks, at the first circuit, whose board
is as long as any. A command is timed in this process as a user would call it, with JSON put out,
but for the imports of Python: it opens the store and the fit anew each time. A page is run by
Streamlit's AppTest: the first time that anybody asks, and again. Milliseconds of the processor,
since other work on the machine changes those of the wall; both are printed, as the median of 5.

With `--keep` the store stays in that folder, and is used again if it is there.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from benchmark.model import decade
from benchmark.model.fit import Fit
from benchmark.store.kept_fits import folder_of, write_draft
from benchmark.store.store import Store
from tests.bench.made_up_fit import made_up_fit

TIMES = 5
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
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--keep", type=Path, help="where the store is made, and stays")
    options = parser.parse_args()
    if options.keep is not None:
        options.keep.mkdir(parents=True, exist_ok=True)
        measure(options.keep, options.laps, options.draws)
        return
    with tempfile.TemporaryDirectory() as folder:
        measure(Path(folder), options.laps, options.draws)


def measure(folder: Path, laps: int, draws: int) -> None:
    db = folder / f"decade-{laps}.duckdb"
    if not folder_of(db).is_dir():
        make(db, laps, draws)
    beside = sum(path.stat().st_size for path in folder_of(db).iterdir())
    print(f"{laps:,} laps: store {db.stat().st_size / 1e9:.2f} GB, fit {beside / 1e9:.2f} GB")
    with Store.open(db) as store:
        part = store.open_fit().part(decade.circuit_name(0))
    print(f"   at {decade.circuit_name(0)}: {len(part.entries):,} entries, {len(part.runs):,} runs")
    print("   | answer | wall, ms | processor, ms | the first, wall and processor |")
    for name, words in commands(part).items():
        tell(f"command: {name}", lambda words=words: run([*words, "--db", str(db)]))  # type: ignore[misc]
    for name, file in PAGES.items():
        first, again = page(db, file, part)
        tell(f"page: {name}, asked first", first)
        tell(f"page: {name}, asked again", again)


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
        step("fit kept", lambda: store.keep_fit(fit, draft))


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

    from benchmark.cli import app

    result = CliRunner().invoke(app, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output


def page(db: Path, file: str, part: Fit) -> tuple[Callable[[], None], Callable[[], None]]:
    """Ways to run a page: as the first to ask in this process, and when others have asked."""
    import streamlit as st
    from streamlit.testing.v1 import AppTest

    os.environ["BENCHMARK_DB"] = str(db)

    def ready() -> AppTest:
        at = AppTest.from_file(str(APP), default_timeout=120)
        at.query_params["circuit"] = decade.circuit_name(0)
        at.query_params["build"] = str(part.entries["build"].iloc[0])
        at.run()
        return at

    def shown(at: AppTest) -> None:
        at.run()
        assert not at.exception, at.exception

    at = ready()
    if file != "leaderboard.py":
        at.switch_page(str(APP.parent / "benchmark" / "show" / "pages" / file))
        shown(at)
    if file == "claim.py":
        fill(at, part)

    def first() -> None:
        st.cache_data.clear()
        st.cache_resource.clear()
        shown(at)

    return first, lambda: shown(at)


def fill(at, part: Fit) -> None:  # type: ignore[no-untyped-def]
    """Hand a claim in by the page's form."""
    entry = part.entries.iloc[0]
    for key in ("build", "model", "driver"):
        at.selectbox(key=f"claim_{key}").set_value(str(entry[key]))
    at.selectbox(key="claim_tyre_category").set_value(str(entry["tyre_category"]))
    at.text_input(key="claim_lap_time").set_value("1:30.000")
    next(one for one in at.button if one.label == "Check the claim").click()
    at.run()
    assert not at.exception, at.exception


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
