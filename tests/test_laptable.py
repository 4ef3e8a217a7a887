"""Lap tables as people write them, and every fault of a file with its place."""

from __future__ import annotations

import os
import threading
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmark.intake.columns import COLUMNS, NAMES
from benchmark.intake.laptable import LapFile, read_lap_table
from tests.lap_files import LAP, lap, laps_of, parquet, told, write

HEADER = ",".join(LAP)
ROW = ",".join(LAP.values())
SECOND = ",".join(lap(2).values())


@pytest.fixture
def read(tmp_path: Path):
    """Read these bytes or this text as `spring.csv`."""

    def reading(content: str | bytes) -> LapFile:
        path = tmp_path / "spring.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_lap_table(path)

    return reading


# What people's files are like


@pytest.mark.parametrize(
    "content",
    [
        f"{HEADER}\n{ROW}\n{SECOND}\n",
        f"{HEADER}\n{ROW}\n{SECOND}",
        f"\ufeff{HEADER}\r\n{ROW}\r\n{SECOND}\r\n",
        f"{HEADER}\r{ROW}\r{SECOND}",
        f"{HEADER}\r\n{ROW}\n{SECOND}\r\n",
        f"\n\n{HEADER}\n\n{ROW}\n\n\n{SECOND}\n\n",
        f"{HEADER}\n,,,,,,,,\n{ROW}\n{SECOND}\n,,,,,,,,\n",
        f"{HEADER.upper()}\n{ROW}\n{SECOND}\n",
        f"{HEADER}\n{ROW}\n{SECOND}\n".replace(",", ";"),
        f"{HEADER}\n{ROW}\n{SECOND}\n".replace(",", ";").replace(".345", ",345"),
        f"{HEADER}\n{ROW}\n{SECOND}\n".replace(",", "\t"),
        f"{HEADER}\n{ROW}\n{SECOND}\n".replace("1:02.345", '"1:02,345"'),
        f"{HEADER}\n{ROW}\n{SECOND}\n".replace("Quillmoor", " Quillmoor "),
        f"{HEADER}\n{ROW}\n{SECOND}\n".replace("track-day", "Track-Day"),
    ],
)
def test_a_file_is_read_whatever_wrote_it(read, content: str) -> None:
    laps = laps_of(read(content))
    assert list(laps.index) == [1, 2]
    assert list(laps["lap"]) == [1, 2]
    assert list(laps["lap_time_s"]) == [Decimal("62.345")] * 2
    assert set(laps["circuit"]) == {"Quillmoor"}
    assert set(laps["tyre_category"]) == {"track-day"}


def test_columns_may_stand_in_any_order(read) -> None:
    backwards = "\n".join(",".join(reversed(line.split(","))) for line in (HEADER, ROW, SECOND))
    there, back = laps_of(read(f"{HEADER}\n{ROW}\n{SECOND}")), laps_of(read(backwards))
    pd.testing.assert_frame_equal(there, back)


def test_absent_columns_and_empty_cells_take_the_contracts_values(read) -> None:
    [row] = laps_of(read(f"{HEADER}\n{ROW}\n")).to_dict("records")
    assert (row["layout"], row["surface"], row["lap_kind"], row["run"]) == (
        "full",
        "dry",
        "timed",
        1,
    )
    assert [row[name] for name in NAMES if name.startswith("mod_")] == [0] * 6
    empty = laps_of(read(f"{HEADER},layout,run,mod_aero,surface\n{ROW},,,,\n"))
    [row] = empty.to_dict("records")
    assert (row["layout"], row["surface"], row["run"]) == ("full", "dry", 1)
    assert pd.isna(row["mod_aero"])
    assert row["mod_engine"] == 0


def test_accents_are_one_letter_however_they_were_typed(tmp_path: Path) -> None:
    rows = [lap(1, driver="Ren\u00e9e"), lap(2, driver="Rene\u0301e")]
    assert set(laps_of(read_lap_table(write(tmp_path, rows)))["driver"]) == {"Ren\u00e9e"}


def test_unknown_columns_are_left_out_and_named(read) -> None:
    lap_file = read(f"Notes,{HEADER},notes,\nx,{ROW},y,\n")
    assert lap_file.ignored_columns == ["Notes", "notes", "column 12 (no name)"]
    assert list(laps_of(lap_file).columns) == [
        "lap_time_s" if name == "lap_time" else name for name in NAMES
    ]


def test_a_fifth_decimal_is_rounded_and_counted(tmp_path: Path) -> None:
    times = ["1:02.34565", "62.345649", "1:02.3456", "1:02.345600", "1:02"]
    rows = [lap(number, time) for number, time in enumerate(times, start=1)]
    lap_file = read_lap_table(write(tmp_path, rows))
    assert list(laps_of(lap_file)["lap_time_s"]) == [
        Decimal(seconds) for seconds in ("62.3457", "62.3456", "62.3456", "62.3456", "62")
    ]
    assert lap_file.rounded == 2


