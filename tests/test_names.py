"""Names that look like one another are asked about, and hostile ones come to no harm."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.intake.laptable import read_lap_table
from benchmark.intake.names import LOOK_ALIKE, look_alikes, skeleton
from benchmark.store.store import Store
from tests.lap_files import lap, laps_of, told, write

CYRILLIC = "Blue H\u0435r\u043en"


@pytest.mark.parametrize(
    "name",
    [CYRILLIC, "BLUE HERON", "Blue  Heron", "Blue-Heron", "B1ue Her0n", "Blue H\u00e9ron",
     "\uff22lue Heron", "Blue\u200dHeron", "BIue Heron", "Blu\u0435 H\u0435r\u03bfn"],
)  # fmt: skip
def test_a_name_that_looks_like_a_known_one_is_asked_about(name: str) -> None:
    [asked] = look_alikes("build", [name, "Blue Heron"], ["Blue Heron", "Red Kite"])
    assert str(asked).endswith(
        'did you mean "Blue Heron"? If so, correct the file, or merge the two with '
        "`benchmark merge --build` once both are stored"
    )


@pytest.mark.parametrize("name", ["Blue Heron", "Blue Heron 2", "Blue Herons", "Red Kite"])
def test_other_names_are_not(name: str) -> None:
    assert look_alikes("build", [name], ["Blue Heron", "Red Kite"]) == []


def test_names_of_one_file_are_held_against_one_another() -> None:
    [asked] = look_alikes("circuit", ["Ana", "\u0410na"], [])
    assert str(asked) == (
        'circuit "\u0410na" is new (with cyrillic capital letter a): did you mean "Ana"? '
        "If so, correct the file: else it is kept as another one"
    )


def test_each_letter_of_the_table_is_one_of_another_script_or_taken_for_a_letter() -> None:
    """Held against the names of the letters in the Unicode database."""
    for code, latin in LOOK_ALIKE.items():
        name = unicodedata.name(chr(code))
        assert (
            name.startswith(("CYRILLIC SMALL LETTER", "GREEK SMALL LETTER"))
            or chr(code) in "01i|\u0131"
        )
        assert str(latin).isascii()


@given(st.text(max_size=20))
@settings(max_examples=200, deadline=None)
def test_a_skeleton_stays_as_it_is(name: str) -> None:
    assert skeleton(skeleton(name)) == skeleton(name)


HOSTILE = (
    "<script>alert(1)</script>",
    "'; drop table lap; --",
    '=cmd|"/c calc"!A1',
    "@SUM(1)",
    "-2+3",
    "{{7*7}} ${x} %s {0}",
    "![x](http://nowhere.invalid/x.png)",
    "[bold]red[/bold]",
    "../../etc/passwd",
    "Zoe\u0308 \U0001f3c1",
)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_text_from_file_to_file(tmp_path: Path, name: str) -> None:
    rows = [lap(1, build=name, driver=name, circuit=name, session=name, evidence=name)]
    out = tmp_path / "out.csv"
    with Store.empty() as store:
        store.add(read_lap_table(write(tmp_path, rows)))
        assert store.names("build") == [unicodedata.normalize("NFC", name)]
        store.export(out)
    assert laps_of(read_lap_table(out))["driver"].tolist() == [unicodedata.normalize("NFC", name)]
    assert not {line[:1] for line in out.read_text(encoding="utf-8").split(",")} & {*"=@"}


@pytest.mark.parametrize(
    "mark", ["\u202e", "\u200b", "\u2066", "\u200f", "\u2028", "\x07", "\u00ad"]
)
def test_a_mark_that_nobody_sees_is_refused_inside_a_name(tmp_path: Path, mark: str) -> None:
    [fault] = told(read_lap_table(write(tmp_path, [lap(1, driver=f"Ana{mark}Marsh")])))
    assert "row 1, driver" in fault
    assert "holds a line break, a tab or another control character; remove it" in fault
    assert mark not in fault


def test_a_field_of_a_megabyte_is_refused_in_one_short_line(tmp_path: Path) -> None:
    [fault] = told(read_lap_table(write(tmp_path, [lap(1, driver="x" * 1_000_000)])))
    assert "has 1000000 characters; shorten it to 200" in fault
    assert len(fault) < 250


@pytest.mark.parametrize(
    "start",
    [
        *(b"PK\x03\x04", b"\x1f\x8b\x08", b"BZh9", b"\xfd7zXZ", b"\x28\xb5\x2f\xfd"),
        *(b"7z\xbc\xaf", b"%PDF-1.7"),
    ],
)
def test_an_archive_or_a_document_is_named_as_such(tmp_path: Path, start: bytes) -> None:
    path = tmp_path / "laps.csv"
    path.write_bytes(start + b"\x00\x00\x00")
    [fault] = told(read_lap_table(path))
    assert any(word in fault for word in ("archive", "compressed", "document"))


def test_the_command_asks_and_still_adds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    CliRunner().invoke(app, ["import", str(write(tmp_path, [lap(1)]))])
    done = CliRunner().invoke(app, ["import", str(write(tmp_path, [lap(1, build=CYRILLIC)]))])
    assert '(with cyrillic small letter ie): did you mean "Blue Heron"?' in done.stderr
    assert "1 lap added" in done.stdout
