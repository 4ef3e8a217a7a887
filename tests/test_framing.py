"""The frame of laps in Parquet files that the database gathers is that of the laps in memory."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from benchmark.errors import FitFailed
from benchmark.intake.lap_folder import counted_laps, look_into
from benchmark.intake.laptable import read_lap_table
from benchmark.model.frame import ModelFrame, model_frame
from benchmark.model.simulate import simulate
from benchmark.store.framing import frame_of_folder
from benchmark.store.store import Store
from tests.conftest import SMALL
from tests.lap_files import lap, write


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A season with slow laps, other kinds of lap and facts that nobody recorded, in files."""
    place = tmp_path_factory.mktemp("framing")
    table = simulate(SMALL, 7).laps.drop(columns=["lap_time_s"], errors="ignore")
    table.to_csv(place / "laps.csv", index=False)
    with Store.open(place / "laps.duckdb", create=True) as store:
        store.add(read_lap_table(place / "laps.csv"))
        store.export_folder(place / "laps")
    return f"{place}/laps/**/*.parquet"


@pytest.fixture(scope="module")
def both(folder: str) -> tuple[ModelFrame, ModelFrame]:
    files = look_into(folder)
    return frame_of_folder(files), model_frame(counted_laps(files))


def test_runs_laps_and_circuits_are_the_same(both: tuple[ModelFrame, ModelFrame]) -> None:
    gathered, in_memory = both
    pd.testing.assert_frame_equal(gathered.circuits, in_memory.circuits)
    pd.testing.assert_frame_equal(gathered.laps, in_memory.laps)
    pd.testing.assert_frame_equal(gathered.runs, in_memory.runs)
    assert gathered.digest == in_memory.digest


def test_laps_left_out_are_counted(folder: str, both: tuple[ModelFrame, ModelFrame]) -> None:
    gathered, _ = both
    with_all = look_into(folder).laps_sql()
    kinds = duckdb.sql(f"select lap_kind, count(*) from ({with_all}) group by all").fetchall()
    others = sum(n for kind, n in kinds if kind != "timed")
    assert others > 0
    assert gathered.left_out == {"not a timed flying lap": others}


def test_a_fact_that_differs_within_a_run_is_the_first_that_is_given(tmp_path: Path) -> None:
    # A store refuses such laps; files that were written by others may have them.
    with Store.open(tmp_path / "laps.duckdb", create=True) as store:
        store.add(read_lap_table(write(tmp_path, [lap(n) for n in (2, 3, 4)])))
        store.export_folder(tmp_path / "laps")
    (written,) = (tmp_path / "laps").rglob("*.parquet")
    other = written.with_name("other.parquet")
    air = "case lap when 3 then 21.0 when 4 then 25.0 end as air_temp_c"
    duckdb.sql(f"copy (select * replace ({air}) from '{written}') to '{other}' (format parquet)")
    gathered = frame_of_folder(look_into(str(other)))
    assert gathered.runs["air_temp_c"].tolist() == [21.0]
    assert np.array_equal(gathered.laps["lap"], [2, 3, 4])


def test_no_counted_lap_is_said(tmp_path: Path) -> None:
    with Store.open(tmp_path / "laps.duckdb", create=True) as store:
        store.add(read_lap_table(write(tmp_path, [lap(1, lap_kind="out")])))
        store.export_folder(tmp_path / "laps")
    with pytest.raises(FitFailed, match="no counted lap"):
        frame_of_folder(look_into(f"{tmp_path}/laps/**/*.parquet"))
