"""A club's store for tests: an owner, a steward and two entrants, all invented."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmark.intake.laptable import LapFile, read_lap_table
from benchmark.store import people
from benchmark.store.handing_in import HandedIn, hand_in
from benchmark.store.roles import Role
from benchmark.store.store import Store
from benchmark.store.submissions import submissions
from tests.lap_files import lap, read_once, write

OWNER, STEWARD, ENTRANT, OTHER = "Odo Owner", "Stella Rook", "Ed Marsh", "Ola Fenn"
PEOPLE = {
    OWNER: Role.OWNER,
    STEWARD: Role.STEWARD,
    ENTRANT: Role.ENTRANT,
    OTHER: Role.ENTRANT,
}
VISITOR = None
MADE: list[bytes] = []


@dataclass
class As:
    """Somebody signed in; None is nobody."""

    name: str | None

    def person(self) -> str | None:
        return self.name

    def sign_out(self) -> None:
        self.name = None


def club(db: Path) -> Path:
    """Make the store of a club with its people."""
    if not MADE:  # making it takes longer than most tests
        MADE.append(name_people(db).read_bytes())
    db.write_bytes(MADE[0])
    return db


def name_people(db: Path) -> Path:
    """Give the store its people; from then on it is a club's."""
    with Store.open(db, create=True) as store:
        people.name_role(store, OWNER, Role.OWNER)
        store.who = As(OWNER)
        for name, role in list(PEOPLE.items())[1:]:
            people.name_role(store, name, role)
    return db


def open_as(db: Path, name: str | None) -> Store:
    return Store.open(db, write=True, who=As(name))


def sheet(folder: Path, rows: Sequence[Mapping[str, str]] | None = None) -> tuple[LapFile, bytes]:
    """Give a sheet as read, and its bytes; by default laps 1 to 3."""
    rows = rows or [lap(1), lap(2), lap(3)]
    path = write(folder, rows)
    return read_once(path), path.read_bytes()


def read_bytes(body: bytes, name: str = "spring.csv") -> LapFile:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet"
        path.write_bytes(body)
        return read_lap_table(path, name=name)


def handed_in(
    db: Path, who: str | None = ENTRANT, *rows: Mapping[str, str], **texts: str
) -> HandedIn:
    """Hand in a sheet as somebody."""
    lap_file, body = sheet(db.parent, rows or None)
    with open_as(db, who) as store:
        return hand_in(store, lap_file, body, **texts)  # type: ignore[arg-type]


def seed(db: Path, *rows: Mapping[str, str]) -> None:
    """Add a sheet, by default laps 1 to 3, as a steward does."""
    with open_as(db, STEWARD) as store:
        store.add(sheet(db.parent, rows or None)[0])


def states(db: Path) -> list[str]:
    """What became of each submission."""
    with open_as(db, STEWARD) as store:
        return [one.state for one in submissions(store)]


def digest(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()
