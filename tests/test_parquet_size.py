"""A Parquet file is asked how much it holds before it is unpacked, where strangers hand it in."""

from __future__ import annotations

import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchmark.errors import FaultyFile
from benchmark.intake import parquet_size
from benchmark.show.handing_in import read_file
from benchmark.store.served import CLUB, READ_ONLY, SERVED
from tests.sheets import write_sheet


def silent(_share: float, _words: str) -> None:
    """Tell nobody."""


def small_file_of(path: Path, laps: int, columns: int = 2) -> Path:
    """Write the same lap over and over: a few bytes for each million."""
    zeros = pa.array([0]).take(pa.array([0] * 1_000)).cast(pa.int32())
    once = pa.DictionaryArray.from_arrays(zeros, pa.array(["Blue Pipit 17"]))
    column = pa.chunked_array([once] * (laps // 1_000))
    table = pa.table({f"column_{number}": column for number in range(columns)})
    pq.write_table(table, path, compression="zstd")
    return path


@pytest.mark.parametrize("how", [CLUB, READ_ONLY])
def test_a_small_file_of_many_laps_is_refused_at_once(tmp_path, monkeypatch, how):
    path = small_file_of(tmp_path / "many.parquet", 5_000_000)
    assert path.stat().st_size < 200_000
    monkeypatch.setenv(SERVED, how)
    start = time.process_time()
    with pytest.raises(FaultyFile, match=r"sent.parquet, .*has 5,000,000 laps; hand in at most"):
        read_file(path, silent, name="sent.parquet")
    assert time.process_time() - start < 1.0


def test_a_small_file_of_one_long_text_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(parquet_size, "MOST_BYTES", 1_000_000)
    path = tmp_path / "long.parquet"
    pq.write_table(pa.table({"build": ["x" * 2_000_000]}), path, compression="zstd")
    assert path.stat().st_size < 10_000
    monkeypatch.setenv(SERVED, CLUB)
    with pytest.raises(FaultyFile, match="bytes unpacked"):
        read_file(path, silent)


def test_what_is_no_parquet_or_a_broken_one_is_left_to_the_reader(tmp_path, monkeypatch):
    monkeypatch.setenv(SERVED, CLUB)
    assert not read_file(write_sheet(tmp_path / "day.csv"), silent).faults
    broken = tmp_path / "broken.parquet"
    broken.write_bytes(b"PAR1" + bytes(100) + b"PAR1")
    with pytest.raises(FaultyFile) as refused:
        raise FaultyFile(read_file(broken, silent).faults)
    assert "laps; hand in at most" not in str(refused.value)


def test_at_the_machine_the_limit_is_not_asked(tmp_path, monkeypatch):
    monkeypatch.setattr(parquet_size, "MOST_LAPS", 1_000)
    path = small_file_of(tmp_path / "many.parquet", 2_000)
    assert "laps; hand in at most" not in str(FaultyFile(read_file(path, silent).faults))
