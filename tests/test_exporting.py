"""Export: the accepted laps as a lap table, the same bytes each time."""

from __future__ import annotations

import csv
import re
import tempfile
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path

import duckdb
import pyarrow.parquet
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from benchmark.errors import BadQuestion
from benchmark.intake.columns import (
    BY_NAME,
    COLUMNS,
    LAP_KEY,
    NAMES,
    RUN_KEY,
    Column,
    FactOf,
    Kind,
    facts_of,
)
from benchmark.intake.laptable import read_lap_table
from benchmark.store.migrate import schema
from benchmark.store.store import Store
from benchmark.trade.timing import parse_lap_time
from tests.lap_files import lap, write


def exported(folder: Path, source: Path, suffix: str) -> Path:
    """Import a file into an empty store and export it again."""
    lap_file = read_lap_table(source)
    assert [str(fault) for fault in lap_file.faults] == []
    out = folder / f"{source.stem}-out{suffix}"
    with Store.empty() as store:
        store.add(lap_file)
        assert store.export(out) == lap_file.run_laps.num_rows
    return out


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_every_accepted_lap_is_written_with_its_defaults(tmp_path: Path) -> None:
    rows = [
        lap(10, "62.3456", air_temp_c="18.0", treadwear="200.0", mod_aero=""),
        lap(2, "1:02", lap_kind="Out", air_temp_c="18", treadwear="", mod_aero=""),
    ]
    out = exported(tmp_path, write(tmp_path, rows), ".csv")
    assert out.read_text(encoding="utf-8") == (
        "circuit,layout,date,session,start_time,model,induction,build,driver,driver_level,"
        "mod_engine,mod_drivetrain,mod_suspension,mod_aero,mod_weight,mod_brakes,tyre_category,"
        "treadwear,tyre_heat_cycles,air_temp_c,track_temp_c,pressure_hpa,humidity_pct,wind_mps,"
        "altitude_m,surface,run,lap,lap_time,lap_kind,timing,timing_u_s,evidence\n"
        "Quillmoor,full,2025-04-12,S1,,Corvane GT,,Blue Heron,A. Marsh,,0,0,0,,0,0,track-day,200,,"
        "18,,,,,,dry,1,2,1:02.000,out,,,\n"
        "Quillmoor,full,2025-04-12,S1,,Corvane GT,,Blue Heron,A. Marsh,,0,0,0,,0,0,track-day,200,,"
        "18,,,,,,dry,1,10,1:02.3456,timed,,,\n"
    )


def test_struck_laps_are_exported_too(tmp_path: Path) -> None:
    with Store.empty() as store:
        store.add(read_lap_table(write(tmp_path, [lap(1), lap(2)])))
        key = store.accepted_laps().loc[0, list(LAP_KEY)].to_dict()
        store.strike({**key, "run": 1, "lap": 1}, steward="C. Rook", reason="cut")
        assert store.export(tmp_path / "out.csv") == 2


def test_an_empty_store_gives_a_header(tmp_path: Path) -> None:
    for suffix in (".csv", ".parquet"):
        with Store.empty() as store:
            assert store.export(tmp_path / f"out{suffix}") == 0
        assert read_lap_table(tmp_path / f"out{suffix}").faults == []
    assert (tmp_path / "out.csv").read_text() == ",".join(NAMES) + "\n"


def test_parquet_holds_the_same_columns_as_plain_types(tmp_path: Path) -> None:
    table = pyarrow.parquet.read_table(
        exported(tmp_path, write(tmp_path, [lap(1, air_temp_c="18")]), ".parquet")
    )
    assert tuple(table.column_names) == NAMES
    [row] = table.to_pylist()
    assert (row["lap_time"], row["lap"], row["air_temp_c"]) == ("1:02.345", 1, 18.0)
    assert str(row["date"]) == "2025-04-12"


def test_a_name_that_a_spreadsheet_would_run_stands_behind_an_apostrophe(tmp_path: Path) -> None:
    """Of two apostrophes before a sign one is taken for the guard; the other is of the name."""
    names = {"build": '=1+1, "x"', "driver": "-A", "model": "''@x", "evidence": "\uff1dsum"}
    out = exported(tmp_path, write(tmp_path, [lap(1, **names, session="a=b")]), ".csv")
    text = out.read_text(encoding="utf-8")
    assert """,a=b,,''@x,,"'=1+1, ""x""\",'-A,""" in text
    assert text.endswith(",'\uff1dsum\n")
    again = read_lap_table(out).laps.iloc[0]
    assert {name: again[name] for name in names} == {**names, "model": "'@x"}
    twice = exported(tmp_path, out, ".csv")
    assert twice.read_bytes() == out.read_bytes()


@pytest.mark.parametrize("name", ["laps.xlsx", "laps"])
def test_another_ending_is_refused(tmp_path: Path, name: str) -> None:
    with Store.empty() as store, pytest.raises(BadQuestion) as bad:
        store.export(tmp_path / name)
    assert str(bad.value) == f'"{name}" has no known ending; name the file .csv or .parquet'


def test_a_failed_export_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.mkdir()
    with Store.empty() as store, pytest.raises(OSError, match=r"out\.csv"):
        store.export(out)
    assert list(tmp_path.iterdir()) == [out]


