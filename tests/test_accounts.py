"""Accounts: what is kept of a password, how failures slow down, when a session ends."""

from __future__ import annotations

import sqlite3
import stat
import subprocess
import sys

import pytest
from argon2 import PasswordHasher, Type, extract_parameters

from benchmark.errors import BadQuestion, BenchmarkError
from benchmark.store import accounts as accounts_module
from benchmark.store import passwords, sessions, throttle
from benchmark.store.accounts import Accounts, SignInFailed, note_refusal, person_name
from benchmark.store.people_file import people, people_path
from tests.signed_in import AWAY, HOME, OTHER, WORDS, cheap_hashes


class Clock:
    def __init__(self) -> None:
        self.now = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def cheap(monkeypatch):
    """Hashes that cost nothing, where the test is about something else."""
    cheap_hashes(monkeypatch)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def accounts(tmp_path, clock, cheap):
    found = Accounts(tmp_path / "laps.duckdb", clock=clock)
    found.add("Anna Pell", WORDS)
    return found


def fail(accounts: Accounts, times: int, name: str = "Anna Pell", address: str = AWAY, **more):
    for _ in range(times):
        with pytest.raises(SignInFailed):
            accounts.sign_in(name, "wrong", address=address, **more)


def waited(accounts: Accounts, name: str = "Anna Pell", address: str = AWAY, **more) -> float:
    with pytest.raises(SignInFailed) as caught:
        accounts.sign_in(name, WORDS, address=address, **more)
    return caught.value.wait_s


def test_the_hash_is_argon2id_with_the_parameters_of_the_standard():
    # RFC 9106 (September 2021), section 4, "SECOND RECOMMENDED option" (from memory): Argon2id with
    # t = 3 iterations, p = 4 lanes, m = 2^16 KiB, a salt of 128 bits, a tag of 256 bits.
    found = extract_parameters(passwords.hashed(WORDS))
    assert found.type is Type.ID
    assert (found.time_cost, found.parallelism, found.memory_cost) == (3, 4, 2**16)
    assert (found.salt_len * 8, found.hash_len * 8) == (128, 256)


def test_a_password_fits_its_hash_and_no_other():
    kept = passwords.hashed(WORDS)
    assert passwords.fits(WORDS, kept)
    assert not passwords.fits(WORDS + " ", kept)
    assert not passwords.fits(WORDS, None)
    assert passwords.hashed(WORDS) != kept


def test_the_hash_of_nobody_costs_what_a_real_one_does():
    real, nobodys = (extract_parameters(h) for h in (passwords.hashed(WORDS), passwords.NOBODYS))
    assert real == nobodys


def test_two_ways_to_write_a_letter_are_one_password(cheap):
    assert passwords.fits("ﬁve words with é in them", passwords.hashed("five words with é in them"))


@pytest.mark.parametrize(
    ("password", "said"),
    [
        ("too short", "has 9 characters: take at least 15"),
        ("x" * 300, "longer than 256 characters"),
        ("abababababababab", "easily guessed"),
        ("ANNA PELL OF HIGHMARL", "easily guessed"),
    ],
)
def test_a_password_that_will_not_do_is_refused(password, said):
    with pytest.raises(BadQuestion, match=said):
        passwords.check_password(password, "Anna Pell of Highmarl")


def test_no_rule_of_composition_is_asked_for():
    passwords.check_password("only lower case letters", "Anna Pell")


def test_a_password_made_for_somebody_will_do():
    made = {passwords.new_password() for _ in range(20)}
    assert len(made) == 20
    for password in made:
        passwords.check_password(password, "Anna Pell")


def test_a_hash_of_weaker_parameters_is_made_anew_at_sign_in(accounts, monkeypatch):
    before = kept_hash(accounts)
    monkeypatch.setattr(passwords, "HASHER", PasswordHasher(2, 16, 1))
    accounts.sign_in("Anna Pell", WORDS, address=HOME)
    assert kept_hash(accounts) != before
    assert extract_parameters(kept_hash(accounts)).memory_cost == 16
    accounts.sign_in("Anna Pell", WORDS, address=HOME)


def kept_hash(accounts: Accounts) -> str:
    with people(accounts.db) as file:
        return file.execute("select hash from account").fetchone()[0]


