"""People for whom a provider vouches: whose word counts, for whom, and for how long."""

from __future__ import annotations

import pytest

from benchmark.errors import BadQuestion
from benchmark.show import provider, signing_in
from benchmark.store import sessions
from benchmark.store.accounts import Accounts
from benchmark.store.served import SERVED
from benchmark.store.vouching import end_vouched, read_claims, vouched_person

NOW = 1_800_000_000.0
# What a provider says of a person: OpenID Connect Core 1.0, sections 2 (ID Token) and 5.1 (standard
# claims), from memory. `is_logged_in` is Streamlit's.
CLAIMS = {
    "is_logged_in": True,
    "iss": "https://provider.example",
    "sub": "248289761001",
    "aud": "club",
    "email": "Anna@Club.Example",
    "email_verified": True,
    "iat": int(NOW),
    "nonce": "n-0S6_WzA2Mj",
}


def person(db, at: float = NOW, **changed) -> str | None:
    vouched = read_claims({**CLAIMS, **changed})
    return vouched and vouched_person(db, vouched, clock=lambda: at)


@pytest.fixture
def db(tmp_path):
    return tmp_path / "laps.duckdb"


def test_the_person_is_the_verified_address(db):
    assert person(db) == "anna@club.example"


@pytest.mark.parametrize("said", [True, "true"])
def test_both_ways_to_say_verified_count(db, said):
    assert person(db, email_verified=said) == "anna@club.example"


@pytest.mark.parametrize(
    "changed",
    [
        {"email_verified": False},
        {"email_verified": None},
        {"email_verified": "false"},
        {"email_verified": 1.5},
        {"is_logged_in": False},
        {"is_logged_in": None},
        {"email": None},
        {"email": "Anna Pell"},
        {"email": "a@b\u202e"},
        {"email": "\uff41nna@club.example"},  # written like anna@club.example in normal form
        {"email": "mar\u212a@club.example"},
        {"iss": ""},
        {"sub": None},
        {"iat": None},
        {"iat": "now"},
    ],
)
def test_whom_the_provider_does_not_vouch_for_is_a_visitor(db, changed):
    assert person(db, **changed) is None


def test_nobody_signed_in_at_a_provider_is_a_visitor(db):
    assert read_claims({}) is None


@pytest.mark.parametrize("changed", [{"sub": "another"}, {"iss": "https://other.example"}])
def test_an_address_that_was_given_away_is_not_the_same_person(db, changed):
    assert person(db) == "anna@club.example"
    assert person(db, **changed, nonce="2") is None
    assert person(db, nonce="3") == "anna@club.example"
    assert Accounts(db).refusals()[0].person == "anna@club.example"


def test_an_owner_who_removes_the_first_lets_the_second_in(db):
    person(db)
    Accounts(db).remove("anna@club.example")
    assert person(db, sub="another", nonce="2") == "anna@club.example"
    assert person(db) is None  # that sign-in was ended


def test_a_sign_out_ends_the_sign_in_in_every_tab_and_for_good(db):
    assert person(db)
    end_vouched(db, read_claims(CLAIMS), clock=lambda: NOW)
    assert person(db) is None
    assert person(db, at=NOW + 3600) is None
    assert person(db, iat=int(NOW) + 10, nonce="2") == "anna@club.example"


def test_a_sign_out_holds_after_its_row_is_gone(db):
    person(db)
    end_vouched(db, read_claims(CLAIMS), clock=lambda: NOW)
    later = NOW + sessions.LONGEST_S + 1
    assert person(db, at=later, email="b@club.example", iat=later, sub="2") == "b@club.example"
    assert person(db, at=later) is None


def test_a_sign_in_grows_old_and_idle(db):
    assert person(db)
    assert person(db, at=NOW + sessions.IDLE_S) is None
    assert person(db, at=NOW + 1, nonce="2")
    assert person(db, at=NOW + sessions.LONGEST_S, nonce="3") is None


def test_a_sign_in_of_the_future_is_none(db):
    assert person(db, at=NOW - 3600) is None


def test_a_page_asks_no_provider_that_was_not_named(db, monkeypatch):
    """Whatever the claims say: without the file of a provider nobody vouches for anybody."""
    monkeypatch.setenv(SERVED, "club")
    monkeypatch.setenv("BENCHMARK_DB", str(db))
    monkeypatch.setattr(signing_in, "browser_token", lambda: None)
    monkeypatch.setattr(signing_in, "claims", lambda: CLAIMS)
    monkeypatch.setattr(signing_in, "provider_names", list)
    assert signing_in.who() is None
    monkeypatch.setattr("benchmark.store.vouching.time.time", lambda: NOW)
    monkeypatch.setattr(signing_in, "provider_names", lambda: [None])
    monkeypatch.setattr(
        signing_in, "vouched_person", lambda db, v: vouched_person(db, v, clock=lambda: NOW)
    )
    by = signing_in.who()
    assert by is not None
    assert by.person() == "anna@club.example"


SECRET = "x" * 32
ONE = f'''
[auth]
redirect_uri = "https://laps.example/oauth2callback"
cookie_secret = "{SECRET}"
client_id = "club"
client_secret = "s"
server_metadata_url = "https://provider.example/.well-known/openid-configuration"
'''
TWO = f'''
[auth]
redirect_uri = "https://laps.example/oauth2callback"
cookie_secret = "{SECRET}"
[auth.north]
client_id = "club"
client_secret = "s"
server_metadata_url = "https://north.example/.well-known/openid-configuration"
[auth.south]
client_id = "club"
client_secret = "s"
server_metadata_url = "http://127.0.0.1:9000/.well-known/openid-configuration"
'''


@pytest.mark.parametrize(("text", "names"), [(ONE, [None]), (TWO, ["north", "south"])])
def test_the_file_of_a_provider_names_those_there_are(tmp_path, text, names):
    path = tmp_path / "provider.toml"
    path.write_text(text, encoding="utf-8")
    assert provider.providers(path) == names


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[auth]", "[other]", "has no table"),
        ("[auth]", "[auth", "cannot be read"),
        ("/oauth2callback", "/", "redirect_uri"),
        ("https://laps", "http://laps", "redirect_uri"),
        (SECRET, "short", "cookie_secret: write at least 32"),
        ('client_id = "club"', "", "names no provider"),
        ('client_secret = "s"', "", "client_secret: is missing"),
        ("https://provider", "http://provider", "must begin with https"),
    ],
)
def test_a_file_of_a_provider_that_will_not_do_says_where(tmp_path, old, new, said):
    path = tmp_path / "provider.toml"
    path.write_text(ONE.replace(old, new), encoding="utf-8")
    with pytest.raises(BadQuestion, match=r"provider\.toml") as caught:
        provider.providers(path)
    assert said in str(caught.value)


def test_a_file_of_a_provider_that_is_not_there_is_told(tmp_path):
    with pytest.raises(BadQuestion, match="cannot be read"):
        provider.providers(tmp_path / "none.toml")
