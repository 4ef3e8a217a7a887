"""A fit runs apart from the pages: one at a time, seen by all, stopped when asked, stale if so."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchmark.cli import app as command_line
from benchmark.errors import BenchmarkError, FitStopped, NotAllowed, StoreBusy
from benchmark.model import new_laps, pace
from benchmark.show import fit_job, fit_worker
from benchmark.show.fit_job import State, turn
from benchmark.show.fitting import STALE, fit_store
from benchmark.store import people
from benchmark.store.roles import Role
from benchmark.store.store import Store
from tests.app_pages import open_page, words_on
from tests.lap_files import lap, read_once, write

HOLD = """
import sys, time
from pathlib import Path
from benchmark.show.fit_job import turn
with turn(Path(sys.argv[1]), lambda *_: None) as (report, finish):
    report(0.4, "drawing")
    print("fitting", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    add(path, 1, 2, 3)
    return path


@pytest.fixture
def quick_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pace, "WARM_UP", 10)
    monkeypatch.setattr(pace, "KEEP", 20)


def add(db: Path, *numbers: int) -> None:
    rows = [lap(n, f"1:02.{100 + 7 * n}") for n in numbers]
    with Store.open(db, create=True) as store:
        store.add(read_once(write(db.parent, rows, name="more.csv")))


def nobody_looks(_done: float, _step: str) -> None:
    pass


