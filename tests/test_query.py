"""Work on a connection: its result, its error, and Ctrl-C."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading

import duckdb
import pytest

from benchmark.intake.query import interruptible

ENDLESS = """
import duckdb
from benchmark.intake.query import interruptible
connection = duckdb.connect()
query = "select count(*) from range(10000000) a, range(10000000) b where a.range + b.range = 7"
print("asking", flush=True)
try:
    interruptible(connection, lambda: connection.execute(query).fetchall())
except KeyboardInterrupt:
    print("stopped", connection.execute("select 42").fetchall(), flush=True)
"""


def test_the_result_comes_back() -> None:
    with duckdb.connect() as connection:
        query = "select 42"
        assert interruptible(connection, lambda: connection.execute(query).fetchall()) == [(42,)]


def test_an_error_is_raised_where_the_work_was_asked_for() -> None:
    with duckdb.connect() as connection, pytest.raises(duckdb.ParserException):
        interruptible(connection, lambda: connection.execute("selekt"))


def test_meanwhile_is_called_by_the_asking_thread_and_at_the_end() -> None:
    seen: list[int] = []
    with duckdb.connect() as connection:
        interruptible(connection, lambda: None, lambda: seen.append(threading.get_ident()))
    assert set(seen) == {threading.get_ident()}


def test_a_thread_to_which_no_interrupt_comes_does_the_work_itself() -> None:
    seen: list[int] = []

    def draw_a_page() -> None:
        interruptible(connection, lambda: seen.append(threading.get_ident()))
        seen.append(threading.get_ident())

    with duckdb.connect() as connection:
        page = threading.Thread(target=draw_a_page)
        page.start()
        page.join()
    assert len(seen) == 2
    assert len(set(seen)) == 1


def test_ctrl_c_stops_a_query_that_would_not_end() -> None:
    """In a process of its own: an interrupt that is lost would stop the tests for ever."""
    command = [sys.executable, "-c", ENDLESS]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as asking:
        assert asking.stdout is not None
        assert asking.stdout.readline() == "asking\n"
        try:
            asking.wait(0.5)
        except subprocess.TimeoutExpired:
            asking.send_signal(signal.SIGINT)
        try:
            said, _ = asking.communicate(timeout=20)
        finally:
            asking.kill()
    assert said == "stopped [(42,)]\n"
    assert asking.returncode == 0
