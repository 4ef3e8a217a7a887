"""Laps written back as a lap table: read again, they say the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmark.intake.laptable import LapFile, read_lap_table
from benchmark.intake.rewriting import as_lap_table, same_laps
from benchmark.intake.slow_laps import with_kinds
from tests.clubs import read_bytes
from tests.lap_files import lap, write

DATASETS = Path(__file__).parent.parent / "datasets"


@pytest.fixture
def plain(tmp_path: Path) -> LapFile:
    rows = [
        lap(1, "1:02.3456", build="=cmd|'/C calc'", air_temp_c="-3.25", mod_aero="2"),
        lap(2, "1:02:03.5", build='a "quoted", one', timing_u_s="0.0001", session="Übung"),
    ]
    return read_lap_table(write(tmp_path, rows))


def test_what_is_written_is_read_as_the_same(plain: LapFile) -> None:
    again = read_bytes(as_lap_table(plain))
    assert again.faults == []
    assert same_laps(plain, again)


def test_a_whole_day_comes_back_as_it_was() -> None:
    day = read_lap_table(DATASETS / "laps-2026-03-14-tarnebrook-full.csv")
    assert same_laps(day, read_bytes(as_lap_table(day)))


def test_confirmed_kinds_are_written_and_tell_the_files_apart(plain: LapFile) -> None:
    marked = with_kinds(plain, {1: "slow"})
    again = read_bytes(as_lap_table(marked))
    assert not same_laps(plain, marked)
    assert same_laps(marked, again)
    assert again.laps["lap_kind"].tolist() == ["slow", "timed"]