@pytest.mark.parametrize("name", ["anna pell", "ANNA  PELL ", "\uff21nna Pell"])
def test_a_name_is_one_whatever_its_case_and_width(accounts, name):
    assert accounts.sign_in(name, WORDS, address=HOME).name == "Anna Pell"
    with pytest.raises(BadQuestion, match="has an account already"):
        accounts.add(name, WORDS)


@pytest.mark.parametrize(
    "name", ["", "  ", "x" * 101, "Anna\u202ePell", "Anna\u200bPell", "a\x00b"]
)
def test_a_name_that_cannot_be_one_is_refused(name):
    with pytest.raises(BadQuestion):
        person_name(name)


def test_an_address_of_mail_is_kept_in_lower_case():
    assert person_name("Anna@Club.Example") == "anna@club.example"


def test_neither_password_nor_token_is_in_any_file(accounts, tmp_path):
    signed_in = accounts.sign_in("Anna Pell", WORDS, address=HOME)
    with people(accounts.db):
        everything = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert b"Anna Pell" in everything
    for secret in (WORDS, signed_in.token, signed_in.device):
        assert secret.encode() not in everything


def test_nobody_else_may_read_the_file_or_its_companions(accounts, tmp_path):
    with people(accounts.db):
        modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    assert set(modes) == {f"laps.duckdb.people{end}" for end in ("", "-wal", "-shm")}
    assert set(modes.values()) == {0o600}


def test_an_unknown_name_gets_the_answer_of_a_wrong_password(accounts):
    said = []
    for name in ("Anna Pell", "Nobody"):
        with pytest.raises(SignInFailed) as caught:
            accounts.sign_in(name, "wrong", address=HOME)
        said.append(str(caught.value))
    assert said[0] == said[1]


def test_an_unknown_name_costs_as_much_work(accounts, monkeypatch):
    checked = []
    real = passwords.HASHER.verify

    class Counting(PasswordHasher):
        def verify(self, *args):
            checked.append(args[0])
            return real(*args)

    monkeypatch.setattr(passwords, "HASHER", Counting(1, 8, 1))
    fail(accounts, 1, "Anna Pell")
    fail(accounts, 1, "Nobody")
    assert len(checked) == 2


def test_a_wait_doubles_from_a_second_to_a_quarter_of_an_hour():
    waits = [throttle.wait_s("pair", count) for count in (5, 6, 7, 10, 15, 16, 1000)]
    assert waits == [0, 1, 2, 16, 512, 900, 900]


def test_the_sixth_failure_waits_and_the_right_password_meanwhile_too(accounts, clock):
    fail(accounts, 6)
    assert waited(accounts) == 1
    clock.now += 1
    assert accounts.sign_in("Anna Pell", WORDS, address=AWAY).name == "Anna Pell"
    fail(accounts, 5)  # a sign-in has set the count of this name from here back


def test_an_attempt_that_came_too_early_is_not_counted(accounts, clock):
    fail(accounts, 6)
    assert [round(waited(accounts)) for _ in range(5)] == [1] * 5
    clock.now += 1
    fail(accounts, 1)
    assert waited(accounts) == 2


def test_unknown_names_wait_as_known_ones_do(accounts):
    fail(accounts, 6, "Nobody")
    assert waited(accounts, "Nobody") == 1


def test_failures_elsewhere_do_not_shut_a_person_out(accounts, clock):
    for _ in range(120):  # a stranger who tries for days from one address
        fail(accounts, 1)
        clock.now += 900
    assert accounts.sign_in("Anna Pell", WORDS, address=HOME).name == "Anna Pell"


def test_guesses_from_many_addresses_wait_but_not_a_browser_that_is_known(accounts, clock):
    device = accounts.sign_in("Anna Pell", WORDS, address=HOME).device
    for at in range(21):
        for _ in range(5):
            fail(accounts, 1, address=f"198.51.100.{at}")
            clock.now += 20
    clock.now -= 20
    assert waited(accounts, address="203.0.113.9") == 16
    assert accounts.sign_in("Anna Pell", WORDS, address="203.0.113.9", device=device)
    with pytest.raises(SignInFailed):  # the token of the browser is no password
        accounts.sign_in("Anna Pell", "wrong", address="203.0.113.9", device=device)


def test_a_known_browser_has_its_own_wait_and_helps_no_other_name(accounts, clock):
    accounts.add("Ben Ruddock", OTHER)
    device = accounts.sign_in("Anna Pell", WORDS, address=HOME).device
    fail(accounts, 6, device=device)
    assert waited(accounts, device=device) == 1
    fail(accounts, 6, "Ben Ruddock", device=device)
    assert waited(accounts, "Ben Ruddock", device=device) == 1


