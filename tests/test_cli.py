"""Every command through its runner: exit codes, standard output and standard error."""

from __future__ import annotations

import csv
import io
import json
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchmark.cli import COMMANDS, app, command_line
from benchmark.commands import demonstration
from benchmark.model import pace
from benchmark.store.store import Store
from tests.sheets import CIRCUIT, HEADER, ROWS, write_sheet

BENCHMARK = [sys.executable, "-c", "from benchmark.cli import main; main()"]
RAMBLING = re.compile(r"Traceback|File \"")


@pytest.fixture
def quick_fits(monkeypatch):
    """Few draws: these tests look at the doors, not at the numbers."""
    monkeypatch.setattr(pace, "WARM_UP", 20)
    monkeypatch.setattr(pace, "KEEP", 60)


def ask(*words: object, db: Path | None = None, code: int = 0):
    """Run a command and compare its exit code; options stand after the command's name."""
    named = [] if db is None else ["--db", str(db)]
    result = CliRunner().invoke(app, [*map(str, words), *named])
    assert result.exit_code == code, result.output
    assert not RAMBLING.search(result.output)
    return result


def answer(*words: object, db: Path):
    return json.loads(ask(*words, "--format", "json", db=db).stdout)


# Import


def test_a_first_import_makes_the_store_and_says_how_many_laps(tmp_path):
    result = ask("import", write_sheet(tmp_path / "day.csv"), db=tmp_path / "s.duckdb")
    assert result.stdout == f"{tmp_path}/day.csv: {len(ROWS)} laps added\n"
    assert result.stderr == ""


def test_a_second_import_adds_no_lap_and_says_so(tmp_path):
    sheet = write_sheet(tmp_path / "day.csv")
    ask("import", sheet, db=tmp_path / "s.duckdb")
    result = ask("import", sheet, db=tmp_path / "s.duckdb")
    assert result.stdout == f"{sheet}: 0 laps added, {len(ROWS)} laps already there\n"


def test_columns_not_used_rounded_times_and_facts_filled_are_told(tmp_path):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv"), db=db)
    rows = [f"{row},gps,sun" for row in ROWS[:1]]
    rows += [f"{ROWS[1].replace(',2,', ',9,').rsplit(',', 1)[0]},99.123456,,rain"]
    sheet = write_sheet(tmp_path / "more.csv", rows, header=f"{HEADER},timing,mood")
    assert ask("import", sheet, db=db).stdout.splitlines() == [
        f"{sheet}: 1 lap added, 1 lap already there, 1 fact filled in",
        f"{sheet}: 1 lap time rounded to four decimals",
        f"{sheet}: columns not used: mood",
    ]


def test_each_fault_is_one_line_of_standard_error_in_the_published_form(tmp_path):
    rows = [*ROWS, ROWS[0].replace("1:45.200", "1:62.300").replace(",1,1:", ",8,1:")]
    rows.append(ROWS[0].replace("track-day", "semi slick").replace(",1,1:", ",9,1:"))
    sheet = write_sheet(tmp_path / "day.csv", rows)
    lines = ask("import", sheet, db=tmp_path / "s.duckdb", code=2).stderr.splitlines()
    assert lines[0].startswith(f'day.csv, row {len(ROWS) + 1}, lap_time, "1:62.300": ')
    assert lines[1].startswith(f'day.csv, row {len(ROWS) + 2}, tyre_category, "semi slick": ')
    assert lines[2:] == [f"{sheet}: nothing of this file was added"]


def test_of_several_files_the_good_ones_are_kept_and_the_exit_code_is_2(tmp_path):
    db = tmp_path / "s.duckdb"
    good = write_sheet(tmp_path / "good.csv", ROWS[:3])
    bad = write_sheet(tmp_path / "bad.csv", ["nonsense"])
    late = write_sheet(tmp_path / "late.csv", ROWS[3:])
    result = ask("import", bad, good, tmp_path / "missing.csv", late, db=db, code=2)
    assert "missing.csv, row -, -, " in result.stderr
    assert result.stdout.splitlines() == [
        f"{good}: 3 laps added",
        f"{late}: {len(ROWS) - 3} laps added",
    ]
    with Store.open(db) as store:
        assert len(store.accepted_laps()) == len(ROWS)