def test_what_one_row_of_a_run_says_holds_for_the_run(tmp_path: Path) -> None:
    rows = [
        lap(1, mod_aero="", air_temp_c="", start_time=""),
        lap(2, mod_aero="1", air_temp_c="18,5", start_time="9:30"),
        lap(3, mod_aero="", air_temp_c="18.50", start_time="", run="2"),
    ]
    laps = laps_of(read_lap_table(write(tmp_path, rows)))
    assert laps["air_temp_c"].tolist() == [18.5, 18.5, 18.5]
    assert laps["mod_aero"].tolist()[:2] == [1, 1]
    assert pd.isna(laps["mod_aero"].iloc[2])
    assert laps["start_time"].tolist() == ["09:30"] * 3


def test_a_lap_told_twice_is_one_lap_with_all_that_was_said(tmp_path: Path) -> None:
    rows = [
        lap(1, timing="beam", evidence=""),
        lap(1, "62.3450", timing="", evidence="a.pdf"),
        lap(2, timing="", evidence=""),
    ]
    lap_file = read_lap_table(write(tmp_path, rows))
    laps = laps_of(lap_file)
    assert lap_file.repeated == 1
    assert list(laps.index) == [1, 3]
    assert (laps.loc[1, "timing"], laps.loc[1, "evidence"]) == ("beam", "a.pdf")


def test_a_file_with_a_header_alone_has_no_laps_and_no_fault(read) -> None:
    assert laps_of(read(HEADER)).empty


def test_a_name_that_looks_like_a_pattern_is_a_name(tmp_path: Path) -> None:
    write(tmp_path, [lap(2)], name="laps1.csv")
    path = write(tmp_path, [lap(1)], name="laps[1]*'.csv")
    assert list(laps_of(read_lap_table(path))["lap"]) == [1]


def test_the_digest_is_that_of_the_file(read) -> None:
    # sha256sum of the 13 bytes "not a table\r\n", by GNU coreutils 9.1
    digest = "7243c47d388cb7e7ebda4bdcfdf6f76c8f615d74443294376cadcdf79a65be62"
    assert read(b"not a table\r\n").sha256 == digest


# Faults of the whole file

NO_HEADER = (
    "is no header of a lap table; the first row must name the columns, such as circuit, date, "
    "session, model, build, driver, tyre_category, lap and lap_time"
)


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"", '-, "": is an empty file; hand in a header row and one row a lap'),
        (b"\n\r\n", '-, "": is an empty file; hand in a header row and one row a lap'),
        (b"a,b\n1,2\n", f'-, "a,b": {NO_HEADER}'),
        (f"{HEADER}\n{ROW}\n".encode("utf-16"), '-, "": is UTF-16 text; save it as CSV UTF-8'),
        (
            f"{HEADER}\n{ROW}\n{ROW}".replace("Marsh", "Mârsh").encode("latin-1"),
            '-, "0xE2": is not UTF-8 text (line 2); save it as CSV UTF-8',
        ),
        (
            f"{HEADER}\n{ROW}é".encode()[:-1],
            '-, "": breaks off within a character (line 2); copy it again',
        ),
        (
            f"{HEADER}\n{ROW}\n\0".encode(),
            '-, "": has a NUL byte in line 3; save it as CSV UTF-8',
        ),
        (
            b"PK\x03\x04 and so on",
            '-, "": is a spreadsheet or an archive; save the sheet as CSV UTF-8',
        ),
        (
            f"{HEADER},LAP\n{ROW},2\n".encode(),
            'lap, "lap": stands 2 times in the header; keep one',
        ),
        (
            f"{HEADER}\n{ROW}\n".replace("driver", "pilot").encode(),
            'driver, "": is missing; add a column driver: who drove',
        ),
        (
            f"{HEADER}\n{ROW}\n".replace("lap_time", "Lap Time").encode(),
            'lap_time, "": is missing; if it is "Lap Time", name that lap_time',
        ),
    ],
)
def test_a_fault_of_the_whole_file_is_said_whole(read, content: bytes, fault: str) -> None:
    lap_file = read(content)
    assert told(lap_file) == [f"spring.csv, row -, {fault}"]


def test_no_lap_is_handed_on_from_a_file_that_cannot_be_read(read) -> None:
    lap_file = read(b"a,b\n1,2\n")
    assert lap_file.run_laps.num_rows == 0
    assert lap_file.laps.empty


@pytest.mark.parametrize("error", [FileNotFoundError, IsADirectoryError])
def test_a_file_that_is_not_there_is_an_os_error(tmp_path: Path, error: type[OSError]) -> None:
    path = tmp_path if error is IsADirectoryError else tmp_path / "nowhere.csv"
    with pytest.raises(error):
        read_lap_table(path)