def test_one_address_cannot_try_name_after_name(accounts):
    for at in range(31):
        fail(accounts, 1, f"Name {at}")
    assert waited(accounts) == 1


def test_an_account_of_ones_own_does_not_open_the_address_again(accounts, clock):
    accounts.add("Ben Ruddock", OTHER)
    for at in range(36):
        clock.now += 1000
        fail(accounts, 1, f"Name {at}")
        clock.now += 1000
        accounts.sign_in("Ben Ruddock", OTHER, address=AWAY)
    fail(accounts, 1, "Name 36")
    assert waited(accounts) >= 60


def test_a_day_without_a_failure_forgets_it(accounts, clock):
    fail(accounts, 6)
    clock.now += throttle.FORGOTTEN_AFTER_S
    fail(accounts, 5)
    assert accounts.sign_in("Anna Pell", WORDS, address=AWAY)


def test_attempts_at_once_are_counted_before_they_are_looked_at(accounts, monkeypatch):
    """While one password is being looked at, the attempt stands as failed already."""
    seen = []

    def slow(_password, _kept):
        with people(accounts.db) as file:
            row = file.execute("select count from failure where what like 'pair:%'").fetchone()
        seen.append(row[0])
        return True

    monkeypatch.setattr(accounts_module, "fits", slow)
    accounts.sign_in("Anna Pell", WORDS, address=HOME)
    assert seen == [1]


def test_addresses_of_one_network_of_the_sixth_version_are_one():
    # RFC 4291, section 2.5.4: the interface identifier has 64 bits; 2001:db8::/32 is RFC 3849's.
    one, other = throttle.network_of("2001:db8::1"), throttle.network_of("2001:db8::ffff:1")
    assert one == other == "2001:db8::/64"
    assert throttle.network_of("2001:db8:0:1::1") != one
    assert throttle.network_of("::ffff:192.0.2.1") == "192.0.2.1"


def test_the_table_of_failures_is_bounded(accounts, monkeypatch):
    monkeypatch.setattr(throttle, "MOST_ROWS", 50)
    for at in range(60):
        fail(accounts, 1, f"Name {at}", address=f"2001:db8:{at}::1")
    with people(accounts.db) as file:
        assert file.execute("select count(*) from failure").fetchone()[0] <= 50


def test_a_session_ends_when_it_stands_idle(accounts, clock):
    token = accounts.sign_in("Anna Pell", WORDS, address=HOME).token
    for _ in range(3):
        clock.now += sessions.IDLE_S - 1
        assert accounts.person(token) == "Anna Pell"
    clock.now += sessions.IDLE_S
    assert accounts.person(token) is None


def test_a_session_ends_when_it_is_old_however_much_it_is_used(accounts, clock):
    token = accounts.sign_in("Anna Pell", WORDS, address=HOME).token
    steps = int(sessions.LONGEST_S / sessions.IDLE_S * 2)
    for _ in range(steps - 1):
        clock.now += sessions.IDLE_S / 2
        assert accounts.person(token) == "Anna Pell"
    clock.now += sessions.IDLE_S / 2
    assert accounts.person(token) is None


def test_a_sign_out_ends_that_session_and_no_other(accounts):
    first, second = (accounts.sign_in("Anna Pell", WORDS, address=HOME).token for _ in range(2))
    accounts.sign_out(first)
    assert accounts.person(first) is None
    assert accounts.person(second) == "Anna Pell"


@pytest.mark.parametrize("token", [None, "", "x", "' or 1=1 --", "\x00"])
def test_a_made_up_token_is_nobody(accounts, token):
    assert accounts.person(token) is None


def test_another_password_ends_the_other_sessions(accounts):
    here, there = (accounts.sign_in("Anna Pell", WORDS, address=HOME) for _ in range(2))
    accounts.change_password(here.token, WORDS, OTHER, address=HOME)
    assert accounts.person(here.token) == "Anna Pell"
    assert accounts.person(there.token) is None
    fail(accounts, 1)
    assert accounts.sign_in("Anna Pell", OTHER, address=HOME)


