"""The app, the command line and a timer job at one store: processes that all get their turn."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from benchmark.errors import StoreBusy
from benchmark.store import opening
from benchmark.store.audit import audit
from benchmark.store.store import Store
from tests.killing import LAPS, one_session, sheet

IMPORTS, RULINGS = 4, 4
# Each line is one look: the version of the laps, and the laps of each session.
READ = """
import sys, time
from benchmark.store.store import Store
while True:
    time.sleep(0.05)
    with Store.open(sys.argv[1]) as store:
        laps = store.accepted_laps()
        struck, seen = int(laps["struck"].sum()), laps.groupby("session")["lap"].count()
        print(store.data_version(), len(store.rulings()), struck, *seen, flush=True)
"""
IMPORT = f"""
import sys
from pathlib import Path
from itertools import islice
from tests.killing import importing
for _ in islice(importing(Path(sys.argv[1])), {IMPORTS + 1}):
    pass
"""
RULE = f"""
import sys
from pathlib import Path
from itertools import islice
from tests.killing import ruling
for _ in islice(ruling(Path(sys.argv[1])), {RULINGS + 1}):
    pass
"""
HOLD_THE_LOCK = """
import sys
from pathlib import Path
from benchmark.store import opening
opened = opening.open_writer(Path(sys.argv[1]), patience_s=5)
with opening.closed_meanwhile(opened, Path(sys.argv[1])):
    print("holding", flush=True)
    sys.stdin.readline()
"""
HOLD = """
import sys
from benchmark.store.store import Store
with Store.open(sys.argv[1], write=True):
    print("holding", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    sheet(tmp_path)
    one_session(path)
    return path


def started(script: str, db: Path) -> subprocess.Popen[str]:
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    return subprocess.Popen([sys.executable, "-c", script, str(db)], text=True, **pipes)  # type: ignore[call-overload]


@pytest.mark.slow
def test_readers_see_whole_imports_and_writers_get_their_turn(db: Path) -> None:
    readers = [started(READ, db) for _ in range(2)]
    writers = [started(IMPORT, db), started(RULE, db)]
    try:
        codes = [writer.wait(120) for writer in writers]
    finally:
        for process in (*readers, *writers):
            process.kill()
    said = [process.communicate()[0] for process in (*readers, *writers)]
    looks = [text.splitlines(keepends=True) for text in said[: len(readers)]]
    assert codes == [0, 0]
    for lines in looks:
        seen = [list(map(int, line.split())) for line in lines if line.endswith("\n")]
        assert seen, "a reader never got its turn"
        assert all(sessions == LAPS for _, _, _, *each in seen for sessions in each)
        assert all(rulings == struck for _, rulings, struck, *_ in seen)
        versions = [version for version, *_ in seen]
        assert versions == sorted(versions)
    with Store.open(db) as store:
        audit(store)
        assert len(store.accepted_laps()) == IMPORTS * LAPS
        assert len(store.rulings()) == RULINGS


@pytest.mark.skipif(not Path("/proc/locks").exists(), reason="the system does not list its locks")
@pytest.mark.parametrize("write", [False, True])
def test_who_copies_or_replaces_the_file_is_named_too(db: Path, write: bool) -> None:
    with started(HOLD_THE_LOCK, db) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "holding\n"
        with pytest.raises(StoreBusy, match=rf"another process \(PID {holder.pid}\) holds it"):
            Store.open(db, write=write, patience_s=0.1)
        holder.kill()


def test_whoever_waits_long_is_told_for_whom(
    db: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(opening, "TOLD_AFTER_S", 0.1)
    with started(HOLD, db) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "holding\n"
        threading.Timer(0.5, holder.kill).start()
        Store.open(db, write=True).close()
    assert caplog.messages == [
        f"{db} is busy: another process (PID {holder.pid}) holds it; waiting"
    ]