@given(st.integers(50_000, 863_999_999))
@settings(max_examples=60, deadline=None)
def test_a_lap_time_is_written_so_that_it_is_read_back(ticks: int) -> None:
    seconds = Decimal(ticks).scaleb(-4)
    query = "select lap_time_text(cast(? as decimal(9, 4)))"
    text = CONNECTION.execute(query, [str(seconds)]).fetchall()[0][0]
    assert parse_lap_time(text) == seconds


# Round trips of any table

NAME = st.text(
    st.sampled_from("abcXYZ 019éñßÉÅ\u0301ø中文🏁,;\"'=+-@|#%\\/_.()"), min_size=1, max_size=12
).filter(str.strip)
SMALL = st.one_of(st.floats(0.001, 9.5).map(repr), st.integers(1, 9).map(str))
TICKS = st.integers(50_000, 50_000_000)


def texts(column: Column) -> st.SearchStrategy[str]:
    """Give texts that a cell of this column may hold."""
    by_kind = {
        Kind.TEXT: NAME,
        Kind.CHOICE: st.sampled_from(column.choices or ("",)),
        Kind.LEVEL: st.sampled_from(column.choices or ("",)),
        Kind.WHOLE: st.integers(1, 400).map(str),
        Kind.QUANTITY: SMALL.map(lambda text: f"50{text}" if "pressure" in column.name else text),
        Kind.DATE: st.dates(date(1950, 1, 1), date(2025, 12, 31)).map(str),
        Kind.CLOCK: st.sampled_from(["09:30", "9:05", "23:59:00"]),
        Kind.LAP_TIME: TICKS.map(lambda ticks: str(Decimal(ticks).scaleb(-4))),
    }
    filled = by_kind[column.kind]
    return filled if column.needed else st.one_of(filled, st.just(""))


def cells(*names: str) -> st.SearchStrategy[dict[str, str]]:
    return st.fixed_dictionaries({name: texts(BY_NAME[name]) for name in names})


def key_of(row: Mapping[str, str], names: Iterable[str]) -> tuple[str, ...]:
    return tuple(meant(name, row.get(name, "")) for name in names)


def meant(name: str, text: str) -> str:
    """Say what a cell means, as it is exported; by the words of the contract, not by our code."""
    text = unicodedata.normalize("NFC", text).strip(" ")
    if not text:
        return {"layout": "full", "surface": "dry", "run": "1", "lap_kind": "timed"}.get(name, "")
    if BY_NAME[name].kind is Kind.TEXT and re.match("'+[=+@-]", text):
        return text[1:]  # the apostrophe keeps a spreadsheet from running it
    if name == "start_time":
        return text.rjust(5, "0")[:5] if len(text) < 8 else text[:5]
    return text


@st.composite
def tables(draw: st.DrawFn) -> list[dict[str, str]]:
    """Make lap tables without faults: rows agree on what they say of one thing."""

    def some(strategy: st.SearchStrategy[dict[str, str]], key: Sequence[str]):
        one_each = st.lists(strategy, min_size=1, max_size=3, unique_by=lambda x: key_of(x, key))
        return draw(one_each)

    rows = []
    builds = some(cells("build", "model"), ["build"])
    sessions = some(cells(*RUN_KEY[:4], "start_time"), RUN_KEY[:4])
    for session in sessions:
        build = draw(st.sampled_from(builds))
        for run in some(cells("run", *facts_of(FactOf.RUN)), ["run"]):
            laps = some(cells("lap", *facts_of(FactOf.LAP)), ["lap"])
            rows += [{**session, **build, **run, **one} for one in laps]
    return draw(st.permutations(rows))


@pytest.mark.slow
@given(rows=tables(), columns=st.permutations(NAMES), delimiter=st.sampled_from(",;\t"))
@settings(max_examples=5, deadline=None, phases=[Phase.reuse, Phase.generate])
def test_a_table_goes_in_and_out_whole(
    rows: list[dict[str, str]], columns: list[str], delimiter: str
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = [{column: row[column] for column in columns} for row in rows]
        out = exported(folder, write(folder, rows, delimiter=delimiter), ".csv")
        assert_same_laps(rows_of(out), rows)
        assert exported(folder, out, ".csv").read_bytes() == out.read_bytes()
        parquet = exported(folder, out, ".parquet")
        assert exported(folder, parquet, ".parquet").read_bytes() == parquet.read_bytes()
        assert exported(folder, parquet, ".csv").read_bytes() == out.read_bytes()


def assert_same_laps(found: list[dict[str, str]], rows: list[dict[str, str]]) -> None:
    """Compare every cell, in the order of the laps' keys."""

    def place(row: Mapping[str, str]) -> tuple[object, ...]:
        return tuple(
            int(text) if name in ("run", "lap") else text.encode()
            for name, text in zip(LAP_KEY, key_of(row, LAP_KEY), strict=True)
        )

    expected = sorted(rows, key=place)
    assert [key_of(row, LAP_KEY) for row in found] == [key_of(row, LAP_KEY) for row in expected]
    for out, row in zip(found, expected, strict=True):
        for column in COLUMNS:
            text = meant(column.name, row[column.name])
            if column.kind is Kind.QUANTITY and text:
                assert float(out[column.name]) == float(text)
            elif column.kind is Kind.LAP_TIME:
                assert parse_lap_time(out[column.name]) == Decimal(text)
            else:
                assert meant(column.name, out[column.name]) == text
                assert out[column.name][:1] not in {*"=+@"}


CONNECTION = duckdb.connect()
CONNECTION.execute(schema())
