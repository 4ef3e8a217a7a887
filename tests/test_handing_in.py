"""Handing in a lap table, as the command line and the page do."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmark.errors import FaultyFile
from benchmark.show.handing_in import add_file, check_file, read_file
from tests.lap_files import lap, write


def silent(share: float, words: str) -> None:
    """Tell nobody."""


def test_a_first_file_that_fails_leaves_no_store_behind(tmp_path: Path) -> None:
    db = tmp_path / "laps.duckdb"
    faulty = read_file(write(tmp_path, [lap(1), lap(2, "fast")]), silent)
    for hand_in in (add_file, check_file):
        with pytest.raises(FaultyFile, match=r"spring\.csv, row 2, lap_time"):
            hand_in(db, faulty)
    assert [path.name for path in tmp_path.iterdir()] == ["spring.csv"]


def test_a_file_can_be_checked_before_there_is_a_store(tmp_path: Path) -> None:
    db = tmp_path / "laps.duckdb"
    assert check_file(db, read_file(write(tmp_path, [lap(1)]), silent)).laps_added == 1
    assert not db.exists()
