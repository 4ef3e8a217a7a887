"""Who may change what: every change of a store, tried in every role by direct call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import pytest

from benchmark.errors import BadQuestion, NotAllowed
from benchmark.store import claims, deciding, handing_in, mappings, people, rulings
from benchmark.store import settings as club
from benchmark.store.accounts import Accounts
from benchmark.store.claims import Check, StoredLine
from benchmark.store.evidence import CLAIM, add_evidence
from benchmark.store.roles import NEEDED, Actor, Role, machine_user, require, role_of
from benchmark.store.rulings import Correction
from benchmark.store.store import Store
from tests.lap_files import KEY, lap, read_once, write
from tests.rulings import add, new_store, state
from tests.test_evidence import PDF
from tests.test_store import Kept

DAY = date(2025, 4, 12)
PEOPLE = {
    "Una Tern": Role.OWNER,
    "Sid Rook": Role.STEWARD,
    "Eve Wren": Role.ENTRANT,
    "Vic Finch": Role.VISITOR,
}
BY_ROLE = {role: name for name, role in PEOPLE.items()}


@dataclass
class SignedIn:
    """A person, until the session ends."""

    name: str | None

    def person(self) -> str | None:
        return self.name


@pytest.fixture(scope="module")
def club_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A club's store with a struck lap, a file that waits, and two names of one car."""
    folder = tmp_path_factory.mktemp("club")
    with new_store(folder) as store:
        add(store, [lap(1), lap(2), lap(3), lap(1, session="S2", build="Heron")])
        store.strike({**KEY, "lap": 3}, reason="cut")
        rulings.protest(store, "open", ("Quillmoor", DAY), reason="now")
        path = write(folder, [lap(1, session="S5")], name="waits.csv")
        handing_in.hand_in(store, read_once(path), path.read_bytes())
        for name, role in PEOPLE.items():
            people.name_role(store, name, role)
            store.who = SignedIn("Una Tern")
        claims.keep_claim(store, '{"kept": "before"}', Check("x", "f", 1, "{}"))
        store.who = SignedIn("Eve Wren")
        path = write(folder, [lap(1, session="S6")], name="own.csv")
        handing_in.hand_in(store, read_once(path), path.read_bytes())
    return folder / "laps.duckdb"


@pytest.fixture
def db(club_store: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "laps.duckdb"
    copy.write_bytes(club_store.read_bytes())
    return copy


def table(store: Store, name: str, session: str) -> Path:
    return write(store.path.parent, [lap(1, session=session)], name=name)


def add_laps(store: Store) -> None:
    store.add(read_once(table(store, "new.csv", "S7")))


def hand_in(store: Store) -> None:
    path = table(store, "handed.csv", "S8")
    handing_in.hand_in(store, read_once(path), path.read_bytes())


def accept(store: Store) -> None:
    deciding.accept(store, 1, read_once(table(store, "waits.csv", "S5")))


def correct(store: Store) -> None:
    rulings.correct(store, Correction("Heron", {"mod_aero": "1"}, DAY), reason="wing")


CHANGES: dict[str, tuple[str, Callable[[Store], object]]] = {
    "add": ("add", add_laps),
    "hand in": ("hand_in", hand_in),
    "accept": ("accept", accept),
    "refuse": ("refuse", lambda s: deciding.refuse(s, 1, reason="no")),
    "strike": ("strike", lambda s: s.strike(KEY, reason="cut")),
    "unstrike": ("unstrike", lambda s: s.unstrike({**KEY, "lap": 3}, reason="seen")),
    "correct": ("correct", correct),
    "merge": ("merge", lambda s: rulings.merge(s, "build", ("Heron", "Blue Heron"), reason="one")),
    "close protest": (
        "protest",
        lambda s: rulings.protest(s, "closed", ("Quillmoor", DAY), reason="over"),
    ),
    "undo": ("undo", lambda s: rulings.undo(s, 2, reason="seen")),
    "take back a file": ("withdraw", lambda s: deciding.withdraw(s, 2)),
    "add evidence": ("add_evidence", lambda s: add_evidence(s, CLAIM, 1, PDF)),
    "undo a role": ("name_role", lambda s: rulings.undo(s, 7, reason="gone")),
    "fit": ("fit", lambda s: s.keep_fit(Kept())),  # type: ignore[arg-type]
    "keep a claim": ("keep_claim", lambda s: claims.keep_claim(s, "{}", Check("x", "f", 1, "{}"))),
    "keep a line": (
        "keep_line",
        lambda s: claims.keep_line(s, "Quillmoor", "full", StoredLine("1,2 3,4", None)),
    ),
    "keep a mapping": ("keep_mapping", lambda s: mappings.keep_mapping(s, "sheet", "[columns]")),
    "give a role": ("name_role", lambda s: people.name_role(s, "Nan Gull", Role.STEWARD)),
    "take a role": ("name_role", lambda s: people.name_role(s, "Sid Rook", Role.VISITOR)),
    "change a setting": (
        "settings",
        lambda s: club.change_setting(s, club.VISITORS_HAND_IN, "yes"),
    ),
}


def test_every_kind_of_change_is_tried() -> None:
    tried = {action for action, _ in CHANGES.values()}
    assert tried == set(NEEDED) - {"restore"}  # which replaces the file: test_backup.py


def needed(change: str) -> Role:
    """Give the least role; whether visitors hand in is a club's setting, by default they do not."""
    return Role.ENTRANT if change == "hand in" else NEEDED[CHANGES[change][0]]


def rows(store: Store) -> list[int]:
    """Count the rows of the tables, one of which each change adds to."""
    tables = ("record", "submission", "fit", "claim", "timing_line", "mapping", "evidence")
    return [store._rows(f"select count(*) from {table}")[0][0] for table in tables]


@pytest.mark.parametrize(
    ("change", "role"),
    [(change, role) for change in CHANGES for role in Role if role >= needed(change)],
)
def test_who_may_makes_the_change(db: Path, change: str, role: Role) -> None:
    with Store.open(db, write=True, who=SignedIn(BY_ROLE[role])) as store:
        before = rows(store)
        CHANGES[change][1](store)
        assert rows(store) != before


def refused(db: Path, who: SignedIn | None, changes: list[str]) -> list[str]:
    """Try the changes, all of which must be refused and change nothing; give their actions."""
    with Store.open(db, write=True, who=who) as store:
        before = state(store), rows(store)
        for change in changes:
            with pytest.raises(NotAllowed):
                CHANGES[change][1](store)
        assert (state(store), rows(store)) == before
    return sorted({CHANGES[change][0] for change in changes})


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OWNER])
def test_who_may_not_is_refused_and_that_is_logged(db: Path, role: Role) -> None:
    changes = [change for change in CHANGES if needed(change) > role]
    actions = refused(db, SignedIn(BY_ROLE[role]), changes)
    log = Accounts(db).refusals()
    assert {one.person for one in log} == {BY_ROLE[role]}
    assert sorted({one.action for one in log}) == actions
    assert sum(one.times for one in log) == len(changes)