def test_a_dry_run_says_what_would_happen_and_leaves_nothing_behind(tmp_path):
    sheet = write_sheet(tmp_path / "day.csv")
    result = ask("import", "--dry-run", sheet, db=tmp_path / "s.duckdb")
    assert result.stdout == f"{sheet}: {len(ROWS)} laps would be added\n"
    assert not (tmp_path / "s.duckdb").exists()


def test_a_dry_run_finds_what_contradicts_the_store(tmp_path):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv"), db=db)
    other = write_sheet(tmp_path / "other.csv", [ROWS[1].replace("1:39.400", "1:39.500")])
    assert 'row 1, lap_time, "1:39.5' in ask("import", "--dry-run", other, db=db, code=2).stderr


# Export


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_export_round_trips_byte_for_byte(tmp_path, ending):
    first, second = tmp_path / f"first.{ending}", tmp_path / f"second.{ending}"
    ask("import", write_sheet(tmp_path / "day.csv"), db=tmp_path / "a.duckdb")
    told = ask("export", "--out", first, db=tmp_path / "a.duckdb").stdout
    assert told == f"{first}: {len(ROWS)} laps written\n"
    ask("import", first, db=tmp_path / "b.duckdb")
    ask("export", "--out", second, db=tmp_path / "b.duckdb")
    assert first.read_bytes() == second.read_bytes()


def test_export_to_a_place_that_cannot_be_written_is_said(tmp_path):
    ask("import", write_sheet(tmp_path / "day.csv"), db=tmp_path / "a.duckdb")
    out = tmp_path / "no folder" / "out.csv"
    assert (
        f"cannot write {out}"
        in ask("export", "--out", out, db=tmp_path / "a.duckdb", code=2).stderr
    )


# Fit


def test_fit_says_what_it_rests_on(tmp_path, quick_fits):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv"), db=db)
    assert re.match(
        r"Fit [0-9a-f]+ on 7 counted laps of 3 builds, full mode\.", ask("fit", db=db).stdout
    )


@pytest.mark.parametrize("number", [1, 2, 5])
def test_a_fit_and_a_leaderboard_work_from_one_lap_upwards(tmp_path, quick_fits, number):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv", ROWS[:number]), db=db)
    ask("fit", db=db)
    board = answer("leaderboard", "--circuit", CIRCUIT, db=db)
    assert sum(entry["laps"] for entry in board) == number
    assert all(entry["low_s"] < entry["adjusted_s"] < entry["high_s"] for entry in board)


def test_priors_can_be_widened_and_a_senseless_width_is_refused(tmp_path, quick_fits):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv"), db=db)
    ask("fit", "--widen", 3, "--seed", 2, "--mode", "full", db=db)
    with Store.open(db) as store:
        assert (store.latest_fit().prior_scale, store.latest_fit().seed) == (3.0, 2)
    assert 'widen "0"' in ask("fit", "--widen", 0, db=db, code=2).stderr


# Leaderboard


def test_json_is_one_array_of_objects_with_the_basis_of_the_answer(fitted_db):
    board = answer("leaderboard", "--circuit", CIRCUIT, db=fitted_db)
    assert [entry["rank"] for entry in board] == [1, 2, 3]
    for entry in board:
        assert entry["reference"]["air_temp_c"] == 20
        assert entry["mode"] == "full"
        assert re.fullmatch(r"[0-9a-f]+", entry["fit"])
        assert entry["adjusted_s"] == round(entry["adjusted_s"], 4)
        assert entry["best_note"] is None or entry["best_note"].startswith("Its best lap")


