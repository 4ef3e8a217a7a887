"""A restore stands on the record of the store that it puts back, and the record stays whole."""

from __future__ import annotations

import gzip
import hashlib
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.show.record_words import about_text, action_text
from benchmark.store import migrate
from benchmark.store.audit import audit
from benchmark.store.backup import back_up
from benchmark.store.restoring import restore
from benchmark.store.roles import machine_user
from benchmark.store.rulings import undo
from benchmark.store.store import Store
from tests.clubs import OWNER, As, name_people
from tests.lap_files import lap, read_once, write
from tests.test_backup import add
from tests.test_migrate import RELEASED

pytestmark = pytest.mark.slow


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "laps.duckdb"
    add(path, 1, 2)
    return path


def test_the_line_names_the_backup_and_where_the_record_ended_that_it_replaced(db: Path) -> None:
    made = back_up(db)
    add(db, 3)
    with Store.open(db) as store:
        (first, second) = store.record()
    done = restore(made.path, db, replace=True, reason="the disk failed")
    with Store.open(db) as store:
        lines = store.record()
        assert audit(store).last_hash == lines[-1].hash
    assert lines[:-1] == [first]
    assert lines[-1] == done.line
    assert (lines[-1].action, lines[-1].reason) == ("restore", "the disk failed")
    assert lines[-1].who == machine_user().name
    digest = hashlib.sha256(made.path.read_bytes()).hexdigest()
    assert json.loads(lines[-1].subject) == {"backup": digest, "made_at": made.manifest.made_at}
    assert done.before is not None
    assert json.loads(lines[-1].before) == {
        "lines": 2,
        "last_hash": second.hash,
        "kept_in": done.before.path.name,
    }
    assert action_text(lines[-1]) == "restored a backup"
    assert about_text(lines[-1]) == (
        f"of {made.manifest.made_at}, SHA-256 {digest[:12]}; 2 lines of record were there, "
        f"kept in {done.before.path.name}"
    )


def test_the_record_goes_on_after_a_restore_and_replays(db: Path) -> None:
    made = back_up(db)
    add(db, 3)
    restore(made.path, db, replace=True)
    add(db, 4)
    restore(back_up(db).path, db, replace=True)
    with Store.open(db) as store:
        assert [line.action for line in store.record()] == [
            "import",
            "restore",
            "import",
            "restore",
        ]
        assert audit(store).laps == 3


def test_a_store_that_comes_where_none_was_says_so(db: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "again.duckdb"
    restore(back_up(db).path, elsewhere)
    with Store.open(elsewhere) as store:
        assert json.loads(store.record()[-1].before) == {}
        audit(store)


def test_in_a_club_the_line_names_the_owner_who_was_signed_in(db: Path) -> None:
    name_people(db)
    restore(back_up(db).path, db, replace=True, who=As(OWNER))
    with Store.open(db) as store:
        line = store.record()[-1]
        audit(store)
    assert (line.action, line.who, line.role) == ("restore", OWNER, "owner")


@pytest.mark.parametrize("kept", RELEASED[:-1], ids=lambda path: path.name)
def test_a_backup_of_an_older_store_becomes_this_programs_and_keeps_its_record(
    db: Path, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Packed as the older program packed it: with the schema that it had."""
    old = tmp_path / "old.duckdb"
    old.write_bytes(gzip.decompress(kept.read_bytes()))
    with monkeypatch.context() as before:
        before.setattr(migrate, "VERSION", int(kept.name[8]))
        made = back_up(old)
    restore(made.path, db, replace=True)
    with Store.open(db) as store:
        assert store._rows("select max(version) from schema_version") == [(migrate.VERSION,)]
        assert store.accepted_laps()["lap"].tolist() == [1, 2, 3]
        assert store.record()[-1].action == "restore"
        audit(store)


def test_a_restore_cannot_be_undone_and_lines_before_it_can(db: Path) -> None:
    restore(back_up(db).path, db, replace=True)
    with Store.open(db, write=True) as store:
        with pytest.raises(BadQuestion, match=r"line 2 \(restore\) cannot be undone"):
            undo(store, 2, reason="no")
        undo(store, 1, reason="another day")
        audit(store)
        assert store.accepted_laps().empty


def test_a_forged_line_of_a_restore_breaks_the_chain(db: Path) -> None:
    restore(back_up(db).path, db, replace=True)
    with Store.open(db, write=True) as store:
        store._write(lambda: store._connection.execute("update record set before = '{}'"))
        store._write(lambda: store._connection.execute("update record set subject = '{}'"))
    with Store.open(db) as store, pytest.raises(BenchmarkError, match="altered"):
        audit(store)


def test_the_command_tells_the_line_and_takes_a_reason(db: Path) -> None:
    kept = back_up(db).path
    words = ["restore", str(kept), "--db", str(db), "--replace", "--reason", "tried it"]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    with Store.open(db) as store:
        line = store.record()[-1]
    assert f"line 2 of the record says so; its hash is {line.hash}" in result.output
    listed = CliRunner().invoke(app, ["rulings", "--db", str(db)])
    assert "tried it" in listed.output


def test_a_restore_that_is_only_tried_leaves_no_line(db: Path) -> None:
    assert restore(back_up(db).path, db, dry_run=True).line is None
    with Store.open(db) as store:
        assert len(store.record()) == 1


def test_what_is_imported_twice_around_a_restore_counts_once(db: Path) -> None:
    sheet = read_once(write(db.parent, [lap(1), lap(2)], name="sheet.csv"))
    restore(back_up(db).path, db, replace=True)
    with Store.open(db, write=True) as store:
        assert store.add(sheet).laps_added == 0
        audit(store)
