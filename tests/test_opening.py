"""Several processes take turns at one store, and say who is in the way."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from benchmark.errors import BenchmarkError, NoStore, StoreBusy
from benchmark.intake.laptable import read_lap_table
from benchmark.store.store import Store
from tests.lap_files import lap, write

HOLD = """
import sys
from benchmark.store.store import Store
with Store.open(sys.argv[1], write=sys.argv[2] == "write"):
    print("holding", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_lap_table(write(tmp_path, [lap(1), lap(2)])))
    return path


@contextmanager
def held_by_another_process(db: Path, mode: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-c", HOLD, str(db), mode]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen(command, text=True, **pipes) as holder:  # type: ignore[call-overload]
        assert holder.stdout.readline() == "holding\n"
        try:
            yield holder
        finally:
            holder.kill()


@pytest.mark.parametrize("write", [False, True])
def test_a_store_that_another_process_writes_to_is_busy(db: Path, write: bool) -> None:
    with held_by_another_process(db, "write") as holder:
        with pytest.raises(StoreBusy) as busy:
            Store.open(db, write=write, patience_s=0.2)
        assert str(busy.value) == (
            f"{db} is busy: another process (PID {holder.pid}) holds it; "
            "try again when that has finished"
        )


def test_readers_of_several_processes_read_together(db: Path) -> None:
    with held_by_another_process(db, "read"), Store.open(db) as one, Store.open(db) as two:
        assert len(one.counted_laps()) == len(two.counted_laps()) == 2


def test_a_writer_waits_for_a_reader_and_gets_its_turn(db: Path) -> None:
    with held_by_another_process(db, "read") as reader:
        threading.Timer(0.3, reader.kill).start()
        started = time.monotonic()
        with Store.open(db, write=True) as store:
            assert 0.2 < time.monotonic() - started < 10
            assert store.data_version() == 1


def test_a_killed_writer_leaves_the_store_free(db: Path) -> None:
    with held_by_another_process(db, "write") as writer:
        writer.kill()
        writer.wait()
        with Store.open(db, write=True, patience_s=2) as store:
            assert store.data_version() == 1


def test_reading_while_this_process_writes_is_busy_too(db: Path) -> None:
    with Store.open(db, write=True), pytest.raises(StoreBusy, match=r"this process \(PID \d+\)"):
        Store.open(db, patience_s=0.1)


def test_writing_waits_for_a_reader_in_this_process(db: Path) -> None:
    with Store.open(db), pytest.raises(StoreBusy, match="this process"):
        Store.open(db, write=True, patience_s=0.1)
    with Store.open(db, write=True) as store:
        assert store.data_version() == 1


def test_threads_that_read_and_write_at_once_all_get_through(db: Path, tmp_path: Path) -> None:
    files = [
        read_lap_table(write(tmp_path, [lap(1, run=str(run))], name=f"{run}.csv"))
        for run in range(2, 6)
    ]
    failed: list[BaseException] = []

    def work(number: int) -> None:
        try:
            with Store.open(db, write=number % 2 == 0) as store:
                if number % 2 == 0:
                    store.add(files[number // 2])
                else:
                    assert len(store.counted_laps()) >= 2
        except BaseException as error:  # noqa: BLE001  an error in a thread would be lost
            failed.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with Store.open(db) as store:
        assert len(store.counted_laps()) == 6


@pytest.mark.parametrize("write", [False, True])
def test_where_there_is_no_store_it_says_how_to_get_one(tmp_path: Path, write: bool) -> None:
    db = tmp_path / "nowhere.duckdb"
    with pytest.raises(NoStore) as missing:
        Store.open(db, write=write)
    assert str(missing.value) == (
        f"no store at {db} yet: run `benchmark import FILE...` or `benchmark demo`"
    )
    assert list(tmp_path.glob("*.duckdb*")) == []


def test_a_store_in_a_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(NoStore):
        Store.open(tmp_path / "no" / "laps.duckdb", create=True)


def test_a_file_that_is_no_store_is_left_alone(tmp_path: Path) -> None:
    db = tmp_path / "laps.duckdb"
    db.write_text("my diary " * 2000)
    for options in ({}, {"create": True}):
        with pytest.raises(BenchmarkError, match=r"is no store of laps: .*not a valid DuckDB"):
            Store.open(db, **options)
    assert db.read_text() == "my diary " * 2000


def test_a_database_of_something_else_is_left_alone(tmp_path: Path) -> None:
    db = tmp_path / "laps.duckdb"
    with duckdb.connect(str(db)) as connection:
        connection.execute("create table diary (page integer)")
    for options in ({}, {"create": True}):
        with pytest.raises(BenchmarkError) as other:
            Store.open(db, **options)
        assert str(other.value) == (
            f"{db} is a DuckDB file, but no store of laps; name another with --db"
        )


def test_what_a_kill_left_of_a_new_store_is_in_nobodys_way(tmp_path: Path) -> None:
    db = tmp_path / "laps.duckdb"
    db.touch()
    (tmp_path / "laps.duckdb.new").write_text("half a store")
    with Store.open(db, create=True) as store:
        assert store.counted_laps().empty
    assert not (tmp_path / "laps.duckdb.new").exists()


def test_an_open_store_reads_no_other_file(db: Path, tmp_path: Path) -> None:
    with Store.open(db, write=True) as store:
        for query in (
            f"from read_csv('{tmp_path / 'spring.csv'}')",
            f"copy lap to '{tmp_path / 'out.csv'}'",
            "install httpfs",
            "set enable_external_access = true",
            "set memory_limit = '100GB'",
            "set lock_configuration = false",
        ):
            with pytest.raises(duckdb.Error):
                store._connection.execute(query)


def test_the_file_format_is_that_of_duckdb_1_5(db: Path) -> None:
    """Bytes 8 to 11 are DUCK, 12 to 19 the version; 68 is what 1.5.0 writes (measured with it)."""
    header = db.read_bytes()[:20]
    assert header[8:12] == b"DUCK"
    assert int.from_bytes(header[12:20], "little") == 68
