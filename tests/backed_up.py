"""A store with all that stands beside it, for the tests of backups."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from benchmark.store import backup
from benchmark.store.accounts import Accounts, SignInFailed
from benchmark.store.store import Store
from tests.lap_files import lap, read_once, write
from tests.signed_in import cheap_hashes

FIRST, SECOND = "heron over quillmoor", "finch over tarnebrook"
PICTURE = b"\x89PNG what a camera saw"
ITS_NAME = f"{hashlib.sha256(PICTURE).hexdigest()}.png"
MADE: dict[str, bytes] = {}


def whole_store(folder: Path) -> Path:
    """A store of two laps, with accounts and a piece of evidence beside it."""
    path = folder / "laps.duckdb"
    if not MADE:
        add(path, 1, 2)
        backup.evidence_folder(path).mkdir()
        (backup.evidence_folder(path) / ITS_NAME).write_bytes(PICTURE)
        with pytest.MonkeyPatch.context() as patch:
            cheap_hashes(patch)
            Accounts(path).add("A. Marsh", FIRST)
        MADE.update(beside(path))
    for name, body in MADE.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(body)
    return path


def add(db: Path, *numbers: int) -> None:
    sheet = write(db.parent, [lap(n) for n in numbers], name="sheet.csv")
    with Store.open(db, create=True) as store:
        store.add(read_once(sheet))


def laps(db: Path) -> list[int]:
    with Store.open(db) as store:
        return store.accepted_laps()["lap"].tolist()


def opens_with(db: Path, password: str) -> bool:
    """Whether A. Marsh can sign in with that password."""
    try:
        Accounts(db).check("A. Marsh", password, address="127.0.0.1")
    except SignInFailed:
        return False
    return True


def beside(db: Path) -> dict[str, bytes]:
    """Everything in the store's folder, by name."""
    files = (path for path in db.parent.rglob("*") if path.is_file())
    return {str(path.relative_to(db.parent)): path.read_bytes() for path in files}
