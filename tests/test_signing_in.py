"""Pages for each role, and the ways round them that a browser has: the store refuses each."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest

from benchmark.errors import NotAllowed
from benchmark.show import fit_section, fit_worker, signing_in
from benchmark.store.accounts import Accounts
from benchmark.store.claims import Check, StoredLine, keep_claim, keep_line
from benchmark.store.people import name_role, people
from benchmark.store.roles import NEEDED, Role
from benchmark.store.served import SERVED
from benchmark.store.store import Store
from tests.app_pages import labels, open_page, press, words_on
from tests.signed_in import (
    ENTRANT,
    NO_ROLE,
    OTHER,
    OWNER,
    ROLES,
    STEWARD,
    WORDS,
    cheap_hashes,
    copy_club,
    make_club,
    token_of,
)

VISITOR = "a visitor"


@pytest.fixture(scope="module")
def made(fitted_db, tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        cheap_hashes(patch)
        return make_club(fitted_db, tmp_path_factory.mktemp("made") / "club.duckdb")


@pytest.fixture
def club(tmp_path, made, monkeypatch):
    cheap_hashes(monkeypatch)
    db = copy_club(made, tmp_path / "club.duckdb")
    monkeypatch.setenv("BENCHMARK_DB", str(db))
    monkeypatch.setenv(SERVED, "club")
    return db


@pytest.fixture
def started(monkeypatch):
    """Fits that were really started: none may be by who must not."""
    found = []
    monkeypatch.setattr(fit_worker.subprocess, "Popen", lambda *args, **_: found.append(args))
    monkeypatch.setattr(fit_worker, "starting", lambda _db: None)
    return found


@pytest.fixture
def tab(club, monkeypatch):
    """Open a page in a tab whose browser holds this token."""

    def opened(page: str, token: str | None = None, state=(), **query) -> AppTest:
        monkeypatch.setattr(signing_in, "browser_token", lambda: token)
        return open_page(page, state, **query)

    return opened


@pytest.mark.parametrize("name", [None, ENTRANT, STEWARD])
def test_only_who_may_fit_is_offered_it_and_the_others_read_who_may(club, tab, name):
    at = tab("hand_in.py", token_of(club, name) if name else None)
    may = name in (STEWARD, OWNER)
    assert ("Fit again" in labels(at)) is may
    assert ("may not keep a fit: stewards and owners may" in words_on(at)) is not may


@pytest.mark.parametrize("name", [None, STEWARD])
def test_the_account_page_says_who_is_signed_in(club, tab, name):
    at = tab("account.py", token_of(club, name) if name else None)
    assert at.title[0].value == ("Your account" if name else "Sign in")
    assert ("Signed in as Ben Ruddock, steward" in words_on(at)) is bool(name)
    assert ("Sign out" in labels(at)) is bool(name)


def test_on_a_laptop_nobody_signs_in(tab, monkeypatch, club):
    token = token_of(club, OWNER)
    monkeypatch.delenv(SERVED)
    monkeypatch.setattr(signing_in, "browser_token", lambda: token)
    assert signing_in.who() is None
    at = open_page()
    assert "Sign out" not in labels(at)


def forged_pages(monkeypatch) -> None:
    """A page that was made to offer everything to everybody, as a forged one might."""
    monkeypatch.setattr(fit_section, "why_not", lambda _action: "")


@pytest.mark.parametrize("name", [None, ENTRANT])
def test_a_page_that_offers_too_much_is_refused_by_the_store(club, tab, monkeypatch, started, name):
    forged_pages(monkeypatch)
    at = press(tab("hand_in.py", token_of(club, name) if name else None), "Fit again")
    assert "may not keep a fit: stewards and owners may" in words_on(at)
    assert started == []
    assert [(one.person, one.action) for one in Accounts(club).refusals()] == [
        (name or VISITOR, "fit")
    ]


@pytest.mark.parametrize(
    "query",
    [
        {"role": "owner"},
        {"person": OWNER, "as": OWNER, "who": OWNER, "name": OWNER, "benchmark-session": "x"},
    ],
)
def test_an_address_makes_nobody_an_owner(club, tab, monkeypatch, started, query):
    forged_pages(monkeypatch)
    at = press(tab("hand_in.py", **query), "Fit again")
    assert "a visitor may not keep a fit" in words_on(at)
    assert started == []


def test_forged_session_state_makes_nobody_an_owner(club, tab, monkeypatch, started):
    forged_pages(monkeypatch)
    state = {"role": "owner", "person": OWNER, "who": OWNER, "signed_in": True, "name": OWNER,
             "user": {"is_logged_in": True, "email": OWNER}, "actor": Role.OWNER}  # fmt: skip
    at = press(tab("hand_in.py", state=state), "Fit again")
    assert "a visitor may not keep a fit" in words_on(at)
    assert started == []


@pytest.mark.parametrize("token", ["x" * 43, "Anna Pell", "' or 1=1 --", "\x00", "é"])
def test_a_made_up_token_makes_nobody_an_owner(club, token):
    with (
        Store.open(club, write=True, who=signing_in.BySession(Accounts(club), token)) as store,
        pytest.raises(NotAllowed, match="a visitor may not"),
    ):
        name_role(store, "Mallory", Role.OWNER)


def test_a_second_tab_may_nothing_after_the_sign_out_in_the_first(club, tab, started):
    token = token_of(club, STEWARD)
    second = tab("hand_in.py", token)
    press(tab("account.py", token), "Sign out")
    assert Accounts(club).person(token) is None
    press(second, "Fit again")
    assert "Fit again" not in labels(second)
    assert started == []


def test_a_change_under_way_is_refused_when_its_session_ends_meanwhile(club):
    token = token_of(club, STEWARD)
    by = signing_in.BySession(Accounts(club), token)
    with Store.open(club, write=True, who=by) as store:
        keep_line(store, "Larkhill Ring", "full", StoredLine("1,2,3,4", None))
        by.sign_out()
        with pytest.raises(NotAllowed, match="a visitor may not"):
            keep_line(store, "Larkhill Ring", "full", StoredLine("5,6,7,8", None))


def test_a_role_that_is_taken_away_counts_at_once_in_open_sessions(club):
    by = signing_in.BySession(Accounts(club), token_of(club, STEWARD))
    owner = signing_in.BySession(Accounts(club), token_of(club, OWNER))
    with Store.open(club, write=True, who=owner) as store:
        name_role(store, STEWARD, Role.VISITOR)
    with Store.open(club, write=True, who=by) as store, pytest.raises(NotAllowed):
        store.require("fit")


def test_the_sign_out_beside_the_menu_ends_the_session(club, tab):
    token = token_of(club, ENTRANT)
    at = tab("leaderboard.py", token)
    assert "Cara Finch, entrant" in words_on(at)
    press(at, "Sign out")
    assert Accounts(club).person(token) is None
    assert "Sign out" not in labels(at)


def change_password(at: AppTest, *texts: str) -> str:
    for field, text in zip(at.text_input, texts, strict=True):
        field.set_value(text)
    press(at, "Change the password")
    assert not at.exception
    return words_on(at)


def test_a_password_is_changed_on_the_page(club, tab):
    token, elsewhere = token_of(club, STEWARD), token_of(club, STEWARD)
    said = change_password(tab("account.py", token), WORDS, OTHER, OTHER)
    assert "The password is changed. Other browsers have to sign in again." in said
    accounts = Accounts(club)
    assert (accounts.person(token), accounts.person(elsewhere)) == (STEWARD, None)
    assert accounts.check(STEWARD, OTHER) == STEWARD


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        (("wrong", OTHER, OTHER), "name and password do not fit"),
        ((WORDS, OTHER, WORDS), "The two new passwords differ"),
        ((WORDS, "short", "short"), "take at least 15"),
    ],
)
def test_a_password_that_will_not_do_changes_nothing(club, tab, texts, said):
    assert said in change_password(tab("account.py", token_of(club, STEWARD)), *texts)
    assert Accounts(club).check(STEWARD, WORDS) == STEWARD


def fill(at: AppTest, press_this: str, **given) -> str:
    """Fill the fields whose labels begin so, press, and give what the page says."""
    for start, value in given.items():
        fields = [*at.text_input, *at.selectbox]
        next(f for f in fields if f.label.startswith(start.replace("_", " "))).set_value(value)
    press(at, press_this)
    assert not at.exception
    return words_on(at)


@pytest.mark.parametrize("name", [NO_ROLE, STEWARD])
def test_only_an_owner_is_offered_to_name_people(club, tab, name):
    assert "People of the club" not in [
        part.value for part in tab("account.py", token_of(club, name)).subheader
    ]


def test_an_owner_names_changes_and_removes_people_on_the_page(club, tab):
    at = tab("account.py", token_of(club, OWNER))
    said = fill(at, "Add", Name_of_a_new="Eve Lark", Role=Role.STEWARD)
    assert "Eve Lark is steward." in said
    password = said.partition("shown this once: `")[2].partition("`")[0]
    assert Accounts(club).check("Eve Lark", password) == "Eve Lark"
    assert password not in fill(at, "Change", Person="Eve Lark", Change="Make owner", Why="helps")
    with Store.open(club) as store:
        assert (store.record()[-1].who, store.record()[-1].reason) == (OWNER, "helps")
    said = fill(at, "Change", Person="Eve Lark", Change="Set a new password")
    renewed = said.partition("shown this once: `")[2].partition("`")[0]
    assert Accounts(club).check("Eve Lark", renewed) == "Eve Lark"
    said = fill(at, "Change", Person="Eve Lark", Change="Remove from the club")
    assert "Eve Lark has no role and no password any more." in said
    assert not Accounts(club).has("Eve Lark")
    assert "is the only owner" in fill(at, "Change", Person=OWNER, Change="Remove from the club")
    assert Accounts(club).has(OWNER)


def test_an_owner_whose_session_has_ended_names_nobody(club, tab):
    token = token_of(club, OWNER)
    at = tab("account.py", token)
    Accounts(club).sign_out(token)
    fill(at, "Add", Name_of_a_new="Mallory", Role=Role.OWNER)
    assert not Accounts(club).has("Mallory")
    with Store.open(club) as store:
        assert "Mallory" not in {person.name for person in people(store)}


CHANGES = {
    "fit": lambda store: store.keep_fit(store.latest_fit()),
    "keep_claim": lambda store: keep_claim(store, "{}", Check("stands", "1", 1, "{}")),
    "keep_line": lambda store: keep_line(store, "A", "full", StoredLine("1,2,3,4", None)),
    "name_role": lambda store: name_role(store, NO_ROLE, Role.OWNER),
}


@pytest.mark.parametrize("action", list(CHANGES))
@pytest.mark.parametrize("name", [None, NO_ROLE, ENTRANT, STEWARD, OWNER])
def test_a_direct_call_is_allowed_by_the_role_of_the_session_alone(club, action, name):
    who = signing_in.BySession(Accounts(club), token_of(club, name)) if name else None
    with Store.open(club, write=True, who=who) as store:
        if ROLES.get(name, Role.VISITOR) >= NEEDED[action]:
            CHANGES[action](store)
            return
        with pytest.raises(NotAllowed):
            CHANGES[action](store)
        assert {person.name for person in people(store)} == set(ROLES)
    assert [one.action for one in Accounts(club).refusals()] == [action]


def test_served_to_a_club_nobody_is_the_user_of_the_machine(fitted_db, tmp_path, monkeypatch):
    """Not even in a store in which nobody has a role: no stranger may name the first owner."""
    monkeypatch.setenv(SERVED, "club")
    db = tmp_path / "laps.duckdb"
    db.write_bytes(fitted_db.read_bytes())
    with Store.open(db, write=True) as store, pytest.raises(NotAllowed):
        name_role(store, "Mallory", Role.OWNER)