def test_csv_and_json_say_the_same(fitted_db):
    board = answer("leaderboard", "--circuit", CIRCUIT, db=fitted_db)
    text = ask("leaderboard", "--circuit", CIRCUIT, "--format", "csv", db=fitted_db).stdout
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["build"] for row in rows] == [entry["build"] for entry in board]
    assert [float(row["low_s"]) for row in rows] == [entry["low_s"] for entry in board]


def test_the_table_answers_first_and_shows_both_places_and_names_as_they_are(fitted_db):
    text = ask("leaderboard", "--circuit", CIRCUIT, db=fitted_db).stdout
    assert text.startswith(f"Quickest at equal conditions at {CIRCUIT}: ")
    assert "=Green [b]Wren[/b]" in text
    assert "1:39.400" in text
    assert "What this rests on:" in text


def test_a_wider_level_gives_wider_intervals(fitted_db):
    widths = [
        {e["build"]: e["high_s"] - e["low_s"] for e in answer(*question, db=fitted_db)}
        for level in (0.5, 0.95)
        for question in [("leaderboard", "--circuit", CIRCUIT, "--level", level)]
    ]
    assert all(widths[0][build] < widths[1][build] for build in widths[0])


def test_an_empty_but_legal_choice_is_an_empty_array(fitted_db):
    assert answer("leaderboard", "--circuit", CIRCUIT, "--class", "extensive", db=fitted_db) == []
    assert answer("leaderboard", "--circuit", CIRCUIT, "--surface", "wet", db=fitted_db) == []


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--circuit", "Larkhil Ring"], f'no circuit "Larkhil Ring": did you mean {CIRCUIT}?'),
        (["--circuit", CIRCUIT, "--layout", "ful"], 'no layout of Larkhill Ring "ful": did you'),
        (["--circuit", CIRCUIT, "--class", "lite"], 'no class "lite": did you mean light'),
        (["--circuit", CIRCUIT, "--adjust", "driver"], 'no adjustment "driver": use one of'),
        (["--circuit", CIRCUIT, "--level", "1.5"], "level 1.5: write a number between 0 and 1"),
        (["--circuit", CIRCUIT, "--report", "board.doc"], "cannot write a report as board.doc"),
        ([], "Missing option '--circuit'"),
        (["--circuit", CIRCUIT, "--format", "yaml"], "'yaml' is not one of"),
    ],
)
def test_a_wrong_question_exits_2_and_says_what_to_do(fitted_db, options, message):
    result = ask("leaderboard", *options, db=fitted_db, code=2)
    assert message in result.stderr
    assert result.stdout == ""


def test_a_question_before_the_first_fit_says_to_fit(tmp_path):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv"), db=db)
    result = ask("leaderboard", "--circuit", CIRCUIT, db=db, code=2)
    assert f"run `benchmark fit --db {db}`" in result.stderr


def test_a_question_to_no_store_says_to_import(tmp_path):
    result = ask("leaderboard", "--circuit", CIRCUIT, db=tmp_path / "none.duckdb", code=2)
    assert "run `benchmark import" in result.stderr


def test_an_answer_from_a_stale_fit_says_so_on_standard_error(tmp_path, quick_fits):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "a.csv", ROWS[:3]), db=db)
    ask("fit", db=db)
    ask("import", write_sheet(tmp_path / "b.csv", ROWS[3:]), db=db)
    result = ask("leaderboard", "--circuit", CIRCUIT, "--format", "json", db=db)
    assert "the fit is older than the newest laps: run `benchmark fit" in result.stderr
    assert [entry["build"] for entry in json.loads(result.stdout)] == ["Red Wren"]


def test_a_report_is_written_beside_the_answer(fitted_db, tmp_path):
    out = tmp_path / "board.html"
    result = ask("leaderboard", "--circuit", CIRCUIT, "--report", out, db=fitted_db)
    assert f"report written to {out}" in result.stderr
    assert "=Green [b]Wren[/b]" in out.read_text()