@contextmanager
def fitting_elsewhere(db: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that says it is at 40 % and stays there."""
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    command = [sys.executable, "-c", HOLD, str(db)]
    with subprocess.Popen(command, text=True, **pipes) as holder:  # type: ignore[call-overload]
        assert holder.stdout.readline() == "fitting\n"
        try:
            yield holder
        finally:
            holder.kill()


def wait_for(is_so: Callable[[], bool], limit_s: float = 120.0) -> None:
    until = time.monotonic() + limit_s
    while not is_so():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.05)


def test_a_started_fit_goes_on_by_itself_and_is_kept(db: Path) -> None:
    fit_worker.start(db)
    with pytest.raises(StoreBusy, match="a fit is running"):
        fit_worker.start(db)
    assert fit_worker.current(db).is_running
    wait_for(lambda: not fit_worker.current(db).is_running)
    job = fit_worker.current(db)
    assert job.state is State.DONE, job
    assert "on 3 counted laps of 1 build" in job.told[0]
    with Store.open(db) as store:
        assert store.latest_fit().laps_used == 3


def test_one_store_is_fitted_by_one_process_at_a_time(db: Path) -> None:
    with fitting_elsewhere(db) as holder:
        with pytest.raises(StoreBusy) as busy:
            fit_store(db, nobody_looks)
        assert f"another fit of {db} is running (process {holder.pid}: 40 %" in str(busy.value)
        result = CliRunner().invoke(command_line, ["fit", "--no-wait", "--db", str(db)])
        assert result.exit_code == 2
        assert f"(process {holder.pid}: 40 %" in result.stderr


def test_the_command_waits_for_its_turn_and_says_so(db: Path, quick_fits: None) -> None:
    with fitting_elsewhere(db) as holder:
        threading.Timer(fit_job.PROBE_S + 1.0, holder.kill).start()
        result = CliRunner().invoke(command_line, ["fit", "--db", str(db)])
    assert result.exit_code == 0
    assert "another fit of this store is running (process" in result.stderr
    assert "waiting for its end" in result.stderr
    assert "on 3 counted laps" in result.stdout


def test_the_store_is_free_while_a_fit_computes_and_laps_that_come_make_it_stale(
    db: Path, quick_fits: None
) -> None:
    came = []

    def meanwhile(_done: float, _step: str) -> None:
        if not came:
            add(db, 4)
            came.append(4)

    found = fit_store(db, meanwhile)
    job = fit_job.latest(db)
    assert job.state is State.DONE
    assert job.told[-1] == STALE
    assert found.laps_used == 3
    with Store.open(db) as store:
        assert store.latest_fit().data_version == store.data_version() - 1


@pytest.mark.slow
@pytest.mark.parametrize(("most", "modes"), [(12_000, {"quick"}), (0, {"full"})])
def test_new_laps_count_by_a_quick_fit_until_the_full_one_ends(
    db: Path, quick_fits: None, monkeypatch: pytest.MonkeyPatch, most: int, modes: set[str]
) -> None:
    """Unless too much is new for a quick one."""
    monkeypatch.setattr(pace, "QUICK_MOST_LAPS", 0)
    monkeypatch.setattr(new_laps, "MOST_NEAR", most)
    fit_store(db, nobody_looks)
    add(db, 8)
    kept = set()

    def look(_done: float, step: str) -> None:
        if step == "drawing":
            with Store.open(db) as store:
                kept.add(store.latest_fit().mode)

    assert fit_store(db, look, quick_first=True).mode == "full"
    assert kept == modes


def test_a_fit_stops_when_it_is_asked_to_and_keeps_nothing(db: Path, quick_fits: None) -> None:
    def ask(_done: float, _step: str) -> None:
        fit_worker.stop(db)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fit_job, "SAID_EVERY_S", 0.0)
        with pytest.raises(FitStopped):
            fit_store(db, ask)
    assert fit_job.latest(db).state is State.STOPPED
    with Store.open(db) as store:
        assert store.fits().empty
    fit_store(db, nobody_looks)
    assert fit_job.latest(db).state is State.DONE


def test_a_killed_fit_is_told_and_in_nobodys_way(db: Path, quick_fits: None) -> None:
    with fitting_elsewhere(db) as holder:
        assert fit_job.latest(db).words() == "a fit is running: 40 %, about 0 s left"
        holder.kill()
        holder.wait()
    assert fit_job.latest(db).state is State.LOST
    fit_store(db, nobody_looks)
    assert fit_job.latest(db).state is State.DONE


def test_a_fit_that_fails_says_why(db: Path) -> None:
    with pytest.raises(BenchmarkError), turn(db, nobody_looks):
        raise BenchmarkError("the laps cannot be fitted")
    job = fit_job.latest(db)
    assert (job.state, job.told) == (State.FAILED, ("the laps cannot be fitted",))
    with pytest.raises(ZeroDivisionError), turn(db, nobody_looks):
        raise ZeroDivisionError
    assert fit_job.latest(db).state is State.FAILED


@pytest.mark.parametrize("body", ["", "{", "[]", '{"state": "dreaming"}', '{"told": 3}'])
def test_a_damaged_file_of_progress_is_as_none(db: Path, body: str) -> None:
    fit_job.file_of(db).write_text(body)
    assert fit_job.latest(db) is None


def test_whoever_may_not_fit_can_neither_start_nor_stop_one(db: Path) -> None:
    with Store.open(db, write=True) as store:
        people.name_role(store, "O. Wren", Role.OWNER)
    with Store.open(db, write=True, who=fit_worker.Named("O. Wren")) as store:
        people.name_role(store, "S. Rook", Role.STEWARD)
        people.name_role(store, "E. Finch", Role.ENTRANT)
    for name in (None, "E. Finch", "a stranger"):
        for act in (fit_worker.start, fit_worker.stop):
            with pytest.raises(NotAllowed):
                act(db, fit_worker.Named(name))
        with pytest.raises(NotAllowed):
            fit_store(db, nobody_looks, who=fit_worker.Named(name))
    fit_worker.stop(db, fit_worker.Named("S. Rook"))


@pytest.mark.slow
def test_pages_say_quietly_that_a_fit_is_running(
    fitted_db: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    db = tmp_path / "fitted.duckdb"
    db.write_bytes(fitted_db.read_bytes())
    monkeypatch.setenv("BENCHMARK_DB", str(db))
    with fitting_elsewhere(db):
        line = "A fit is running: 40 %, about 0 s left"
        assert f"{line}. What you see rests on" in words_on(open_page("gains.py"))
        at = open_page("hand_in.py")
        assert [button.label for button in at.button] == ["Stop the fit"]
        at.button[0].click().run()
        assert not at.exception
        assert fit_job._stop_file(db).exists()
    at = open_page("hand_in.py")
    assert "The process of the latest fit ended before the fit did" in words_on(at)
    assert "a fit is running" not in words_on(open_page("gains.py")).lower()
