"""Column mappings: foreign sheets read as they are, faults in the sheet's own words."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import BadValue, FaultyFile
from benchmark.intake.columns import BY_NAME, NAMES
from benchmark.intake.foreign_sheet import look_at_sheet
from benchmark.intake.formats import read_pattern
from benchmark.intake.laptable import read_lap_table
from benchmark.intake.mapped import read_mapped
from benchmark.intake.mapping import ColumnMapping, make_mapping, parse_mapping, read_mapping
from benchmark.intake.source import WholeFile
from benchmark.intake.units import UNITS, converted
from benchmark.store.store import Store
from tests.lap_files import LAP, lap, laps_of, told, write

MAPPING = """
date_format = "D.M.YYYY"
time_format = "h:mm A"
[columns]
date = "Tag"
start_time = "Start"
lap = 3
lap_time = "Zeit"
tyre_category = "reifen"
air_temp_c = "Luft"
pressure_hpa = "Druck"
[fixed]
circuit = "Quillmoor"
session = "S1"
model = "Corvane GT"
build = "Blue Heron"
driver = "A. Marsh"
[units]
air_temp_c = "°F"
pressure_hpa = "inHg"
[values.tyre_category]
"Semi" = "semi-slick"
"""
HEADER = "Tag;Start;Nr;Zeit;Reifen;Luft;Druck;Note"
ROW = "12.4.2025;1:05 PM;1;1'46\"308;Semi;68;29,92;x"


def sheet(folder: Path, *rows: str, header: str = HEADER) -> Path:
    path = folder / "office.csv"
    path.write_text("\n".join([header, *rows]), encoding="utf-8")
    return path


def mapping(text: str = MAPPING) -> ColumnMapping:
    return parse_mapping(text, "office.toml")


def test_a_foreign_sheet_becomes_laps(tmp_path: Path) -> None:
    read = read_mapped(sheet(tmp_path, ROW, "", ROW.replace(";1;", ";2;")), mapping())
    laps = laps_of(read)
    first = laps.loc[1]
    assert (str(first["date"]), first["start_time"], first["lap"]) == ("2025-04-12", "13:05", 1)
    assert (str(first["lap_time_s"]), first["tyre_category"]) == ("106.3080", "semi-slick")
    assert (first["air_temp_c"], first["pressure_hpa"]) == (20.0, 1013.2076)
    assert laps.loc[2, "lap"] == 2
    assert (read.name, read.ignored_columns) == ("office.csv", ["Note"])
    # A sheet that says nothing of a modification does not say that there is none.
    assert laps["mod_engine"].isna().all()


@pytest.mark.parametrize(
    ("row", "faults"),
    [
        ("12.4.2025;1:05 PM;2;1:46;Semi;500;29,92;", [
            'office.csv, row 2, Luft, "500": is outside -30 to 60 °C; correct it, or leave it '
            "empty (read as 260)"]),
        ("12.4.2025;1:05 PM;2;1:46;Soft;68;29,92;", [
            'office.csv, row 2, Reifen, "Soft": is not a category; use touring, sport, track-day, '
            "semi-slick, slick or wet"]),
        ("31.4.2025;13:05;2;1.46;Semi;warm;29,92;", [
            'office.csv, row 2, Luft, "warm": is not a number; write it in °F, or leave it empty',
            'office.csv, row 2, Start, "13:05": does not look like h:mm A; correct it, or the '
            "mapping's time_format",
            'office.csv, row 2, Tag, "31.4.2025": is no day of the calendar, read as D.M.YYYY; '
            "correct it",
            'office.csv, row 2, Zeit, "1.46": could be 1.46 s or 1 min 46 s; write 1:46']),
        ("12.4.2025;1:05 PM;2;fast;Semi;;;", [
            'office.csv, row 2, Zeit, "fast": is not a lap time; write m:ss.sss, h:mm:ss.sss or '
            "seconds"]),
        ("12.4.2025;1:05 PM;;1:46;Semi;;;", [
            'office.csv, row 2, Nr, "": is empty; every lap needs a lap number']),
        ("12.4.2025;1:05 PM;1;1:47;Semi;68;29,92;", [
            'office.csv, row 2, Zeit, "1:47": row 1, of the same lap, says 1:46.308; a lap has one '
            "lap time: correct one, or give them two lap numbers (read as 1:47.000)"]),
        ("12.4.2025;1:05 PM", [
            'office.csv, row 2, -, "12.4.2025,1:05 PM": has 2 fields, the header 8; correct the '
            "row"]),
        (";;;;;;;Total", [
            'office.csv, row 2, -, ",,,,,,,Total": has nothing in the columns of the mapping; take '
            "the row out"]),
    ],
)  # fmt: skip
def test_faults_name_the_row_and_the_sheets_own_column_and_value(
    tmp_path: Path, row: str, faults: list[str]
) -> None:
    said = told(read_mapped(sheet(tmp_path, ROW, row), mapping()))
    assert [fault.replace(" (read as 1:47)", "") for fault in said] == [
        fault.replace(" (read as 1:47.000)", "") for fault in faults
    ]


@pytest.mark.parametrize(
    ("header", "fault"),
    [
        (HEADER.replace("Zeit", "Zeiten"), 'Zeit, "Zeit": is not in the header: did you mean '),
        (HEADER.replace("Note", "Zeit"), 'Zeit, "Zeit": stands 2 times in the header; give its'),
        ("Tag;Start", 'lap, "3": is position 3, but the sheet has 2 columns'),
        ("", 'row -, -, "": is an empty file'),
    ],
)
def test_a_column_that_is_not_there_is_a_fault_of_the_file(
    tmp_path: Path, header: str, fault: str
) -> None:
    [said] = told(read_mapped(sheet(tmp_path, header=header), mapping()))
    assert fault in said
    assert said.startswith("office.csv, row -, ")


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (b"PK\x03\x04", "is a spreadsheet or an archive; save the sheet as CSV UTF-8"),
        (b"\x1f\x8b\x08", "is compressed; unpack it first"),
        (b"PAR1", "is Parquet; a mapping reads CSV"),
        (b"Tag;\xe4\n", "is not UTF-8 text (line 1); save it as CSV UTF-8"),
        (b"a\x00b", "has a NUL byte in line 1"),
    ],
)
def test_what_is_no_text_is_told(tmp_path: Path, body: bytes, message: str) -> None:
    path = tmp_path / "office.csv"
    path.write_bytes(body)
    [said] = told(read_mapped(path, mapping()))
    assert message in said


@pytest.mark.parametrize("encoding", ["windows-1252", "utf-16"])
def test_other_encodings_are_read_where_the_mapping_says_so(tmp_path: Path, encoding: str) -> None:
    path = sheet(tmp_path, ROW)
    text = path.read_text(encoding="utf-8").replace("Note", "Bemerkung für")
    path.write_bytes(text.encode(encoding))
    read = read_mapped(path, mapping(f'encoding = "{encoding}"\n{MAPPING}'))
    assert read.ignored_columns == ["Bemerkung für"]
    assert len(laps_of(read)) == 1
    wrong = read_mapped(sheet(tmp_path, ROW), mapping(f'encoding = "utf-16"\n{MAPPING}'))
    assert "is not utf-16 text; correct the mapping's encoding" in told(wrong)[0]


def test_title_lines_above_the_header_and_sheets_without_one(tmp_path: Path) -> None:
    titled = sheet(tmp_path, HEADER, ROW, header="Invented office\n")
    assert len(laps_of(read_mapped(titled, mapping(f"header_line = 2\n{MAPPING}")))) == 1
    bare = MAPPING
    for place, name in enumerate(["Tag", "Start", "", "Zeit", "reifen", "Luft", "Druck"], 1):
        bare = bare.replace(f'"{name}"', str(place)) if name else bare
    read = read_mapped(sheet(tmp_path, header=ROW), mapping(f"header_line = 0\n{bare}"))
    assert len(laps_of(read)) == 1
    wrong = read_mapped(
        sheet(tmp_path, header=ROW.replace("Semi", "Soft")), mapping(f"header_line = 0\n{bare}")
    )
    assert 'row 1, column 5, "Soft": is not a category' in told(wrong)[0]


def test_the_head_of_a_sheet_is_shown(tmp_path: Path) -> None:
    head = look_at_sheet(sheet(tmp_path, ROW, ROW))
    assert (head.delimiter, head.header, len(head.records)) == (";", HEADER.split(";"), 2)
    with pytest.raises(WholeFile, match="is an empty file"):
        look_at_sheet(sheet(tmp_path, header=""))
    assert (
        look_at_sheet(sheet(tmp_path, header=",,"), ColumnMapping({}, header_line=0)).header == []
    )


# The mapping itself


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("colums = 1", 'colums, "1": is not a key here: did you mean columns? use encoding'),
        ("[columns]\nlaptime = 'x'", 'columns.laptime, "x": is not a key here: did you mean'),
        ("[columns]\nlap = 0", 'columns.lap, "0": is no position; the first column is 1'),
        ("[columns]\nlap = true", 'columns.lap, "True": is no column; write its name or its'),
        ("[columns]\nlap = ''", 'columns.lap, "": is no column'),
        ("columns = 3", 'columns, "3": must be a table: write a line [columns]'),
        ("", 'columns.lap_time, "": is missing: name their column under [columns], or'),
        ("[columns]\nlap = 1\n[fixed]\nlap = 2", 'fixed.lap, "2": has a column as well; keep one'),
        ("[fixed]\ndate = 'soon'", 'fixed.date, "soon": is not an ISO 8601 date'),
        ("[fixed]\ndate = 2025-04-12", None),
        ("[fixed]\ncircuit = 1.5", 'fixed.circuit, "1.5": is no text; write the value in quotes'),
        ("[units]\nair_temp_c = 'F'", 'units.air_temp_c, "F": is not a unit of it; use °C, °F, K'),
        ("[units]\nlap = 's'", 'units.lap, "s": has no unit; take the line out'),
        ("[values.surface]\n'x' = 'ice'", 'values.surface.x, "ice": is not a surface; use'),
        ("[values]\nsurface = 'x'", 'values.surface, "x": must be a table'),
        ("encoding = 'ebcdic'", 'encoding, "ebcdic": is not legal here; use "utf-8"'),
        ("delimiter = '|'", 'delimiter, "|": is not legal here; use'),
        ("header_line = -1", 'header_line, "-1": is no line of a header'),
        ("header_line = 0\n[columns]\nlap = 'Nr'", 'columns.lap, "Nr": is a name, but no'),
        ("date_format = 'DD.QQ'", 'date_format, "DD.QQ": has "Q", which stands for nothing'),
        ("date_format = 'DD.MM'", 'date_format, "DD.MM": tells no year, month and day'),
        ("date_format = 'DDMM YYYY'", 'date_format, "DDMM YYYY": has two numbers side by side'),
        ("date_format = 'DD.DD.YYYY'", 'date_format, "DD.DD.YYYY": has DD twice'),
        ("time_format = 'HH'", 'time_format, "HH": tells no hour and minute'),
        ("date_format = 1", 'date_format, "1": is no pattern; write one such as "YYYY-MM-DD"'),
        ("[columns", 'row -, -, "": is no mapping: write key = value'),
        ("a = " + "[" * 1_500, "within each other"),
        ("#" * 300_000, "is larger than 200,000 characters; is it another file?"),
    ],
)  # fmt: skip
def test_every_fault_of_a_mapping_is_told(text: str, fault: str | None) -> None:
    with pytest.raises(FaultyFile) as refused:
        parse_mapping(text, "office.toml")
    if fault is None:
        assert "fixed.date" not in str(refused.value)
    else:
        assert f"office.toml, row -, {fault}" in str(refused.value) or fault in str(refused.value)


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(FaultyFile, match="cannot be read: No such file"):
        read_mapping(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"a = '\xe4'")
    with pytest.raises(FaultyFile, match="is not UTF-8 text; save it as UTF-8"):
        read_mapping(tmp_path / "latin.toml")


WORD = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=8).filter(
    lambda text: text.strip() and text.isprintable()
)


@given(
    st.dictionaries(st.sampled_from(NAMES), st.one_of(WORD, st.integers(1, 99)), max_size=9),
    st.dictionaries(st.text(st.characters(exclude_categories=("Cs",)), max_size=6), st.just("wet")),
    st.sampled_from([None, ",", ";", "\t"]),
)
@settings(max_examples=100, deadline=None)
def test_a_mapping_is_written_so_that_it_is_read_back(
    columns: dict[str, str | int], words: dict[str, str], delimiter: str | None
) -> None:
    needed = {name: 1 for name in NAMES if BY_NAME[name].needed}
    made = make_mapping(
        {"columns": {**needed, **columns}, "values": {"surface": words}}
        | ({"delimiter": delimiter} if delimiter else {}),
        "made",
    )
    assert parse_mapping(made.to_toml(), "again") == made


@given(st.lists(st.tuples(st.integers(1, 9999), st.sampled_from(["dry", "wet"])), max_size=5))
@settings(max_examples=4, deadline=None)
def test_a_lap_table_through_a_mapping_of_itself_is_the_same(
    tmp_path_factory: pytest.TempPathFactory, laps: list[tuple[int, str]]
) -> None:
    folder = tmp_path_factory.mktemp("same")
    rows = [lap(1, surface="dry", mod_aero="2")]
    rows += [lap(n, run=str(at), surface=s, mod_aero="") for at, (n, s) in enumerate(laps, 2)]
    path = write(folder, rows)
    itself = make_mapping({"columns": {name: name for name in rows[-1]}}, "itself")
    # The columns of modifications that are absent mean 0 in a lap table, nothing in a sheet.
    direct = laps_of(read_lap_table(path)).drop(columns=[n for n in NAMES if n.startswith("mod_")])
    mapped = laps_of(read_mapped(path, itself))
    assert mapped[direct.columns].equals(direct)


# Units and patterns


@pytest.mark.parametrize(
    ("text", "unit", "ours", "value"),
    [
        ("212", "°F", "°C", "100"),  # boiling point of water
        ("-40", "°F", "°C", "-40"),  # where both scales meet
        ("273.15", "K", "°C", "0"),
        ("29.92", "inHg", "hPa", "1013.2076"),  # 29.92 in is the standard atmosphere, 1013.25 hPa
        ("760", "mmHg", "hPa", "1013.2502"),  # by definition 1013.25 hPa within 1e-6
        ("14.69595", "psi", "hPa", "1013.25"),  # the standard atmosphere, 14.69595 psi
        ("101,325", "kPa", "hPa", "1013.25"),
        ("0.55", "fraction", "%", "55"),
        ("36", "km/h", "m/s", "10"),
        ("60 mph", "mph", "m/s", "26.8224"),  # exact: 1609.344 m a mile
        ("18", "kn", "m/s", "9.26"),  # exact: 1852 m a nautical mile
        ("1000", "ft", "m", "304.8"),
        ("106308", "ms", "s", "106.308"),
    ],
)
def test_units_are_converted(text: str, unit: str, ours: str, value: str) -> None:
    assert converted(text, unit, ours) == value


@pytest.mark.parametrize("text", ["warm", "1e999", "nan", "inf", "1.2.3", "1e13", ""])
def test_what_is_no_number_is_no_quantity(text: str) -> None:
    with pytest.raises(BadValue, match="is not a number; write it in K"):
        converted(text, "K", "°C")


def test_every_unit_of_the_lap_table_has_conversions() -> None:
    assert {column.unit for column in BY_NAME.values() if column.unit} == set(UNITS)


@pytest.mark.parametrize(
    ("pattern", "text", "iso"),
    [
        ("DD.MM.YYYY", "12.04.2025", "2025-04-12"),
        ("M/D/YY", "4/12/25", "2025-04-12"),
        ("YYYYMMDD", "20250412", "2025-04-12"),
        ("D MMM YYYY", "12 April 2025", "2025-04-12"),
        ("DD-MMM-YY", "12-APR-25", "2025-04-12"),
        ("DD.MM.YYYY HH:mm", "12.04.2025  10:31", "2025-04-12"),
    ],
)
def test_dates_are_read_by_their_pattern(pattern: str, text: str, iso: str) -> None:
    assert read_pattern(pattern).date_in(text) == iso


@pytest.mark.parametrize(
    ("pattern", "text", "clock"),
    [
        ("h:mm A", "1:05 pm", "13:05"),
        ("hh:mm A", "12:05 AM", "00:05"),
        ("HH:mm:ss", "09:30:59.5", "09:30"),
        ("HHmm", "0930", "09:30"),
        ("DD.MM.YYYY HH:mm", "12.04.2025 10:31", "10:31"),
    ],
)
def test_times_of_day_are_read_by_their_pattern(pattern: str, text: str, clock: str) -> None:
    assert read_pattern(pattern).time_in(text) == clock


@pytest.mark.parametrize(
    ("pattern", "text"),
    [("h:mm A", "13:05 pm"), ("HH:mm", "24:00"), ("HH:mm", "9:5"), ("HH:mm", "\u0661\u0662:30")],
)
def test_what_is_no_time_of_day_is_refused(pattern: str, text: str) -> None:
    with pytest.raises(BadValue, match="correct it"):
        read_pattern(pattern).time_in(text)


# The command line

RUN = CliRunner()


def test_a_mapping_is_saved_listed_shown_used_and_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    file = tmp_path / "office.toml"
    file.write_text(MAPPING, encoding="utf-8")
    path = sheet(tmp_path, ROW)
    assert RUN.invoke(app, ["mapping", "list", "--format", "json"]).stdout.strip() == "[]"
    done = RUN.invoke(app, ["import", "--mapping", str(file), str(path), "--dry-run"])
    assert "1 lap would be added" in done.stdout
    assert RUN.invoke(app, ["mapping", "save", str(file), "--name", "the office"]).exit_code == 0
    assert '"name": "the office"' in RUN.invoke(app, ["mapping", "list", "--format", "json"]).stdout
    assert "the office" in RUN.invoke(app, ["mapping", "list"]).stdout
    shown = RUN.invoke(app, ["mapping", "show", "the office"]).stdout
    assert '"Reifen"' not in shown
    assert "from °F" in shown
    toml = shown[shown.index("encoding =") :]
    assert parse_mapping(toml, "shown") == mapping()
    assert (
        '"lap_time": "Zeit"'
        in RUN.invoke(app, ["mapping", "show", "the office", "--format", "json"]).stdout
    )
    done = RUN.invoke(app, ["import", "--mapping", "the office", str(path)])
    assert (done.exit_code, "1 lap added" in done.stdout) == (0, True)
    with Store.open(tmp_path / "laps.duckdb") as store:
        assert store.imports()["file"].tolist() == ["office.csv"]
    assert RUN.invoke(app, ["mapping", "remove", "the office"]).exit_code == 0
    gone = RUN.invoke(app, ["import", "--mapping", "the office", str(path)])
    assert (gone.exit_code, 'no mapping "the office"' in gone.stderr) == (2, True)


def test_a_faulty_mapping_keeps_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "laps.duckdb"))
    file = tmp_path / "office.toml"
    file.write_text("[columns]\nlaptime = 'x'", encoding="utf-8")
    for arguments in (["mapping", "save", str(file)], ["import", "--mapping", str(file), "x.csv"]):
        done = RUN.invoke(app, arguments)
        assert done.exit_code == 2
        assert "office.toml, row -, columns.laptime" in done.stderr
    assert not (tmp_path / "laps.duckdb").exists()


def test_a_large_sheet_is_told_of_as_it_is_read(tmp_path: Path) -> None:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([*LAP, "note"])
    for number in range(25_000):
        writer.writerow(
            [*{**LAP, "lap": number % 9999 + 1, "session": number // 9999}.values(), ""]
        )
    path = tmp_path / "large.csv"
    path.write_text(out.getvalue(), encoding="utf-8")
    shares: list[float] = []
    itself = make_mapping({"columns": {name: name for name in LAP}}, "itself")
    read_mapped(path, itself, progress=lambda share, words: shares.append(share))
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
