"""Kill a process at a random moment of what it does to a store, and look at what is left.

`python -m tests.killing ACTION STORE` does one thing again and again and says each time when it is
done; `kill_one` starts that, kills it, and checks: the store opens, holds every finished action and
no half of an unfinished one, and its record replays to what it holds.
"""

from __future__ import annotations

import gzip
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import duckdb

from benchmark.intake.laptable import read_lap_table
from benchmark.model import pace
from benchmark.show import fit_job
from benchmark.show.fitting import fit_store
from benchmark.store import backup, migrate
from benchmark.store.audit import audit
from benchmark.store.restoring import restore
from benchmark.store.store import Store
from tests.lap_files import LAP, lap, write

LAPS = 400
OLD_STORES = Path(__file__).parent / "stores"
TIME_LEFT_S = 120.0


def key_of(number: int) -> dict[str, object]:
    """The key of a lap of the first session; car and lap number as `sheet` has them."""
    same = {"circuit": LAP["circuit"], "layout": "full", "date": LAP["date"], "session": "S0"}
    return {**same, "build": f"car {number % 20}", "run": 1, "lap": number}


def sheet(folder: Path) -> Path:
    """One session's table; it is imported as many sessions."""
    return write(folder, [lap(n, build=f"car {n % 20}") for n in range(1, LAPS + 1)])


# What is done, in the process that is killed. Each step yields what it has finished.


def importing(db: Path) -> Iterator[object]:
    lap_file = read_lap_table(db.with_name("spring.csv"))
    place = lap_file.runs.column_names.index("session")
    yield "ready"
    for number in range(1000):
        runs = lap_file.runs.set_column(place, "session", [[f"S{number}"] * lap_file.runs.num_rows])
        named = replace(lap_file, name=f"{number}.csv", sha256=f"{number:064x}", runs=runs)
        with Store.open(db, create=True) as store:
            store.add(named)
        yield number


def ruling(db: Path) -> Iterator[object]:
    yield "ready"
    for number in range(1, LAPS + 1):
        with Store.open(db, write=True) as store:
            store.strike(key_of(number), steward="C. Rook", reason="cut the track")
        yield number


def fitting(db: Path) -> Iterator[object]:
    pace.WARM_UP, pace.KEEP = 3, 10
    yield "ready"
    for number in range(1, 1000):
        fit_store(db, lambda *_: None, mode="full", seed=number)
        yield number


def migrating(db: Path) -> Iterator[object]:
    yield "ready"
    for number in range(1000):
        copy = db.with_name(f"old-{number}.duckdb")
        older = OLD_STORES / f"version_{1 + number % (migrate.VERSION - 1)}.duckdb.gz"
        copy.write_bytes(gzip.decompress(older.read_bytes()))
        yield f"made {number}"
        with Store.open(copy) as store:
            assert len(store.accepted_laps()) == 3
        yield number


def backing_up(db: Path) -> Iterator[object]:
    yield "ready"
    while True:
        yield backup.back_up(db).path.name


def restoring(db: Path) -> Iterator[object]:
    first, second = sorted(db.parent.glob("kept-*.zip"))
    yield "ready"
    for number in range(1000):
        restore(second if number % 2 else first, db, replace=True)
        yield number


# What is prepared before, and looked at afterwards.


def one_session(db: Path) -> None:
    with Store.open(db, create=True) as store:
        lap_file = read_lap_table(db.with_name("spring.csv"))
        place = lap_file.runs.column_names.index("session")
        runs = lap_file.runs.set_column(place, "session", [["S0"] * lap_file.runs.num_rows])
        store.add(replace(lap_file, runs=runs))


def few_laps(db: Path) -> None:
    with Store.open(db, create=True) as store:
        rows = [lap(n, f"1:02.{100 + 9 * n}") for n in range(1, 5)]
        store.add(read_lap_table(write(db.parent, rows, name="few.csv")))


def two_backups(db: Path) -> None:
    few_laps(db)
    backup.back_up(db, db.with_name("kept-1.zip"))
    with Store.open(db, write=True) as store:
        rows = [lap(9, "1:02.9")]
        store.add(read_lap_table(write(db.parent, rows, name="more.csv")))
    backup.back_up(db, db.with_name("kept-2.zip"))


def whole(db: Path) -> None:
    """Open for writing and for reading, and replay the record."""
    Store.open(db, write=True, patience_s=5).close()
    with Store.open(db, patience_s=5) as store:
        audit(store)


def imports_are_whole(db: Path, done: list[str]) -> None:
    with Store.open(db, create=True) as store:
        taken = [int(name.removesuffix(".csv")) for name in store.imports()["file"]]
        laps = store.accepted_laps().groupby("session")["lap"].count().to_dict()
    whole(db)
    assert sorted(taken) == list(range(len(taken)))
    assert len(done) <= len(taken) <= len(done) + 1
    assert laps == {f"S{number}": LAPS for number in taken}
    assert left_over(db) == []


