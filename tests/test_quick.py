"""The quick way and the close one give the same laps, and which files take which."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from benchmark.intake import laptable
from benchmark.intake.laptable import LapFile, read_lap_table
from tests.lap_files import LAP, lap, write


def season(rows: int, seed: int = 1) -> list[dict[str, str]]:
    """Give laps of many runs in a mixed order, written as people of several countries do."""
    draw = random.Random(seed)
    laps = [
        lap(
            n % 9 + 1,
            f"1:{draw.uniform(2, 59):06.3f}",
            build=f"car {n // 9 % 20}",
            driver=f"Ren\u00e9e {n // 9 % 20}",
            run=str(n // 180 % 7 + 1),
            session=f"S{n // 1260 % 5}",
            date=f"2025-04-{n // 6300 % 28 + 1:02d}",
            air_temp_c=draw.choice(["", "18.5", "18,50"]),
            mod_aero=draw.choice(["", "2"]),
            timing=draw.choice(["", "beam"]),
            lap_kind=draw.choice(["", "timed", "Out"]),
        )
        for n in range(rows)
    ]
    draw.shuffle(laps)
    return laps


@pytest.fixture
def ways(monkeypatch: pytest.MonkeyPatch):
    """Read a file both ways; the first is None where the quick way was not taken."""

    def reading(path: Path) -> tuple[LapFile | None, LapFile]:
        taken = []
        quickly = laptable.read_quickly

        def seen(*arguments: object) -> object:
            taken.append(quickly(*arguments))
            return taken[-1]

        monkeypatch.setattr(laptable, "read_quickly", seen)
        quick = read_lap_table(path)
        monkeypatch.setattr(laptable, "read_quickly", lambda *_: None)
        return (quick if taken[0] is not None else None), read_lap_table(path)

    return reading


def assert_same(quick: LapFile | None, close: LapFile) -> None:
    assert close.faults == []
    assert quick is not None
    assert quick.runs.schema == close.runs.schema
    assert quick.run_laps.schema == close.run_laps.schema
    assert quick.runs.to_pylist() == close.runs.to_pylist()
    assert quick.run_laps.to_pylist() == close.run_laps.to_pylist()
    for what in ("name", "sha256", "ignored_columns", "rounded", "repeated"):
        assert getattr(quick, what) == getattr(close, what)


@pytest.mark.parametrize(
    "rows",
    [
        [lap(1)],
        [lap(1), lap(2, "62,34567"), lap(3, "1:00:02"), lap(4, "1:02.34565"), lap(5, "62.345600")],
        [lap(1, run="1", note="x"), lap(2, run="1.0", note=""), lap(3, run="", note="y")],
        [lap(1, driver="Rene\u0301e"), lap(2, driver=" Ren\u00e9e\u00a0"), lap(1, run="2")],
        [lap(1, start_time=""), lap(2, start_time="9:30"), lap(1, start_time="", run="2")],
        [lap(1, evidence="a, \"b\""), lap(2, evidence="")],
    ],
)  # fmt: skip
def test_both_ways_give_the_same_laps(
    ways, tmp_path: Path, rows: Sequence[Mapping[str, str]]
) -> None:
    assert_same(*ways(write(tmp_path, rows)))


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_long_mixed_file_keeps_the_order_of_its_rows(
    ways, tmp_path: Path, delimiter: str
) -> None:
    """Longer than the pieces that DuckDB reads in parallel: each of 17 MB goes to two threads."""
    rows = [{**row, "evidence": "x" * 1_900} for row in season(9_000)]
    assert_same(*ways(write(tmp_path, rows, delimiter=delimiter)))


def test_parquet_of_its_own_types_is_read_the_same_both_ways(ways, tmp_path: Path) -> None:
    table = pa.csv.read_csv(write(tmp_path, season(3_000)))
    path = tmp_path / "season.parquet"
    pa.parquet.write_table(table, path, row_group_size=500)
    assert_same(*ways(path))


@pytest.mark.parametrize(
    ("rows", "faults"),
    [
        ([lap(1), lap(1)], 0),
        ([lap(1), lap(2, "fast")], 1),
        ([lap(1), lap(2, surface="moist")], 1),
        ([lap(1), lap(2, surface="wet")], 1),
        ([lap(1), lap(2, model="Corvane RS", date="2025-05-01")], 1),
        ([lap(1), lap(2, build="")], 1),
        ([lap(1), {**dict.fromkeys(LAP, ""), "evidence": "a.pdf"}], 9),
    ],
)
def test_whatever_is_not_plain_is_read_closely(
    ways, tmp_path: Path, rows: Sequence[Mapping[str, str]], faults: int
) -> None:
    quick, close = ways(write(tmp_path, rows))
    assert quick is None
    assert len(close.faults) == faults


def test_rows_of_separators_are_left_out_though_not_quickly(ways, tmp_path: Path) -> None:
    quick, close = ways(write(tmp_path, [lap(1), dict.fromkeys(LAP, ""), lap(2)]))
    assert quick is None
    assert list(close.laps.index) == [1, 2]
