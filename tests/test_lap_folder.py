"""Laps that lie in a folder of Parquet files: written, checked and read in place."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import BadQuestion, FaultyFile
from benchmark.intake.lap_folder import ROWS_NAMED, counted_laps, look_into
from benchmark.intake.laptable import read_lap_table
from benchmark.model.run_rows import SUMS
from benchmark.store.reducing import rows_of_folder
from benchmark.store.store import Store
from tests.lap_files import LAP, lap, write

ROWS = [
    lap(1, lap_kind="out", air_temp_c="18.5"),
    lap(2, "62.3456", air_temp_c="18.5"),
    lap(10, air_temp_c="18.5"),
    lap(1, date="2024-06-01", mod_aero="2"),
    lap(1, circuit="quillmoor", session="S2", evidence="a.pdf"),
    lap(1, circuit="Tarne/brook", date="2024-12-31", build="B"),
]


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_lap_table(write(tmp_path, ROWS)))
    return path


@pytest.fixture
def folder(db: Path, tmp_path: Path) -> Path:
    out = tmp_path / "laps"
    with Store.open(db) as store:
        assert store.export_folder(out) == len(ROWS)
    return out


def test_a_store_becomes_one_file_a_circuit_and_year(folder: Path) -> None:
    assert sorted(str(path.relative_to(folder)) for path in folder.rglob("*.parquet")) == [
        "circuit=Quillmoor/year=2024/laps.parquet",
        "circuit=Quillmoor/year=2025/laps.parquet",
        "circuit=Tarne%2Fbrook/year=2024/laps.parquet",
        "circuit=quillmoor+/year=2025/laps.parquet",
    ]


def test_the_counted_laps_of_the_folder_are_those_of_the_store(db: Path, folder: Path) -> None:
    found = look_into(f"{folder}/**/*.parquet")
    with Store.open(db) as store:
        expected = store.counted_laps()
    laps = counted_laps(found)
    laps["date"] = laps["date"].astype(str)
    pd.testing.assert_frame_equal(laps, expected, check_dtype=False)


def test_each_file_of_the_folder_is_a_lap_table(folder: Path, tmp_path: Path) -> None:
    with Store.open(tmp_path / "again.duckdb", create=True) as store:
        for path in sorted(folder.rglob("*.parquet")):
            store.add(read_lap_table(path))
        store.export(tmp_path / "again.csv")
    with Store.open(tmp_path / "laps.duckdb") as store:
        store.export(tmp_path / "first.csv")
    assert (tmp_path / "again.csv").read_bytes() == (tmp_path / "first.csv").read_bytes()


def test_a_folder_that_is_there_is_not_touched(db: Path, folder: Path) -> None:
    before = sorted(folder.rglob("*"))
    with Store.open(db) as store, pytest.raises(BadQuestion, match="is there already"):
        store.export_folder(folder)
    assert sorted(folder.rglob("*")) == before


def lap_file(path: Path, **columns: object) -> Path:
    """Write one lap whose columns have types of their own; a column of None is left out."""
    plain = {**{name: [text] for name, text in LAP.items()}, "date": [date(2025, 4, 12)]}
    table = {**plain, "lap": [1], "lap_time": [62.345], **columns}
    path.parent.mkdir(parents=True, exist_ok=True)
    pa.parquet.write_table(pa.table({k: v for k, v in table.items() if v is not None}), path)
    return path


def test_columns_that_a_file_lacks_take_the_contracts_values(tmp_path: Path) -> None:
    lap_file(tmp_path / "a.parquet")
    lap_file(tmp_path / "b" / "c.parquet", lap=[2], layout=["short"], mod_aero=[3], colour=["red"])
    laps = counted_laps(look_into(f"{tmp_path}/**/*.parquet"))
    assert laps["layout"].tolist() == ["full", "short"]
    assert laps["run"].tolist() == [1, 1]
    assert laps["mod_engine"].tolist() == [0, 0]
    assert laps["mod_aero"].tolist() == [0, 3]
    assert "colour" not in laps


@pytest.mark.parametrize(
    ("columns", "fault"),
    [
        ({"driver": None}, 'row -, driver, "": is missing; add a column driver: who drove'),
        (
            {"lap_time": ["1:02.345"]},
            'row -, lap_time, "lap_time": holds string values; it must hold seconds as numbers '
            "(`benchmark export --partitioned` writes them so)",
        ),
        ({"date": ["2025-04-12"]}, 'row -, date, "date": holds string values; it must hold dates'),
        ({"lap": [1.5]}, 'row -, lap, "lap": holds double values; it must hold whole numbers'),
        (
            {"surface": ["moist"]},
            'row 1, surface, "moist": is not a surface; use dry, damp or wet',
        ),
        (
            {"surface": ["Wet"]},
            'row 1, surface, "Wet": is not written as `benchmark export` writes it: trimmed, '
            "choices in lower case",
        ),
        ({"lap_time": [4.5]}, 'row 1, lap_time, "4.5": is outside 5 to 86400 s; correct it'),
        (
            {"air_temp_c": [float("nan")]},
            'row 1, air_temp_c, "nan": is not a number; write the air temperature in °C, '
            "or leave it empty",
        ),
        (
            {"build": pa.array([None], pa.string())},
            'row 1, build, "": is empty; every lap needs a build',
        ),
    ],
)
def test_a_fault_names_file_row_and_column(
    tmp_path: Path, columns: dict[str, object], fault: str
) -> None:
    lap_file(tmp_path / "a.parquet")
    path = lap_file(tmp_path / "b.parquet", **columns)
    with pytest.raises(FaultyFile) as faulty:
        look_into(f"{tmp_path}/*.parquet")
    assert str(faulty.value) == f"{path}, {fault}"


def test_a_file_that_is_no_parquet_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    path.write_text("circuit,lap\n")
    with pytest.raises(FaultyFile, match=rf"^{path}, row -, -, \"\": is no Parquet file: "):
        look_into(str(path))


def test_a_pattern_that_no_file_matches_says_so(tmp_path: Path) -> None:
    with pytest.raises(BadQuestion, match=r"no file matches .*: put the pattern between quotation"):
        look_into(f"{tmp_path}/*.parquet")


@pytest.mark.slow
def test_a_folder_is_written_and_fitted_by_the_commands(db: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke
    out = tmp_path / "out"
    said = run(app, ["export", "--partitioned", "--out", str(out), "--db", str(db)])
    assert (said.exit_code, said.stdout) == (0, f"{out}: {len(ROWS)} laps written\n")
    other = tmp_path / "other.duckdb"
    pattern = f"{out}/**/*.parquet"
    said = run(app, ["fit", "--laps", pattern, "--draws", "100", "--db", str(other)])
    assert said.exit_code == 0
    assert "on 5 counted laps of 2 builds" in said.stdout
    assert f"{pattern}: rulings of stewards stand in a store" in said.stderr


def test_a_folder_is_reduced_to_run_rows_as_the_store_is(db: Path, folder: Path) -> None:
    rows = rows_of_folder(look_into(f"{folder}/**/*.parquet"))
    with Store.open(db) as store:
        laps = store.counted_laps()
    assert rows.laps == len(laps) == 5
    assert sorted(rows.names["circuit"]) == ["Quillmoor", "Tarne/brook", "quillmoor"]
    logs = np.log(laps["lap_time_s"] / 100)
    assert rows.sums[:, SUMS.index("sum_y")].sum() == pytest.approx(logs.sum(), abs=1e-7)


def test_run_rows_take_the_defaults_of_what_files_leave_out(tmp_path: Path) -> None:
    lap_file(tmp_path / "a.parquet")
    lap_file(tmp_path / "b.parquet", lap=[2], layout=["short"], lap_kind=["timed"])
    lap_file(tmp_path / "c.parquet", lap=[3], lap_kind=["out"])
    rows = rows_of_folder(look_into(f"{tmp_path}/*.parquet"))
    assert sorted(rows.names["layout"]) == ["full", "short"]
    assert rows.laps == 2


def test_the_first_faulty_rows_of_a_column_are_named_and_the_others_counted(tmp_path: Path) -> None:
    bad = [k for k in range(1, 51) if k % 2]  # of 50 rows every other
    path = write_laps(tmp_path / "a.parquet", 50, bad)
    write_laps(tmp_path / "b.parquet", 50, [])
    with pytest.raises(FaultyFile) as faulty:
        look_into(f"{tmp_path}/*.parquet")
    *named, more = faulty.value.faults
    assert [fault.row for fault in named] == bad[:ROWS_NAMED]
    wrong = "is outside -30 to 60 °C; correct it, or leave it empty"
    assert str(named[1]) == f'{path}, row 3, air_temp_c, "99.0": {wrong}'
    assert str(more) == f'{path}, row -, air_temp_c, "": 5 more rows cannot be taken'


def write_laps(path: Path, n: int, bad: list[int]) -> Path:
    """Write n laps of one run, of which some have an air that cannot be."""
    table = {name: [text] * n for name, text in LAP.items()}
    air = [99.0 if k in bad else 18.5 for k in range(1, n + 1)]
    typed = {"date": [date(2025, 4, 12)] * n, "lap": list(range(1, n + 1)),
             "lap_time": [62.345] * n, "air_temp_c": air}  # fmt: skip
    pa.parquet.write_table(pa.table({**table, **typed}), path)
    return path


def test_a_folder_is_reduced_with_no_frame_of_its_laps(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What holds a frame of laps grows with them; the way to run rows makes none at all."""

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a data frame was made")

    monkeypatch.setattr(pd.DataFrame, "__init__", refuse)
    rows = rows_of_folder(look_into(f"{folder}/**/*.parquet"))
    assert rows.laps == sum(row.get("lap_kind") != "out" for row in ROWS)
