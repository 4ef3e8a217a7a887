"""`benchmark people` and `--as`: who may name whom, and in whose name a command acts."""

from __future__ import annotations

import json
import os

import pytest
from typer.testing import CliRunner

from benchmark.cli import COMMANDS, app
from benchmark.commands.people import NEW_PASSWORD
from benchmark.store.accounts import Accounts, SignInFailed
from benchmark.store.backup import back_up
from benchmark.store.people import name_role
from benchmark.store.restoring import restore
from benchmark.store.roles import ANYONE, Role
from benchmark.store.store import Store
from tests.lap_files import read_once
from tests.sheets import HEADER, ROWS, write_sheet
from tests.signed_in import (
    ENTRANT,
    NO_ROLE,
    OTHER,
    OWNER,
    STEWARD,
    WORDS,
    SignedIn,
    cheap_hashes,
    copy_club,
    make_club,
)


@pytest.fixture(scope="module")
def laps(tmp_path_factory):
    folder = tmp_path_factory.mktemp("laps")
    with Store.open(folder / "laps.duckdb", create=True) as store:
        store.add(read_once(write_sheet(folder / "day.csv")))
    return folder / "laps.duckdb"


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Run a command in the name of somebody; `said` is both its outputs."""
    cheap_hashes(monkeypatch)
    for name in [name for name in os.environ if name.startswith("BENCHMARK_")]:
        monkeypatch.delenv(name)

    def command(*words: str, name: str | None = None, password: str = WORDS, new: str = OTHER):
        env = {"BENCHMARK_DB": str(tmp_path / "laps.duckdb"), "BENCHMARK_AS": name,
               "BENCHMARK_PASSWORD": password, NEW_PASSWORD: new}  # fmt: skip
        done = CliRunner().invoke(app, list(words), env=env)
        return done.exit_code, done.output

    return command


@pytest.fixture
def laptop(laps, tmp_path):
    path = tmp_path / "laps.duckdb"
    path.write_bytes(laps.read_bytes())
    return path


@pytest.fixture(scope="module")
def made(laps, tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        cheap_hashes(patch)
        return make_club(laps, tmp_path_factory.mktemp("made") / "laps.duckdb")


@pytest.fixture
def club(made, tmp_path, run):
    return copy_club(made, tmp_path / "laps.duckdb")


def listed(run) -> dict[str, tuple[str, str | None]]:
    code, said = run("people", "list", "--format", "json")
    assert code == 0
    return {one["name"]: (one["role"], one["signs_in_by"]) for one in json.loads(said)}


def test_the_first_person_makes_the_store_a_clubs(run, laptop):
    assert run("people", "add", OWNER, "--role", "owner") == (0, "Anna Pell is owner\n")
    assert listed(run) == {OWNER: ("owner", "password")}
    assert Accounts(laptop).check(OWNER, OTHER) == OWNER
    code, said = run("people", "add", STEWARD, "--role", "steward")
    assert code == 2
    assert "belongs to a club: say who you are with `--as NAME`" in said
    assert run("people", "add", STEWARD, "--role", "steward", name=OWNER, password=OTHER)[0] == 0


def test_a_club_can_begin_before_its_first_lap(run, tmp_path):
    assert run("people", "add", OWNER, "--role", "owner")[0] == 0
    assert listed(run) == {OWNER: ("owner", "password")}


def test_the_first_person_can_only_be_an_owner(run, laptop):
    code, said = run("people", "add", STEWARD, "--role", "steward")
    assert code == 2
    assert "name an owner first" in said
    assert Accounts(laptop).all() == []


@pytest.mark.parametrize("name", [None, STEWARD])
@pytest.mark.parametrize(
    "words",
    [
        ("add", "Mallory", "--role", "owner"),
        ("role", NO_ROLE, "owner"),
        ("role", ANYONE, "entrant"),
        ("password", OWNER),
        ("remove", ENTRANT),
    ],
)
def test_only_an_owner_names_and_removes_people(run, club, name, words):
    before = listed(run)
    with Store.open(club) as store:
        record = store.record()
    code, said = run("people", *words, name=name)
    assert code == 2, said
    assert listed(run) == before
    with Store.open(club) as store:
        assert store.record() == record
    accounts = Accounts(club)
    assert accounts.check(OWNER, WORDS) == OWNER
    assert not accounts.has("Mallory")


def test_an_owner_adds_changes_and_removes(run, club):
    assert run("people", "add", "Eve Lark", name=OWNER)[0] == 0
    assert listed(run)["Eve Lark"] == ("entrant", "password")
    assert run("people", "role", "eve lark", "steward", name=OWNER)[0] == 0
    assert listed(run)["Eve Lark"][0] == "steward"
    assert run("people", "remove", "Eve Lark", "--reason", "left", name=OWNER)[0] == 0
    assert listed(run)["Eve Lark"] == ("visitor", None)
    assert not Accounts(club).has("Eve Lark")
    with Store.open(club) as store:
        last = store.record()[-1]
    assert (last.who, last.reason) == (OWNER, "left")


def test_a_password_that_is_made_is_printed_once_and_works(run, club):
    code, said = run("people", "add", "Eve Lark", "--generate", name=OWNER)
    assert code == 0
    made = said.rpartition("the password is ")[2].strip()
    assert len(made) == 23
    assert Accounts(club).check("Eve Lark", made) == "Eve Lark"


def test_a_person_of_the_provider_gets_no_password(run, club):
    assert run("people", "add", "Eve@Club.Example", "--no-password", name=OWNER)[0] == 0
    assert listed(run)["eve@club.example"] == ("entrant", "provider")
    assert not Accounts(club).has("eve@club.example")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add", OWNER), "is owner already"),
        (("add", "anna pell"), "is owner already"),
        (("add", NO_ROLE), "is visitor already"),
        (("add", "visitor"), "has a meaning of its own"),
        (("add", "Anyone Signed In"), "has a meaning of its own"),
        (("role", "Nobody", "owner"), 'no person "Nobody"'),
        (("role", OWNER, "entrant"), "is the only owner"),
        (("remove", OWNER), "is the only owner"),
        (("role", ANYONE, "steward"), "can be entrant or visitor"),
        (("password", "Nobody"), 'no person "Nobody"'),
    ],
)
def test_what_makes_no_sense_is_told(run, club, words, said):
    code, told = run("people", *words, name=OWNER)
    assert code == 2
    assert said in told
    assert Accounts(club).check(OWNER, WORDS) == OWNER


def test_a_weak_password_adds_nobody(run, club):
    code, said = run("people", "add", "Eve Lark", name=OWNER, new="short")
    assert code == 2
    assert "take at least 15" in said
    assert "Eve Lark" not in listed(run)


def test_ones_own_password_needs_no_owner_and_that_of_another_is_on_record(run, club):
    assert run("people", "password", ENTRANT, name=ENTRANT)[0] == 0
    assert Accounts(club).check(ENTRANT, OTHER) == ENTRANT
    assert run("people", "password", STEWARD, name=OWNER)[0] == 0
    with Store.open(club) as store:
        last = store.record()[-1]
    assert (last.who, last.reason) == (OWNER, "a new password was set")
    assert STEWARD in last.subject


def test_the_operator_recovers_an_owner_and_it_is_on_record(run, club):
    for name in (OWNER, "Eve Lark"):
        code, said = run("people", "recover", name.lower() if name == OWNER else name,
                         "--reason", "the password is lost")  # fmt: skip
        assert code == 0, said
        assert Accounts(club).check(name, OTHER) == name
        with Store.open(club) as store:
            last = store.record()[-1]
        assert last.reason == "the password is lost"
        assert name in last.subject
    assert listed(run)["Eve Lark"][0] == "owner"


def test_the_audit_replays_what_people_commands_wrote_and_it_can_be_undone(run, club):
    assert run("people", "password", STEWARD, name=OWNER)[0] == 0
    assert run("people", "recover", OWNER, "--reason", "the password is lost")[0] == 0
    assert run("people", "remove", ENTRANT, name=OWNER, password=OTHER)[0] == 0
    with Store.open(club) as store:
        last = store.record()[-1]
    code, said = run("undo", str(last.number), "--reason", "came back", name=OWNER, password=OTHER)
    assert code == 0, said
    assert listed(run)[ENTRANT] == ("entrant", None)
    code, said = run("audit")
    assert code == 0, said


def test_whoever_signs_in_can_be_made_an_entrant_but_not_against_a_word_of_ones_own(run, club):
    assert run("people", "role", ANYONE, "entrant", name=OWNER)[0] == 0
    assert role_now(club, NO_ROLE) == "entrant"
    assert role_now(club, STEWARD) == "steward"
    assert run("people", "role", ENTRANT, "visitor", name=OWNER)[0] == 0
    assert role_now(club, ENTRANT) == "visitor"


def role_now(db, name: str) -> str:
    from tests.signed_in import SignedIn

    with Store.open(db, who=SignedIn(name)) as store:
        return store.actor().role.word


def test_a_command_acts_in_the_name_that_its_password_proves(run, club, tmp_path):
    sheet = write_sheet(tmp_path / "more.csv", [ROWS[0].replace(",1,1:45", ",9,1:40")])
    assert run("import", str(sheet))[0] == 2
    code, said = run("import", str(sheet), name=STEWARD, password="wrong words of mine")
    assert (code, "name and password do not fit" in said) == (2, True)
    assert run("import", str(sheet), name=ENTRANT)[0] == 2
    code, said = run("import", str(sheet), name=STEWARD)
    assert code == 0, said
    with Store.open(club) as store:
        assert store.record()[-1].who == STEWARD


def test_without_a_terminal_and_a_password_the_command_says_what_to_set(run, club, tmp_path):
    sheet = write_sheet(tmp_path / "more.csv")
    code, said = run("import", str(sheet), name=STEWARD, password="")
    assert code == 2
    assert "set BENCHMARK_PASSWORD, or run this at a terminal" in said


def test_an_entrant_is_told_to_hand_in_and_does_so_through_a_mapping(run, club, tmp_path):
    theirs = HEADER.replace("lap_time", "Zeit")
    sheet = write_sheet(tmp_path / "more.csv", [ROWS[0].replace(",1,1:45", ",9,1:40")], theirs)
    mapping = tmp_path / "office.toml"
    columns = [f'{name} = "{name.replace("lap_time", "Zeit")}"' for name in HEADER.split(",")]
    mapping.write_text("\n".join(["[columns]", *columns]), encoding="utf-8")
    through = (str(sheet), "--mapping", str(mapping))
    code, said = run("import", *through, name=ENTRANT)
    assert (code, "`benchmark submit FILE`" in said) == (2, True)
    code, said = run("submit", *through, name=ENTRANT)
    assert (code, "1 lap of more-as-read.csv wait" in said) == (0, True), said
    assert "say who you are with `--as NAME`" in run("submissions", "list")[1]


def test_on_a_laptop_nothing_is_asked(run, laptop, tmp_path):
    sheet = write_sheet(tmp_path / "more.csv", [ROWS[0].replace(",1,1:45", ",9,1:40")])
    assert run("import", str(sheet), name=STEWARD, password="")[0] == 0


def test_a_command_is_slowed_down_as_the_form_is(run, club):
    for _ in range(6):
        with pytest.raises(SignInFailed):
            Accounts(club).check(OWNER, "wrong words of mine")
    code, said = run("people", "role", NO_ROLE, "entrant", name=OWNER)
    assert code == 2
    assert "wait " in said


def test_what_was_refused_is_listed(run, club):
    run("people", "role", NO_ROLE, "owner", name=STEWARD)
    code, said = run("people", "refusals", "--format", "json")
    assert code == 0
    last = json.loads(said)[0]
    assert (last["person"], last["action"], last["times"]) == (STEWARD, "name_role", 1)


# Commands that change no club's store; `recover` is the operator's.
READING = {"demo", "app", "export", "leaderboard", "gains", "explain", "forecast", "advise", "plan",
           "coach", "rulings", "audit", "backup", "mapping show", "mapping list", "people list",
           "people refusals", "settings list", "people recover", "challenge classes",
           "challenge factors", "challenge standings", "challenge fairness", "challenge whatif",
           "challenge publish"}  # fmt: skip


@pytest.mark.parametrize("name", [name for name, _ in COMMANDS if name not in READING])
def test_a_command_that_changes_the_store_takes_a_name(name):
    """A new one that forgets `--as` would act as a visitor for ever."""
    assert "--as" in CliRunner().invoke(app, [*name.split(), "--help"]).output


@pytest.mark.skipif(os.name != "posix", reason="rights of files are those of POSIX")
def test_other_users_of_the_machine_read_no_store_of_a_club(laptop):
    """It holds how to reach whoever handed something in; its group's rights stay."""
    laptop.chmod(0o664)
    with Store.open(laptop, write=True) as store:
        name_role(store, OWNER, Role.OWNER)
    assert laptop.stat().st_mode & 0o777 == 0o660
    back_up(laptop, laptop.parent / "kept.zip")
    restore(laptop.parent / "kept.zip", laptop, replace=True, who=SignedIn(OWNER))
    assert laptop.stat().st_mode & 0o777 == 0o660
