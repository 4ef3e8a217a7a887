"""Who acts on a command line: a name that nobody has is told at once, before any password."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.store.accounts import Accounts, SignInFailed
from tests.clubs import OWNER, STEWARD, club
from tests.signed_in import WORDS, cheap_hashes


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap_hashes(monkeypatch)
    monkeypatch.delenv("BENCHMARK_PASSWORD", raising=False)
    path = club(tmp_path / "club.duckdb")
    for name in (OWNER, STEWARD):
        Accounts(path).add(name, WORDS)
    return path


def strike(db: Path, name: str, **environment: str) -> tuple[int, str]:
    words = ["strike", "--circuit", "Quillmoor", "--date", "2025-04-12", "--session", "S1"]
    words += ["--build", "Blue Heron", "--lap", "2", "--reason", "cut", "--as", name]
    result = CliRunner().invoke(app, [*words, "--db", str(db)], env=environment)
    return result.exit_code, result.output


def test_a_name_without_an_account_is_told_before_a_password_is_asked_for(db: Path) -> None:
    code, said = strike(db, "Stela Rook")
    assert code == 2
    assert 'no account "Stela Rook": did you mean Stella Rook?' in said
    assert "benchmark people add" in said
    assert "Password of" not in said


def test_a_name_with_an_account_is_asked_for_its_password(db: Path) -> None:
    code, said = strike(db, STEWARD)
    assert code == 2
    assert f"Password of {STEWARD}: set BENCHMARK_PASSWORD" in said


def test_a_wrong_password_is_told_as_before(db: Path) -> None:
    code, said = strike(db, STEWARD, BENCHMARK_PASSWORD="not these words at all")
    assert (code, "name and password do not fit" in said) == (2, True)


def test_over_a_server_an_unknown_name_is_told_what_a_wrong_password_is(db: Path) -> None:
    said = []
    for name in ("Stela Rook", STEWARD):
        with pytest.raises(SignInFailed) as refused:
            Accounts(db).sign_in(name, "not these words at all", address="192.0.2.1")
        said.append(str(refused.value))
    assert said[0] == said[1]