# Faults of rows


def test_rows_are_numbered_as_people_count_them(read) -> None:
    """Blank lines are not counted; a broken row, and one over several lines, are one row."""
    lines = [HEADER + ",evidence", "", f'{ROW},"a', 'b"', "x,y", ",,,,,,,,,", f"{SECOND},z,z", "  "]
    lines.append(",".join(lap(3, "1:62.300").values()) + ",z")
    assert told(read("\n".join(lines))) == [
        'spring.csv, row 1, evidence, "a\\x0ab": '
        "holds a line break, a tab or another control character; remove it",
        'spring.csv, row 2, -, "x,y": has 2 fields, the header 10; correct the row',
        f'spring.csv, row 3, -, "{SECOND},z,z": has 11 fields, the header 10; correct the row, '
        "and put a cell that holds the separator between quotation marks",
        'spring.csv, row 4, lap_time, "1:62.300": has 62 seconds; write 2:02.300 or correct it',
    ]


@pytest.mark.parametrize("cell", ['"open', '"shut"too early'])
def test_a_stray_quotation_mark_is_found_in_its_row(read, cell: str) -> None:
    [fault] = read(f"evidence,{HEADER}\n,{ROW}\n{cell},{SECOND}\n").faults
    assert (fault.row, fault.column) == (2, "-")
    assert fault.message == (
        "has a quotation mark that is not closed or stands inside a cell; double it there"
    )


def test_all_faults_come_at_once_in_the_order_of_rows_and_columns(tmp_path: Path) -> None:
    rows = [
        lap(1, build="", date="2025-02-30", surface="moist"),
        lap(2, lap_time="fast", circuit=" "),
        lap(3),
        lap(0),
    ]
    assert told(read_lap_table(write(tmp_path, rows))) == [
        'spring.csv, row 1, date, "2025-02-30": is no day of the calendar; correct it',
        'spring.csv, row 1, build, "": is empty; every lap needs a build',
        'spring.csv, row 1, surface, "moist": is not a surface; use dry, damp or wet',
        'spring.csv, row 2, circuit, "": is empty; every lap needs a circuit',
        'spring.csv, row 2, lap_time, "fast": '
        "is not a lap time; write m:ss.sss, h:mm:ss.sss or seconds",
        'spring.csv, row 4, lap, "0": is outside 1 to 9999; correct it',
    ]


def test_a_long_cell_is_shown_shortened(tmp_path: Path) -> None:
    [fault] = read_lap_table(write(tmp_path, [lap(1, build="x" * 300)])).faults
    assert fault.value == "x" * 80 + "..."


OTHER_RUN = "a run has one {}: correct one, or give them two run numbers"


@pytest.mark.parametrize(
    ("first", "second", "fault"),
    [
        (
            {"air_temp_c": "18"},
            {"air_temp_c": "20,5"},
            'air_temp_c, "20,5": row 1, of the same run, says 18; '
            + OTHER_RUN.format("air temperature"),
        ),
        (
            {"surface": ""},
            {"surface": "wet"},
            'surface, "wet": row 1, of the same run, is empty, which means dry; '
            + OTHER_RUN.format("surface"),
        ),
        (
            {"surface": "wet"},
            {"surface": ""},
            'surface, "": is empty, which means dry, but row 1, of the same run, says wet; '
            + OTHER_RUN.format("surface"),
        ),
        (
            {"mod_aero": "1"},
            {"mod_aero": "2"},
            'mod_aero, "2": row 1, of the same run, says 1; ' + OTHER_RUN.format("level of aero"),
        ),
        (
            {"driver": "A. Marsh"},
            {"driver": "B. Fen"},
            'driver, "B. Fen": row 1, of the same run, says A. Marsh; '
            + OTHER_RUN.format("driver"),
        ),
        (
            {"start_time": "09:30"},
            {"start_time": "10:30", "run": "2"},
            'start_time, "10:30": row 1, of the same session, says 09:30; '
            "a session has one start time: correct one of them",
        ),
        (
            {"model": "Corvane GT"},
            {"model": "Corvane RS", "date": "2025-05-01"},
            'model, "Corvane RS": row 1, of the same build, says Corvane GT; '
            "a build has one model: correct one, or name two builds",
        ),
        (
            {"lap_time": "1:02.345"},
            {"lap_time": "1:02.5", "lap": "1"},
            'lap_time, "1:02.5": row 1, of the same lap, says 1:02.345; '
            "a lap has one lap time: correct one, or give them two lap numbers",
        ),
        (
            {"lap_kind": ""},
            {"lap_kind": "out", "lap": "1"},
            'lap_kind, "out": row 1, of the same lap, is empty, which means timed; '
            "a lap has one kind of lap: correct one, or give them two lap numbers",
        ),
    ],
)
def test_rows_about_one_thing_that_disagree_name_each_other(
    tmp_path: Path, first: dict[str, str], second: dict[str, str], fault: str
) -> None:
    rows = [{**lap(1), **first}, {**lap(2), **second}]
    assert told(read_lap_table(write(tmp_path, rows))) == [f"spring.csv, row 2, {fault}"]


