"""Every change that the app offers, pressed in every role on pages that offer it to all.

The pages are forged: they believe that an owner looks at them, and hide nothing. Who is signed in
is another matter, and the store asks that: it refuses, notes the refusal and stays as it was, until
somebody whose role allows the change presses the same button.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from benchmark.show import signing_in
from benchmark.store.accounts import Accounts
from benchmark.store.roles import NEEDED, Actor, Role
from benchmark.store.served import CLUB, SERVED
from benchmark.store.store import Store
from tests.app_pages import open_page, words_on
from tests.clubs import ENTRANT, OWNER, STEWARD, As, handed_in, seed, sheet
from tests.lap_files import lap
from tests.rulings import state

pytestmark = pytest.mark.slow

BY_ROLE = {Role.VISITOR: None, Role.ENTRANT: ENTRANT, Role.STEWARD: STEWARD, Role.OWNER: OWNER}
FORGED = Actor("somebody forged", Role.OWNER)
REFUSED = ("may not", "takes files from people who have signed in")
NOTHING_TO_PRESS = ("No file waits", "Now you are a visitor")
TABLES = ("record", "submission", "mapping", "evidence", "person", "setting")


@dataclass(frozen=True)
class Press:
    """A change on a page: where it is, what is filled in first, the button, the least role."""

    action: str
    button: str
    fill: Callable[[AppTest], None]
    file: str = "steward.py"
    desk: str = "Queue"
    needed: Role = Role.STEWARD


def reason(key: str) -> Callable[[AppTest], None]:
    return lambda at: at.text_input(key=f"reason_{key}").set_value("as was decided") and None


def refuse(at: AppTest) -> None:
    at.radio[0].set_value("Refuse it").run()
    reason("refuse_1")(at)


def strike(at: AppTest) -> None:
    box = next(box for box in at.checkbox if "lap 2" in box.label)
    box.check().run()
    reason("laps_Strike laps")(at)


def correct(at: AppTest) -> None:
    at.multiselect[0].select("tyre_category").run()
    at.selectbox(key="right_tyre_category").set_value("slick").run()
    reason("correct")(at)


def undo(at: AppTest) -> None:
    reason(f"undo_{at.selectbox(key='undo_line').value.number}")(at)


def upload(at: AppTest) -> None:
    _, body = sheet(Path(str(at.session_state["folder"])), [lap(1, session="S9")])
    at.file_uploader[0].upload("new.csv", body, "text/csv").run()


def hand_in(at: AppTest) -> None:
    upload(at)
    at.radio(key="hand_over_files").set_value("Let a steward look at it first").run()


def name_somebody(at: AppTest) -> None:
    next(box for box in at.text_input if box.label.startswith("Name of a new")).set_value("Mal Vow")


def map_columns(at: AppTest) -> None:
    _, body = sheet(Path(str(at.session_state["folder"])))
    at.file_uploader(key="foreign").upload("office.csv", body, "text/csv").run()
    at.text_input(key="map_name").set_value("office").run()


PRESSES = {
    "accept": Press("accept", "Accept this file", lambda _: None),
    "refuse": Press("refuse", "Refuse this file", refuse),
    "strike": Press("strike", "Strike 1 lap", strike, desk="Laps"),
    "merge": Press("merge", "Merge the two names", reason("merge_build"), desk="Names"),
    "correct": Press("correct", "Correct these runs", correct, desk="Specification"),
    "protest": Press("protest", "Open the protest period", reason("protest_open"), desk="Protests"),
    "undo": Press("undo", "Undo this line", undo, desk="Record"),
    "settings": Press(
        "settings",
        "Visitors may hand in",
        reason("visitors_yes"),
        desk="Settings",
        needed=Role.OWNER,
    ),
    "name a person": Press("name_role", "Add", name_somebody, file="account.py", needed=Role.OWNER),
    "store laps": Press("add", "Store 1 file", upload, file="hand_in.py"),
    "hand in": Press("hand_in", "Hand in 1 file", hand_in, file="hand_in.py", needed=Role.ENTRANT),
    "keep a mapping": Press("keep_mapping", "Keep the mapping", map_columns, file="hand_in.py"),
}


@pytest.fixture
def here(club_db: Path, monkeypatch: pytest.MonkeyPatch) -> As:
    """Somebody at a page of a club with laps, two names of one car and a file that waits."""
    seed(club_db, lap(1), lap(2), lap(1, build="Blue-Heron", session="S2"))
    handed_in(club_db, ENTRANT, lap(1, session="S5"))
    person = As(OWNER)
    monkeypatch.setenv(SERVED, CLUB)
    monkeypatch.setenv("BENCHMARK_DB", str(club_db))
    monkeypatch.setattr(signing_in, "sign_in_here", lambda: person if person.name else None)
    for name, module in list(sys.modules.items()):
        if name.startswith("benchmark.show"):
            for forged, value in (("why_not", lambda _: ""), ("actor", lambda: FORGED)):
                if hasattr(module, forged):
                    monkeypatch.setattr(module, forged, value)
    return person


def all_of(db: Path) -> tuple[object, ...]:
    with Store.open(db) as store:
        counts = [store._rows(f"select count(*) from {table}")[0][0] for table in TABLES]
        return state(store), counts, store._rows("select state from submission order by all")


@pytest.mark.parametrize("change", list(PRESSES))
def test_a_change_is_pressed_in_every_role(change: str, here: As, club_db: Path) -> None:
    asked = PRESSES[change]
    query = {"desk": asked.desk} if asked.file == "steward.py" else {}
    at = open_page(asked.file, {"folder": club_db.parent}, **query)
    asked.fill(at)
    before = all_of(club_db)
    for role in reversed([role for role in Role if role < asked.needed]):
        here.name = BY_ROLE[role]
        try_it(at, asked)
        assert all_of(club_db) == before
        if at.error:
            assert any(said in words_on(at) for said in REFUSED)
            told = [(one.person, one.action) for one in Accounts(club_db).refusals()]
            assert (here.name or "a visitor", asked.action) in told
        else:  # what waits and the people are not shown to a visitor: there is nothing to press
            assert role is Role.VISITOR
            assert any(said in words_on(at) for said in NOTHING_TO_PRESS)
    here.name = BY_ROLE[asked.needed]
    at = open_page(asked.file, {"folder": club_db.parent}, **query)
    asked.fill(at)
    try_it(at, asked)
    assert all_of(club_db) != before


def try_it(at: AppTest, asked: Press) -> None:
    """Press the button; where a page tries a change before it offers it, draw that page."""
    button = next((one for one in at.button if one.label == asked.button), None)
    if asked.file == "account.py" and button:
        asked.fill(at)  # that form is empty again after a press
    (button.click() if button else at).run()
    assert not at.exception


def test_each_change_that_needs_a_role_is_pressed_or_tried_elsewhere() -> None:
    elsewhere = {
        "fit",  # test_signing_in.py: a page that offers too much
        "keep_claim",  # test_kept_claims.py
        "add_evidence",
        "withdraw",  # My laps shows one's own alone; tried by direct call in test_roles.py
        "unstrike",  # the same form as striking
        "keep_line",  # by command alone
        "restore",  # by command alone: test_backup.py
    }
    assert {one.action for one in PRESSES.values()} | elsewhere == set(NEEDED)
