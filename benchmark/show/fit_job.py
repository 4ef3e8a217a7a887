"""One fit of a store at a time, and how far it is, for everybody who asks.

Beside the store stand a lock, which whoever fits holds to the end, a small file of progress and,
for a moment, a request to stop. A process that is killed lets go of the lock, so nobody waits for
it. The store itself is not held while the fit computes.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path

from filelock import FileLock, Timeout

from benchmark.errors import BenchmarkError, FitStopped, StoreBusy
from benchmark.show.clock import Clock

SAID_EVERY_S = 0.5
STARTS_WITHIN_S = 30.0  # a started process that does not fit by then has ended
PROBE_S = 2.0  # longer than anybody looks whether the lock is free

Report = Callable[[float, str], None]
_probing = threading.Lock()


class State(StrEnum):
    """Where a fit is."""

    STARTING = "starting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    STOPPED = "stopped"
    LOST = "lost"  # its process ended without a word


@dataclass(frozen=True, slots=True)
class Job:
    """The latest fit of a store. `told` is what came of it, a sentence each; times are UTC [s]."""

    state: State
    pid: int
    at: float
    done: float = 0.0
    step: str = ""
    left: str = ""
    told: tuple[str, ...] = ()

    @property
    def is_running(self) -> bool:
        """Whether it has not ended."""
        return self.state in (State.STARTING, State.RUNNING)

    def words(self) -> str:
        """Say how far a running fit is, as `a fit is running: 40 %, about 20 s left`."""
        return f"a fit is running: {100 * self.done:.0f} %{self.left}"

    def sentence(self) -> str:
        """Say the same as the beginning of a sentence."""
        return f"A{self.words()[1:]}"


def file_of(db: Path) -> Path:
    """Give the file of progress beside a store."""
    return db.with_name(f"{db.name}.fit")


def latest(db: Path) -> Job | None:
    """Give the latest fit that was started, or None; never waits."""
    job = _read(db)
    if job is None or not job.is_running:
        return job
    if job.state is State.STARTING and 0 <= time.time() - job.at < STARTS_WITHIN_S:
        return job
    if _is_held(db):
        return job
    again = _read(db)  # it may have ended between the two looks
    return replace(again, state=State.LOST) if again is not None and again.is_running else again


def say(db: Path, job: Job) -> None:
    """Keep how far a fit is, in one step: nobody reads half of it. A full disk is no fault."""
    draft = db.with_name(f"{db.name}.fit.{os.getpid()}")
    try:
        draft.write_text(json.dumps(asdict(job), ensure_ascii=False), encoding="utf-8")
        draft.replace(file_of(db))
    except OSError:
        draft.unlink(missing_ok=True)


def starting(db: Path) -> None:
    """Say that a process was started to fit the store; it has not come so far yet."""
    _stop_file(db).unlink(missing_ok=True)
    say(db, Job(State.STARTING, os.getpid(), time.time()))


def ask_to_stop(db: Path) -> None:
    """Ask the running fit to stop; it does at its next step."""
    _stop_file(db).touch()


@contextmanager
def turn(
    db: Path, report: Report, *, wait: Callable[[Job | None], None] | None = None
) -> Iterator[tuple[Report, Callable[..., None]]]:
    """Fit in one's turn: give the report to call meanwhile, and what to call with the outcome.

    `wait` is told of the fit that runs, where there is one, and this one then waits for its end;
    without `wait` that is an error. Errors that leave the block are told as the outcome.

    Raises
    ------
    StoreBusy
        Another process fits this store.
    FitStopped
        Somebody asked for that.
    """
    lock = _in_turn(db, wait)
    job = latest(db)
    if job is None or job.state is not State.STARTING:  # else somebody may have asked already
        _stop_file(db).unlink(missing_ok=True)
    teller = _Teller(db, report)
    try:
        yield teller.report, teller.finish
    except FitStopped as error:
        teller.end(State.STOPPED, str(error))
        raise
    except BenchmarkError as error:
        teller.end(State.FAILED, str(error))
        raise
    except Exception:
        teller.end(State.FAILED, "The fit ended by a fault of this program.")
        raise
    except BaseException:
        teller.end(State.STOPPED, "The fit was stopped.")
        raise
    finally:
        _stop_file(db).unlink(missing_ok=True)
        lock.release()


class _Teller:
    """Keeps the file of progress, and looks whether somebody asks to stop."""

    def __init__(self, db: Path, report: Report) -> None:
        self._db = db
        self._on_screen = report
        self._clock = Clock()
        self._next_at = 0.0
        self._job = Job(State.RUNNING, os.getpid(), time.time())
        say(db, self._job)

    def report(self, done: float, step: str) -> None:
        left = self._clock.time_left(done)
        if time.monotonic() >= self._next_at:
            self._next_at = time.monotonic() + SAID_EVERY_S
            if _stop_file(self._db).exists():
                raise FitStopped("The fit was stopped; the one kept last stands.")
            self._job = replace(self._job, done=min(max(done, 0.0), 1.0), step=step, left=left)
            say(self._db, self._job)
        self._on_screen(done, step)

    def finish(self, *told: str) -> None:
        self._job = replace(self._job, done=1.0, step="", left="")
        self.end(State.DONE, *told)

    def end(self, state: State, *told: str) -> None:
        say(self._db, replace(self._job, state=state, told=told))


def _in_turn(db: Path, wait: Callable[[Job | None], None] | None) -> FileLock:
    lock = FileLock(f"{db}.fit.lock", thread_local=False, poll_interval=0.1)
    try:
        lock.acquire(timeout=PROBE_S)
    except Timeout:
        job = latest(db)
        if wait is None:
            raise StoreBusy(_busy(db, job)) from None
        wait(job)
        lock.acquire()
    return lock


def _busy(db: Path, job: Job | None) -> str:
    far = f" (process {job.pid}: {100 * job.done:.0f} %{job.left})" if job else ""
    return f"another fit of {db} is running{far}; try again when that has finished"


def _is_held(db: Path) -> bool:
    lock = FileLock(f"{db}.fit.lock", thread_local=False)
    with _probing:  # two threads that look at once would take each other for the fit
        try:
            lock.acquire(timeout=0)
        except (Timeout, OSError):
            return True
        lock.release()
    return False


def _read(db: Path) -> Job | None:
    try:
        said = json.loads(file_of(db).read_text(encoding="utf-8"))
        told = tuple(str(sentence) for sentence in said["told"])
        return Job(**{**said, "state": State(said["state"]), "told": told})
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _stop_file(db: Path) -> Path:
    return db.with_name(f"{db.name}.fit.stop")