def test_a_password_is_changed_only_with_the_old_one_and_throttled(accounts):
    token = accounts.sign_in("Anna Pell", WORDS, address=HOME).token
    for _ in range(6):
        with pytest.raises(SignInFailed):
            accounts.change_password(token, "wrong", OTHER, address=HOME)
    with pytest.raises(SignInFailed, match="wait 1 s"):
        accounts.change_password(token, WORDS, OTHER, address=HOME)
    accounts.sign_out(token)
    with pytest.raises(SignInFailed):
        accounts.change_password(token, WORDS, OTHER, address=HOME)


def test_a_password_set_anew_forgets_the_failures_of_the_name(accounts):
    fail(accounts, 6)
    accounts.set_password("Anna Pell", OTHER)
    assert accounts.sign_in("Anna Pell", OTHER, address=AWAY)


def test_an_account_that_is_gone_is_signed_out_at_once(accounts):
    token = accounts.sign_in("Anna Pell", WORDS, address=HOME).token
    assert accounts.remove("anna pell")
    assert accounts.person(token) is None
    assert not accounts.has("Anna Pell")
    assert not accounts.remove("Anna Pell")


def test_the_list_says_who_was_last_seen_when(accounts, clock):
    accounts.add("Ben Ruddock", OTHER)
    accounts.sign_in("Anna Pell", WORDS, address=HOME)
    assert [(a.name, a.seen_at) for a in accounts.all()] == [
        ("Anna Pell", clock.now),
        ("Ben Ruddock", None),
    ]


def test_a_store_without_accounts_gets_no_file_from_being_asked(tmp_path):
    found = Accounts(tmp_path / "laps.duckdb")
    assert (found.all(), found.person("x"), found.refusals()) == ([], None, [])
    assert not people_path(found.db).exists()


def test_a_file_that_is_something_else_is_told(tmp_path):
    people_path(tmp_path / "laps.duckdb").write_text("not a database at all" * 50)
    with pytest.raises(BenchmarkError, match=r"laps\.duckdb\.people is no file of sign-ins"):
        Accounts(tmp_path / "laps.duckdb").all()


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(BenchmarkError, match="cannot be used"):
        Accounts(tmp_path / "no" / "laps.duckdb").add("Anna Pell", WORDS)


def test_a_refusal_is_noted_and_the_same_again_is_counted(tmp_path):
    db = tmp_path / "laps.duckdb"
    for _ in range(3):
        note_refusal(db, None, "strike", "lap 3\nof\x00 run 1")
    note_refusal(db, "Anna Pell", "fit", "x" * 1000)
    latest, first = Accounts(db).refusals()
    assert (latest.person, latest.action, len(latest.detail), latest.times) == (
        "Anna Pell", "fit", 200, 1)  # fmt: skip
    assert (first.person, first.detail, first.times) == ("a visitor", "lap 3 of  run 1", 3)


def test_refusals_are_bounded(tmp_path, monkeypatch):
    monkeypatch.setattr(accounts_module, "MOST_REFUSALS", 20)
    for at in range(30):
        note_refusal(tmp_path / "laps.duckdb", None, "strike", f"lap {at}")
    kept = Accounts(tmp_path / "laps.duckdb").refusals()
    assert [one.detail for one in kept] == [f"lap {at}" for at in range(29, 9, -1)]


def test_a_refusal_that_cannot_be_noted_is_no_fault(tmp_path, caplog):
    note_refusal(tmp_path / "no" / "laps.duckdb", None, "strike", "lap 3")
    assert "could not be noted" in caplog.text


BOTH = """
import sys
from benchmark.store.accounts import note_refusal
for at in range(60):
    note_refusal(sys.argv[1], sys.argv[2], "strike", f"lap {at}")
"""


def test_two_processes_at_once_lose_nothing(tmp_path):
    db = tmp_path / "laps.duckdb"
    children = [
        subprocess.Popen([sys.executable, "-c", BOTH, str(db), name], stderr=subprocess.DEVNULL)
        for name in ("Anna Pell", "Ben Ruddock")
    ]
    assert [child.wait() for child in children] == [0, 0]
    assert len(Accounts(db).refusals()) == 120
    with sqlite3.connect(people_path(db)) as connection:
        assert connection.execute("pragma integrity_check").fetchone() == ("ok",)
    assert {path.name for path in tmp_path.iterdir()} <= {
        f"laps.duckdb.people{end}" for end in ("", "-wal", "-shm")
    }