@pytest.mark.parametrize(
    "change", [{"run": "2"}, {"session": "S2"}, {"layout": "short"}, {"date": "2025-04-13"}]
)
def test_another_run_may_have_another_weather(tmp_path: Path, change: dict[str, str]) -> None:
    rows = [lap(1, air_temp_c="18", surface="dry"), lap(1, air_temp_c="9", surface="wet", **change)]
    assert len(laps_of(read_lap_table(write(tmp_path, rows)))) == 2


def test_many_faults_in_a_long_file_are_all_found_in_their_rows(tmp_path: Path) -> None:
    """Longer than the pieces in which DuckDB reads in parallel: no row may change its number."""
    bad = set(range(7, 60_000, 1_009))
    rows = [
        lap(n % 9_000 + 1, "fast" if n in bad else "1:02.345", run=str(n // 9_000 + 1))
        for n in range(60_000)
    ]
    lap_file = read_lap_table(write(tmp_path, rows))
    assert [fault.row for fault in lap_file.faults] == [n + 1 for n in sorted(bad)]
    assert lap_file.run_laps.num_rows == 60_000 - len(bad)


# Files that nobody meant

SCRAPS = [b'"', b",", b"\n", b"\r", b";", b"\0", b"\xff", b"\xc3", b" ", b"9" * 40, HEADER.encode()]
SOUND = "\n".join([f"{HEADER},evidence", f'{ROW},"a, ""b"" é"', f"{SECOND},"]).encode()


@given(st.lists(st.tuples(st.integers(0, len(SOUND)), st.sampled_from([*SCRAPS, 1, 9]))))
@settings(max_examples=40, deadline=None)
def test_a_garbled_csv_file_ends_in_faults_or_in_laps(
    changes: list[tuple[int, bytes | int]],
) -> None:
    """A number cuts so many bytes out at that place, bytes are put in there."""
    content = SOUND
    for place, change in changes:
        added = change if isinstance(change, bytes) else b""
        cut = change if isinstance(change, int) else 0
        content = content[:place] + added + content[place + cut :]
    assert_ends_well(content, "spring.csv")


@given(st.data())
@settings(max_examples=25, deadline=None)
def test_a_garbled_parquet_file_ends_in_faults_or_in_laps(data: st.DataObject) -> None:
    with TemporaryDirectory() as folder:
        content = bytearray(parquet(Path(folder)).read_bytes())
    for place in data.draw(st.lists(st.integers(4, len(content) - 9), min_size=1, max_size=4)):
        content[place] = data.draw(st.integers(0, 255))
    assert_ends_well(bytes(content), "spring.parquet")


def test_a_garbled_parquet_file_that_reads_otherwise_the_second_time_ends_well() -> None:
    with TemporaryDirectory() as folder:
        content = bytearray(parquet(Path(folder)).read_bytes())
    content[24] = 61  # a length in the first page: its rows then have no run
    assert_ends_well(bytes(content), "spring.parquet")


def assert_ends_well(content: bytes, name: str) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        lap_file = read_lap_table(path)
    assert all("\n" not in str(fault) for fault in lap_file.faults)
    assert lap_file.run_laps.num_rows <= content.count(b"\n") + content.count(b"\r") + 1


# The rest of the promise


def test_progress_grows_to_one_and_is_told_by_the_asking_thread(tmp_path: Path) -> None:
    told_to: list[tuple[float, str, int]] = []
    read_lap_table(
        write(tmp_path, [lap()]),
        progress=lambda share, words: told_to.append((share, words, threading.get_ident())),
    )
    shares = [share for share, _, _ in told_to]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert {thread for _, _, thread in told_to} == {threading.get_ident()}


def test_nothing_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(folder))
    read_lap_table(write(tmp_path, [lap(1, "fast")]))
    assert os.listdir(folder) == []


def test_the_columns_need_and_assume_what_the_contract_says() -> None:
    needed = "circuit date session model build driver tyre_category lap lap_time"
    assert {column.name for column in COLUMNS if column.needed} == set(needed.split())
    assert {column.name: column.default for column in COLUMNS if column.default} == {
        "layout": "full",
        "surface": "dry",
        "run": "1",
        "lap_kind": "timed",
    }


def test_every_column_says_what_it_means() -> None:
    assert len(set(NAMES)) == len(COLUMNS) == 33
    assert all(column.meaning and column.noun for column in COLUMNS)