@pytest.mark.parametrize("who", [None, SignedIn(None), SignedIn("Somebody Else")])
def test_whoever_is_not_signed_in_or_has_no_role_is_a_visitor(
    db: Path, who: SignedIn | None
) -> None:
    refused(db, who, list(CHANGES))


def test_a_sign_out_elsewhere_counts_at_once(db: Path) -> None:
    session = SignedIn("Sid Rook")
    with Store.open(db, write=True, who=session) as store:
        store.strike(KEY, reason="cut")
        session.name = None
        with pytest.raises(NotAllowed, match="a visitor may not put a lap back: stewards and own"):
            store.unstrike(KEY, reason="seen")


def test_a_role_that_is_taken_counts_at_once(db: Path) -> None:
    with Store.open(db, write=True, who=SignedIn("Una Tern")) as store:
        people.name_role(store, "Sid Rook", Role.VISITOR)
    told = r"Sid Rook \(visitor\) may not strike a lap"
    with (
        Store.open(db, write=True, who=SignedIn("Sid Rook")) as store,
        pytest.raises(NotAllowed, match=told),
    ):
        store.strike(KEY, reason="cut")


def test_nobody_rules_in_the_name_of_another(db: Path) -> None:
    with Store.open(db, write=True, who=SignedIn("Sid Rook")) as store:
        with pytest.raises(BadQuestion, match="signed in as Sid Rook: a ruling in the name of Una"):
            store.strike(KEY, reason="cut", steward="Una Tern")
        line = store.strike(KEY, reason="cut", steward="Sid Rook")
    assert (line.who, line.role) == ("Sid Rook", "steward")


def test_alone_on_a_laptop_everything_is_allowed(tmp_path: Path) -> None:
    with new_store(tmp_path) as store:
        add_laps(store)
        assert store.record()[-1].who == machine_user().name
        with pytest.raises(BadQuestion, match="name an owner first"):
            people.name_role(store, "Sid Rook", Role.STEWARD)


def test_a_club_keeps_an_owner(db: Path) -> None:
    with Store.open(db, write=True, who=SignedIn("Una Tern")) as store:
        with pytest.raises(BadQuestion, match="Una Tern is the only owner: name another one first"):
            people.name_role(store, "Una Tern", Role.STEWARD)
        number = next(line.number for line in store.record() if line.action == "person")
        with pytest.raises(BadQuestion, match="Una Tern is the only owner: name another one first"):
            rulings.undo(store, number, reason="no")


def test_the_operator_of_the_machine_makes_an_owner_on_the_record(db: Path) -> None:
    with Store.open(db, write=True) as store:
        line = people.recover_owner(store, "Nan Gull", reason="all owners left")
    assert (line.who, line.reason) == (machine_user().name, "all owners left")
    with Store.open(db, write=True, who=SignedIn("Nan Gull")) as store:
        people.name_role(store, "Sid Rook", Role.ENTRANT)


@pytest.mark.parametrize("action", list(NEEDED))
def test_each_action_says_who_may(action: str) -> None:
    owner = Actor("Una Tern", Role.OWNER)
    require(owner, action)
    for role in Role:
        if role < NEEDED[action]:
            with pytest.raises(NotAllowed, match=f"^Una Tern .{role.word}. may not .*owners may$"):
                require(replace(owner, role=role), action)


def test_a_role_is_read_as_people_write_it() -> None:
    assert [role_of(f" {role.word.upper()} ") for role in Role] == list(Role)
    with pytest.raises(BadQuestion, match=r'^"boss" is not a role; use visitor'):
        role_of("boss")
