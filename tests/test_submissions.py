"""Submissions: what is handed in waits, is decided once, by those who may, and nothing is lost."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchmark.errors import BadQuestion, BenchmarkError, FaultyFile, NotAllowed
from benchmark.store import handing_in, settings
from benchmark.store.deciding import accept, refuse, withdraw
from benchmark.store.handing_in import hand_in
from benchmark.store.store import Store
from benchmark.store.submissions import body_of, submission, submissions
from tests.clubs import (
    ENTRANT,
    OTHER,
    OWNER,
    STEWARD,
    VISITOR,
    club,
    handed_in,
    open_as,
    read_bytes,
    sheet,
)
from tests.lap_files import lap

AT = datetime(2025, 4, 13, 9, 0, tzinfo=UTC)
ALL = (VISITOR, ENTRANT, STEWARD, OWNER)


@pytest.fixture
def db(tmp_path: Path) -> Path:
    return club(tmp_path / "club.duckdb")


def decide(db: Path, who: str | None, action: str, number: int = 1) -> None:
    with open_as(db, who) as store:
        if action == "accept":
            lap_file, _ = sheet(db.parent)
            accept(store, number, lap_file)
        elif action == "refuse":
            refuse(store, number, reason="no timing sheet")
        else:
            withdraw(store, number)


def state(db: Path) -> list[str]:
    with open_as(db, STEWARD) as store:
        return [one.state for one in submissions(store)]


def counted(db: Path) -> int:
    with Store.open(db) as store:
        return store.counted()


def test_what_waits_reaches_no_count_no_frame_and_no_export(db: Path) -> None:
    handed_in(db)
    with Store.open(db) as store:
        assert store.counted() == len(store.accepted_laps()) == len(store.counted_laps()) == 0
        assert store.export(db.parent / "all.csv") == 0
        assert store.names("build") == []
        assert store.data_version() == 0


def test_an_accepted_file_is_added_with_a_line_that_names_it(db: Path) -> None:
    handed_in(db, contact="ed@marsh.example", note="my first day")
    decide(db, STEWARD, "accept")
    assert counted(db) == 3
    with open_as(db, STEWARD) as store:
        line = store.record()[-1]
        found = submission(store, 1)
        assert store.imports()["file"].tolist() == ["spring.csv"]
    assert (line.who, line.role, line.action) == (STEWARD, "steward", "accept")
    assert json.loads(line.subject)["submission"] == 1
    assert json.loads(line.subject)["by"] == ENTRANT
    assert json.loads(line.after)["laps_added"] == 3
    assert (found.state, found.decided_no, found.decided_by) == ("accepted", line.number, STEWARD)
    whole = json.dumps([line.subject, line.before, line.after])
    assert "marsh.example" not in whole  # a contact is private, the record may be published


@pytest.mark.parametrize("who", ALL)
@pytest.mark.parametrize("action", ["accept", "refuse"])
def test_stewards_and_owners_decide_and_nobody_else(db: Path, who: str | None, action: str) -> None:
    handed_in(db)
    if who in (STEWARD, OWNER):
        decide(db, who, action)
        assert state(db) == ["accepted" if action == "accept" else "refused"]
    else:
        with pytest.raises(NotAllowed, match="stewards and owners may"):
            decide(db, who, action)
        assert state(db) == ["pending"]
        assert counted(db) == 0


@pytest.mark.parametrize("who", [ENTRANT, STEWARD, OWNER])
def test_a_pending_file_is_taken_back_by_its_entrant_or_a_steward(db: Path, who: str) -> None:
    handed_in(db)
    decide(db, who, "withdraw")
    assert state(db) == ["withdrawn"]


@pytest.mark.parametrize("who", [VISITOR, OTHER])
def test_nobody_takes_back_the_file_of_another(db: Path, who: str | None) -> None:
    handed_in(db)
    with pytest.raises(NotAllowed):
        decide(db, who, "withdraw")
    assert state(db) == ["pending"]


def test_a_refused_attempt_is_logged_and_leaves_the_record_as_it_was(db: Path) -> None:
    from benchmark.store.accounts import Accounts

    handed_in(db)
    before = len(Store.open(db).record())
    with pytest.raises(NotAllowed):
        decide(db, OTHER, "withdraw")
    with pytest.raises(NotAllowed):
        decide(db, OTHER, "accept")
    with Store.open(db) as store:
        assert len(store.record()) == before
    noted = {(one.person, one.action) for one in Accounts(db).refusals()}
    assert noted == {(OTHER, "withdraw"), (OTHER, "accept")}


def test_an_entrant_sees_only_their_own_and_a_visitor_nothing(db: Path) -> None:
    handed_in(db)
    handed_in(db, OTHER, lap(1, "1:03.0"))
    for who, seen in ((ENTRANT, [1]), (OTHER, [2]), (VISITOR, []), (STEWARD, [1, 2])):
        with open_as(db, who) as store:
            assert [one.number for one in submissions(store)] == seen
    with open_as(db, OTHER) as store:
        with pytest.raises(BadQuestion, match=r"^no submission 1 of Ola Fenn"):
            submission(store, 1)
        with pytest.raises(BadQuestion, match=r"^no submission 1 of Ola Fenn"):
            body_of(store, 1)


def test_a_visitor_hands_in_only_where_the_owner_has_allowed_it(db: Path) -> None:
    with pytest.raises(NotAllowed, match="people who have signed in: sign in first"):
        handed_in(db, VISITOR)
    for who in (ENTRANT, STEWARD):
        with open_as(db, who) as store, pytest.raises(NotAllowed):
            settings.change_setting(store, settings.VISITORS_HAND_IN, "yes")
    with open_as(db, OWNER) as store:
        line = settings.change_setting(store, settings.VISITORS_HAND_IN, "yes", reason="open day")
    assert (line.before, line.after) == ('{"value": "no"}', '{"value": "yes"}')
    assert handed_in(db, VISITOR).submission.who == "visitor"
    assert counted(db) == 0


def test_the_same_bytes_of_the_same_person_are_one_submission(db: Path) -> None:
    first, again = handed_in(db), handed_in(db)
    assert (first.is_new, again.is_new) == (True, False)
    assert again.submission.number == first.submission.number == 1
    decide(db, STEWARD, "accept")
    assert not handed_in(db).is_new
    assert state(db) == ["accepted"]


def test_the_same_bytes_of_another_person_wait_by_themselves(db: Path) -> None:
    """Else whoever came first could take back what the second believes to be handed in."""
    handed_in(db)
    assert handed_in(db, OTHER).is_new
    decide(db, ENTRANT, "withdraw")
    assert state(db) == ["withdrawn", "pending"]


@pytest.mark.parametrize("action", ["refuse", "withdraw"])
def test_a_file_that_was_refused_or_taken_back_may_be_handed_in_again(
    db: Path, action: str
) -> None:
    handed_in(db)
    decide(db, STEWARD, action)
    assert handed_in(db).is_new
    assert state(db)[1] == "pending"


@pytest.mark.parametrize("second", ["accept", "refuse", "withdraw"])
@pytest.mark.parametrize("first", ["accept", "refuse", "withdraw"])
def test_whoever_decides_second_is_told_who_was_first(db: Path, first: str, second: str) -> None:
    handed_in(db)
    decide(db, STEWARD, first)
    with pytest.raises(BadQuestion, match=f"does not wait any more: .* by {STEWARD} at .*nothing"):
        decide(db, OWNER, second)
    with Store.open(db) as store:
        assert [line.action for line in store.record()][-1] == first
        assert store.counted() == (3 if first == "accept" else 0)


SECOND_STEWARD = """
import sys
from pathlib import Path
from benchmark.errors import BadQuestion
from benchmark.store.deciding import accept
from benchmark.store.submissions import body_of
from tests.clubs import open_as, read_bytes
db, who = Path(sys.argv[1]), sys.argv[2]
with open_as(db, who) as store:
    table = read_bytes(body_of(store, 1))
