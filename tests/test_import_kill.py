"""A process that is killed while it imports: what it had finished is whole, the rest is absent."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from benchmark.store.store import Store
from tests.lap_files import lap, write

LAPS = 400
FILES = 40
IMPORT = """
import sys
from dataclasses import replace
from pathlib import Path
from benchmark.intake.laptable import read_lap_table
from benchmark.store.store import Store
lap_file = read_lap_table(Path(sys.argv[2]))
place = lap_file.runs.column_names.index("session")
print("ready", flush=True)
for number in range(int(sys.argv[3])):
    session = [[f"S{number}"] * lap_file.runs.num_rows]
    runs = lap_file.runs.set_column(place, "session", session)
    with Store.open(sys.argv[1], create=True) as store:
        store.add(replace(lap_file, name=f"{number:02d}.csv", runs=runs))
    print(number, flush=True)
"""


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One session's table; it is imported as many sessions, longer than any test here waits."""
    rows = [lap(n, build=f"car {n % 20}") for n in range(1, LAPS + 1)]
    return write(tmp_path_factory.mktemp("table"), rows)


@pytest.mark.parametrize("seed", range(4))
def test_a_killed_import_leaves_whole_files_and_no_others(
    table: Path, tmp_path: Path, seed: int
) -> None:
    db = tmp_path / "laps.duckdb"
    finished = import_and_kill(db, table, after_s=random.Random(seed).uniform(0.05, 1.0))
    with Store.open(db, create=True) as store:
        imports = store.imports()
    taken = sorted(imports["file"])
    assert finished <= len(taken) <= finished + 1
    assert taken == [f"{number:02d}.csv" for number in range(len(taken))]
    assert laps_by_session(db) == {f"S{number}": LAPS for number in range(len(taken))}
    assert left_over(db) == []


def import_and_kill(db: Path, table: Path, after_s: float) -> int:
    """Let a process import until it is killed, and give how many files it reported."""
    command = [sys.executable, "-c", IMPORT, str(db), str(table), str(FILES)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as importing:
        assert importing.stdout is not None
        assert importing.stdout.readline() == "ready\n"
        time.sleep(after_s)
        importing.kill()
        finished = importing.stdout.read().splitlines()
    assert len(finished) < FILES, "the import was over before it was killed"
    return len(finished)


def laps_by_session(db: Path) -> dict[str, int]:
    query = "select session, count(*) from lap_table group by session"
    with duckdb.connect(str(db), read_only=True) as connection:
        return dict(connection.execute(query).fetchall())


def left_over(db: Path) -> list[tuple[int]]:
    """Give the runs, sessions and builds that belong to no lap."""
    query = """
        select run_id from run anti join lap using (run_id)
        union all select session_id from session anti join run using (session_id)
        union all select build_id from build anti join run using (build_id)
        """
    with duckdb.connect(str(db), read_only=True) as connection:
        return connection.execute(query).fetchall()