def test_the_store_is_named_by_the_environment_where_no_option_names_it(fitted_db, monkeypatch):
    monkeypatch.setenv("BENCHMARK_DB", str(fitted_db))
    assert ask("leaderboard", "--circuit", CIRCUIT).stdout.startswith("Quickest")


def test_without_a_name_the_store_is_laps_duckdb_in_the_working_folder(tmp_path, monkeypatch):
    monkeypatch.delenv("BENCHMARK_DB", raising=False)
    monkeypatch.chdir(tmp_path)
    ask("import", write_sheet(tmp_path / "day.csv"))
    assert (tmp_path / "laps.duckdb").exists()


# Rulings


def test_a_struck_lap_counts_no_more_until_it_is_put_back(tmp_path):
    db = tmp_path / "s.duckdb"
    ask("import", write_sheet(tmp_path / "day.csv"), db=db)
    lap = ["--circuit", CIRCUIT, "--date", "2025-03-02", "--session", "S1", "--build", "Red Wren",
           "--lap", 2, "--steward", "Ida", "--reason", "cut the last corner"]  # fmt: skip
    assert "ruling 2: the lap struck" in ask("strike", *lap, db=db).stdout
    with Store.open(db) as store:
        assert len(store.counted_laps()) == len(ROWS) - 1
    assert "is struck already" in ask("strike", *lap, db=db, code=2).stderr
    assert "ruling 3: the lap counts again" in ask("unstrike", *lap, db=db).stdout
    record = answer("rulings", db=db)
    assert [r["action"] for r in record] == ["import", "strike", "unstrike"]
    assert [r["who"] for r in record[1:]] == ["Ida", "Ida"]
    assert "cut the last corner" in ask("rulings", db=db).stdout


def test_a_ruling_on_a_date_that_is_none_says_how_to_write_it(tmp_path):
    ask("import", write_sheet(tmp_path / "day.csv"), db=tmp_path / "s.duckdb")
    lap = ["--circuit", CIRCUIT, "--date", "2 March", "--session", "S1", "--build", "Red Wren",
           "--lap", 2, "--steward", "Ida", "--reason", "cut"]  # fmt: skip
    message = 'date "2 March": write it as in 2025-03-31'
    assert message in ask("strike", *lap, db=tmp_path / "s.duckdb", code=2).stderr


# The program as a whole


def test_a_fault_of_the_program_is_one_line_and_exits_1(fitted_db, monkeypatch):
    def broken(*_args, **_options):
        raise ZeroDivisionError("division by zero\nand more")

    monkeypatch.setattr(Store, "open_fit", broken)
    result = ask("leaderboard", "--circuit", CIRCUIT, db=fitted_db, code=1)
    assert result.stderr == (
        "a fault of this program: ZeroDivisionError: division by zero (add --debug for its "
        "traceback)\n"
    )
    shown = CliRunner().invoke(
        app, ["leaderboard", "--circuit", CIRCUIT, "--db", str(fitted_db), "--debug"]
    )
    assert isinstance(shown.exception, ZeroDivisionError)


def test_a_program_that_is_stopped_by_the_user_exits_130(fitted_db, monkeypatch):
    def stopped(*_args, **_options):
        raise KeyboardInterrupt

    monkeypatch.setattr(Store, "open_fit", stopped)
    ask("leaderboard", "--circuit", CIRCUIT, db=fitted_db, code=130)


def test_a_busy_store_exits_2_and_says_who_holds_it(fitted_db, monkeypatch):
    monkeypatch.setitem(Store.open.__func__.__kwdefaults__, "patience_s", 0.2)
    with Store.open(fitted_db, write=True):
        result = ask("leaderboard", "--circuit", CIRCUIT, db=fitted_db, code=2)
    assert "is busy" in result.stderr