def rulings_are_whole(db: Path, done: list[str]) -> None:
    whole(db)
    with Store.open(db) as store:
        lines, laps = store.rulings(), store.accepted_laps()
    struck = sorted(laps.loc[laps["struck"], "lap"].tolist())
    assert struck == list(range(1, len(lines) + 1))
    assert len(done) <= len(lines) <= len(done) + 1


def fits_are_whole(db: Path, done: list[str]) -> None:
    whole(db)
    with Store.open(db) as store:
        fits = store.fits()
        if not fits.empty:
            store.latest_fit()
    kept = int(fits["fit_no"].max()) if len(fits) else 0
    assert len(done) <= kept <= len(done) + 1
    job = fit_job.latest(db)
    assert job is None or not job.is_running


def stores_are_old_or_new(db: Path, done: list[str]) -> None:
    made = len([text for text in done if text.startswith("made")])
    finished = {int(text) for text in done if text.isdigit()}
    for number in range(made):
        copy = db.with_name(f"old-{number}.duckdb")
        version = version_of(copy)
        backups = list(backup.backups_folder(copy).glob("*.zip"))
        for kept in backups:
            assert backup.verify(kept).facts.schema < migrate.VERSION
        if version == migrate.VERSION:
            assert len(backups) == 1, "brought up to date without a backup"
        else:
            assert number not in finished
        whole(copy)
        with Store.open(copy) as store:
            assert store.accepted_laps()["lap"].tolist() == [1, 2, 3]


def backups_are_whole(db: Path, done: list[str]) -> None:
    whole(db)
    folder = backup.backups_folder(db)
    found = sorted(path.name for path in folder.glob("*.zip")) if folder.is_dir() else []
    assert set(done) <= set(found)
    assert len(found) <= len(done) + 1
    for name in found:
        assert backup.verify(folder / name).facts.laps == 4
    backup.back_up(db)
    assert list(folder.glob("*.draft")) == []


def one_or_the_other(db: Path, done: list[str]) -> None:
    whole(db)
    with Store.open(db) as store:
        assert store.accepted_laps()["lap"].tolist() in ([1, 2, 3, 4], [1, 2, 3, 4, 9])
    for kept in backup.backups_folder(db).glob("*.zip"):
        backup.verify(kept)
    restore(db.with_name("kept-1.zip"), db, replace=True)
    with Store.open(db) as store:
        assert store.accepted_laps()["lap"].tolist() == [1, 2, 3, 4]


def left_over(db: Path) -> list[tuple[int]]:
    """Give the runs, sessions and builds that belong to no lap."""
    query = """
        select run_id from run anti join lap using (run_id)
        union all select session_id from session anti join run using (session_id)
        union all select build_id from build anti join run using (build_id)
        """
    with duckdb.connect(str(db), read_only=True) as connection:
        return connection.execute(query).fetchall()


def version_of(db: Path) -> int:
    with duckdb.connect(str(db), read_only=True) as connection:
        return connection.execute("select max(version) from schema_version").fetchall()[0][0]


def nothing(_db: Path) -> None:
    pass


Act = Callable[[Path], Iterator[object]]
# What is done, what stands there before, what has to be true afterwards, and how soon the latest
# kill comes. [s]
ACTIONS: dict[str, tuple[Act, Callable[[Path], None], Callable[[Path, list[str]], None], float]] = {
    "import": (importing, nothing, imports_are_whole, 1.0),
    "ruling": (ruling, one_session, rulings_are_whole, 1.0),
    "fit": (fitting, few_laps, fits_are_whole, 6.0),
    "migration": (migrating, nothing, stores_are_old_or_new, 1.5),
    "backup": (backing_up, few_laps, backups_are_whole, 1.0),
    "restore": (restoring, two_backups, one_or_the_other, 2.0),
}


def kill_one(action: str, folder: Path, draw: random.Random) -> tuple[float, int]:
    """Kill one process; give after how long, and how many steps it had finished. [s]"""
    _, prepare, check, latest_s = ACTIONS[action]
    db = folder / "laps.duckdb"
    sheet(folder)
    prepare(db)
    after_s = draw.uniform(0.0, latest_s)
    done = _run_and_kill(action, db, after_s)
    check(db, done)
    shutil.rmtree(folder)
    return after_s, len(done)


def _run_and_kill(action: str, db: Path, after_s: float) -> list[str]:
    command = [sys.executable, "-m", "tests.killing", action, str(db)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as doing:
        assert doing.stdout is not None
        assert doing.stdout.readline() == "ready\n"
        time.sleep(after_s)
        doing.kill()
        said = doing.stdout.read()
    return said.splitlines() if said.endswith("\n") else said.splitlines()[:-1]


def main() -> None:
    act = ACTIONS[sys.argv[1]][0]
    for finished in act(Path(sys.argv[2])):
        print(finished, flush=True)


if __name__ == "__main__":
    main()