print("ready", flush=True)
sys.stdin.readline()
try:
    with open_as(db, who) as store:
        print(accept(store, 1, table).added.laps_added)
except BadQuestion as error:
    print(error)
"""


def test_two_stewards_in_two_processes_accept_once(db: Path) -> None:
    handed_in(db)
    command = [sys.executable, "-c", SECOND_STEWARD, str(db)]
    both = [
        subprocess.Popen([*command, who], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for who in (STEWARD, OWNER)
    ]
    for one in both:
        assert one.stdout is not None
        assert one.stdout.readline() == "ready\n"
    for one in both:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    said = sorted(one.communicate(timeout=60)[0].strip() for one in both)
    assert said[0] == "3"
    assert "does not wait any more: accepted by" in said[1]
    with Store.open(db) as store:
        assert [line.action for line in store.record()].count("accept") == 1
        assert len(store.imports()) == 1


def test_a_corrected_file_is_accepted_in_its_place_and_both_are_kept(db: Path) -> None:
    handed_in(db)
    right, body = sheet(db.parent, [lap(1), lap(2, driver="B. Fenn")][1:])
    with open_as(db, STEWARD) as store:
        with pytest.raises(BadQuestion, match="a ruling needs a reason"):
            accept(store, 1, right, corrected=body)
        accept(store, 1, right, corrected=body, reason="B. Fenn drove", at=AT)
        assert store.accepted_laps()["driver"].tolist() == ["B. Fenn"]
        assert body_of(store, 1, corrected=True) == body
        assert read_bytes(body_of(store, 1)).run_laps.num_rows == 3
        assert submission(store, 1).corrected_sha256 == right.sha256
        assert submission(store, 1).reason == "B. Fenn drove"


def test_another_file_than_the_one_that_waits_is_not_accepted(db: Path) -> None:
    handed_in(db)
    other, body = sheet(db.parent, [lap(1, "1:00.0")])
    with open_as(db, STEWARD) as store:
        with pytest.raises(BadQuestion, match="is not the file of submission 1"):
            accept(store, 1, other)
        with pytest.raises(ValueError, match="was not read from these bytes"):
            accept(store, 1, other, corrected=body + b"\n", reason="mended")
    assert state(db) == ["pending"]


def test_what_contradicts_the_store_waits_and_cannot_be_accepted_as_it_is(db: Path) -> None:
    with open_as(db, STEWARD) as store:
        store.add(sheet(db.parent, [lap(2, "1:05.0")])[0])
    handed_in(db)
    with pytest.raises(FaultyFile, match=r"spring\.csv, row 2, lap_time"):
        decide(db, STEWARD, "accept")
    assert state(db) == ["pending"]
    assert counted(db) == 1


def test_a_file_with_faults_is_not_handed_in(db: Path) -> None:
    with pytest.raises(FaultyFile, match=r"spring\.csv, row 2, lap_time"):
        handed_in(db, ENTRANT, lap(1), lap(2, "fast"))
    assert state(db) == []


@pytest.mark.parametrize(
    ("limit", "value", "message"),
    [
        ("MOST_BYTES", 10, "hand in at most 0 MB at once"),
        ("MOST_PENDING_EACH", 1, "1 files of Ed Marsh wait already"),
        ("MOST_A_DAY_EACH", 1, "Ed Marsh handed in 1 files within a day"),
        ("MOST_BYTES_EACH", 10, "Ed Marsh handed in 0 MB that wait or are of a day"),
        ("MOST_PENDING", 1, "1 files wait already"),
        ("MOST_PENDING_BYTES", 10, "wait already"),
    ],
)
def test_limits_hold_and_say_what_to_do(
    db: Path, monkeypatch: pytest.MonkeyPatch, limit: str, value: int, message: str
) -> None:
    handed_in(db)
    monkeypatch.setattr(handing_in, limit, value)
    with pytest.raises(BadQuestion, match=message):
        handed_in(db, ENTRANT, lap(1, "1:03.0"))
    assert state(db) == ["pending"]


def test_who_takes_files_back_and_hands_in_more_still_counts_and_shuts_nobody_out(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lap_file, body = sheet(db.parent)
    other, other_body = sheet(db.parent, [lap(1, "1:03.0")])
    monkeypatch.setattr(handing_in, "MOST_BYTES_EACH", len(body))
    with open_as(db, ENTRANT) as store:
        hand_in(store, lap_file, body)
        withdraw(store, 1)
        with pytest.raises(BadQuestion, match="of a day"):
            hand_in(store, other, other_body)
    with open_as(db, STEWARD) as store:
        assert hand_in(store, lap_file, body).is_new


def test_the_limit_of_a_day_is_over_after_a_day(db: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(handing_in, "MOST_A_DAY_EACH", 1)
    lap_file, body = sheet(db.parent)
    other, other_body = sheet(db.parent, [lap(1, "1:03.0")])
    with open_as(db, ENTRANT) as store:
        hand_in(store, lap_file, body, at=AT)
        withdraw(store, 1, at=AT)
        with pytest.raises(BadQuestion, match="within a day"):
            hand_in(store, other, other_body, at=AT + timedelta(hours=23))
        assert hand_in(store, other, other_body, at=AT + timedelta(hours=25)).is_new


@pytest.mark.parametrize(
    ("texts", "message"),
    [
        ({"contact": "x" * 201}, "the contact has 201 characters; shorten it to 200"),
        ({"note": "x" * 1001}, "the note has 1001 characters; shorten it to 1000"),
    ],
)
def test_a_text_that_is_too_long_is_refused(db: Path, texts: dict[str, str], message: str) -> None:
    with pytest.raises(BadQuestion, match=message):
        handed_in(db, **texts)


def test_what_does_not_show_is_taken_out_of_texts_and_paths_out_of_names(db: Path) -> None:
    lap_file, body = sheet(db.parent)
    named = read_bytes(body, name="../../etc/\u202ecod.csv")
    assert named.sha256 == lap_file.sha256
    with open_as(db, ENTRANT) as store:
        texts = {"contact": "ed\u202e\x1b[2J@x", "note": "one\ntwo\x00"}
        found = hand_in(store, named, body, **texts).submission
    assert found.file == "_cod.csv"
    assert found.contact == "ed  [2J@x"
    assert found.note == "one\ntwo"


def test_a_damaged_submission_is_told_and_not_accepted(db: Path) -> None:
    import duckdb

    handed_in(db)
    with duckdb.connect(str(db)) as connection:
        connection.execute("update submission set body = 'circuit'::blob")
    with open_as(db, STEWARD) as store, pytest.raises(BenchmarkError, match="is damaged"):
        body_of(store, 1)


def test_alone_on_a_laptop_everything_is_allowed(tmp_path: Path) -> None:
    db = tmp_path / "laps.duckdb"
    Store.open(db, create=True).close()
    handed_in(db, VISITOR)
    decide(db, VISITOR, "accept")
    assert counted(db) == 3