@pytest.mark.parametrize("name", [name for name, _ in COMMANDS])
def test_every_command_explains_itself_and_takes_debug(name):
    text = ask(*name.split(), "--help").stdout
    assert "--db" in text
    assert "--debug" in text
    assert all(line.split("  ", 1)[-1].strip() for line in text.splitlines() if "--" in line)


def test_an_unknown_command_exits_2():
    assert "No such command" in ask("leaderbord", code=2).stderr


def test_help_needs_none_of_the_heavy_packages():
    code = (
        "import sys; from benchmark.cli import app; "
        "heavy = {'pandas', 'duckdb', 'scipy', 'streamlit', 'altair', 'pyarrow', 'numpy'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout == "[]\n"


# The app as a child


@contextmanager
def running_app(db: Path, stop: signal.Signals = signal.SIGTERM):
    """Run `benchmark app`, give the address that it prints, and stop it with a signal."""
    command = [*BENCHMARK, "app", "--db", str(db)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        try:
            line = child.stdout.readline()
            yield re.search(r"http://127\.0\.0\.1:\d+", line)[0]
        finally:
            child.send_signal(stop)
        assert child.wait(timeout=20) == 130


def is_up(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/_stcore/health", timeout=10) as page:
            return page.status == 200
    except OSError:
        return False


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_app_answers_at_the_address_it_prints_and_ends_with_its_command(tmp_path, number):
    with running_app(tmp_path / "none.duckdb", number) as address:
        assert is_up(address)
    assert not is_up(address)


def test_a_port_that_is_taken_is_said(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        message = f"port {port} is taken: name a free one with `--port`"
        assert message in ask("app", "--port", port, db=tmp_path / "n.duckdb", code=2).stderr


# The demo, on a season of two small sheets


@pytest.fixture
def small_season(tmp_path, monkeypatch, quick_fits):
    """Two sheets in place of the season that ships with the package."""
    folder = tmp_path / "datasets"
    folder.mkdir()
    write_sheet(folder / "laps-2025-03.csv", ROWS[:3])
    write_sheet(folder / "laps-2025-07.csv", ROWS[3:])
    monkeypatch.setattr(demonstration, "shipped", lambda _name: folder)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHMARK_DB", str(tmp_path / "own.duckdb"))
    return folder


def test_the_demo_imports_fits_and_ranks_in_a_store_of_its_own(small_season, tmp_path):
    text = ask("demo", "--no-app").stdout
    assert "laps-2025-03.csv: 3 laps added" in text
    assert f"Quickest at equal conditions at {CIRCUIT}:" in text
    assert (tmp_path / "demo.duckdb").exists()
    assert not (tmp_path / "own.duckdb").exists()


def test_a_second_demo_adds_no_lap_and_fits_no_second_time(small_season, tmp_path):
    ask("demo", "--no-app")
    text = ask("demo", "--no-app").stdout
    assert "laps-2025-03.csv: 0 laps added, 3 laps already there" in text
    assert "Quickest at equal conditions" in text
    with Store.open(tmp_path / "demo.duckdb") as store:
        assert len(store.fits()) == 1


def test_the_demo_refuses_a_store_that_holds_other_laps_and_changes_nothing(small_season, tmp_path):
    db = tmp_path / "own.duckdb"
    other = write_sheet(tmp_path / "other.csv", [ROWS[0].replace(CIRCUIT, "Elsewhere")])
    ask("import", other, db=db)
    before = db.read_bytes()
    message = f"{db} holds 1 lap that is not of the demo: name another store with `--db`\n"
    assert ask("demo", "--no-app", db=db, code=2).stderr == message
    assert db.read_bytes() == before


@pytest.mark.parametrize("name", [name for name, _ in COMMANDS])
def test_each_command_alone_is_the_one_among_all(name):
    """`main` gathers the commands of the first word only."""
    words = [*name.split(), "--help"]
    alone = CliRunner().invoke(command_line(words[0]), words)
    assert alone.exit_code == 0
    assert alone.output == CliRunner().invoke(app, words).output
