"""The name that a file of evidence came with: kept as plain text, and no way to anywhere."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.intake.evidence import download_name
from benchmark.store import migrate
from benchmark.store.accounts import Accounts
from benchmark.store.evidence import SUBMISSION, add_evidence, evidence, hand_in_with
from benchmark.store.store import Store
from tests.clubs import ENTRANT, STEWARD, club, digest, handed_in, open_as, sheet
from tests.lap_files import lap
from tests.signed_in import WORDS
from tests.test_evidence import PDF

DIGEST = digest(PDF)


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = club(tmp_path / "club.duckdb")
    handed_in(path)
    return path


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("timing sheet.pdf", "timing sheet.pdf"),
        ("../../etc/cron.d/x.pdf", "x.pdf"),
        ("C:\\laps\\sheet.pdf", "sheet.pdf"),
        ("sheet\u202efdp.exe", "sheet_fdp.exe"),
        ("line\nbreak\x1b[2J.pdf", "line_break_[2J.pdf"),
        ("<img src=x onerror=alert(1)>.pdf", "<img src=x onerror=alert(1)>.pdf"),
        ("Zeitenblatt März.pdf", "Zeitenblatt März.pdf"),
        ("a" * 1_000_000 + ".pdf", "a" * 116 + ".pdf"),
        ("", ""),
    ],
)
def test_the_last_part_of_a_name_is_kept_as_text(db: Path, given: str, kept: str) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, PDF, name=given)
        (one,) = evidence(store)
    assert one.name == kept


def test_names_are_kept_where_a_sheet_and_its_evidence_are_handed_in_together(db: Path) -> None:
    lap_file, body = sheet(db.parent, [lap(1, session="S9")])
    with open_as(db, ENTRANT) as store:
        number = hand_in_with(store, lap_file, body, [("board.pdf", PDF)]).submission.number
        assert [one.name for one in evidence(store, SUBMISSION, number)] == ["board.pdf"]


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("timing sheet.final.pdf", "timing-sheet-final"),
        ("=cmd|'/C calc'!A0.csv", "cmd-C-calc-A0"),
        ("..", "evidence"),
        ("con", "con"),
        ("![x](http://nowhere.invalid).png", "x-http-nowhere-invalid"),
        ("März.png", "März"),
        ("b" * 500, "b" * 60),
    ],
)
def test_a_download_is_named_by_letters_digest_and_the_ending_of_its_kind(
    name: str, stem: str
) -> None:
    assert download_name(name, "pdf", DIGEST) == f"{stem}-{DIGEST[:12]}.pdf"


def test_evidence_of_a_store_of_before_has_no_name_and_is_there(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, PDF, name="sheet.pdf")
    with duckdb.connect(str(db)) as connection:
        connection.execute("alter table evidence drop column name")
        connection.execute("delete from schema_version where version > 3")
        connection.execute("insert into schema_version values (3, now()::timestamp)")
    with Store.open(db) as store:
        versions = store._rows("select max(version) from schema_version")
    with open_as(db, ENTRANT) as store:
        (one,) = evidence(store)
    assert versions == [(migrate.VERSION,)]
    assert (one.sha256, one.name) == (DIGEST, "")
    assert one.safe_name == f"submission-1-{DIGEST[:12]}.pdf"


def test_the_command_that_shows_a_submission_names_its_evidence(db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, SUBMISSION, 1, PDF, name="timing sheet\u202e.pdf")
    Accounts(db).add(STEWARD, WORDS)
    words = ["submissions", "show", "1", "--as", STEWARD, "--db", str(db)]
    said = CliRunner().invoke(app, words, env={"BENCHMARK_PASSWORD": WORDS}).output
    assert f"evidence: timing sheet_.pdf, pdf, {len(PDF)} bytes, {DIGEST}" in said
