"""A backup that is damaged or forged is refused, and nothing is touched."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from benchmark.errors import BenchmarkError
from benchmark.store import archive, backup
from benchmark.store.backup import back_up, verify
from benchmark.store.restoring import restore
from tests.backed_up import (
    ITS_NAME,
    PICTURE,
    beside,
    whole_store,
)
from tests.signed_in import cheap_hashes


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    cheap_hashes(monkeypatch)
    return whole_store(tmp_path)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup, to be read only."""
    folder = tmp_path_factory.mktemp("whole")
    return back_up(whole_store(folder), folder / "kept.zip").path


def flipped(path: Path, at: int) -> None:
    body = bytearray(path.read_bytes())
    body[at] ^= 1
    path.write_bytes(body)


def test_a_flipped_bit_is_found_wherever_it_changes_a_byte(whole: Path, tmp_path: Path) -> None:
    """All over the file. In packed zeros many a bit unpacks to the same zeros, and may pass."""
    kept = Path(shutil.copy(whole, tmp_path / "kept.zip"))
    manifest = archive.check(kept)
    body = kept.read_bytes()
    refused = 0
    for at in range(0, len(body), 499):
        flipped(kept, at)
        try:
            found = archive.check(kept)
        except BenchmarkError:
            refused += 1
        else:
            assert found == manifest
        kept.write_bytes(body)
    assert refused > len(body) / 499 / 2


@pytest.mark.parametrize("share", [0.0, 0.3, 0.99])
def test_a_truncated_backup_is_refused(whole: Path, tmp_path: Path, share: float) -> None:
    kept = Path(shutil.copy(whole, tmp_path / "kept.zip"))
    kept.write_bytes(kept.read_bytes()[: int(share * kept.stat().st_size)])
    with pytest.raises(BenchmarkError, match="is no backup of a store, or its end is missing"):
        verify(kept)


def forged(kept: Path, changed: Callable[[dict[str, bytes], dict[str, object]], None]) -> Path:
    """Write a backup anew with its members or its manifest changed."""
    with zipfile.ZipFile(kept) as there:
        members = {name: there.read(name) for name in there.namelist()}
    manifest = json.loads(members.pop("manifest.json"))
    changed(members, manifest)
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as out:
        for name, body in members.items():
            out.writestr(name, body)
        out.writestr("manifest.json", json.dumps(manifest))
    return kept


def renamed(name: str) -> Callable[[dict[str, bytes], dict[str, object]], None]:
    def change(members, manifest):
        members[name] = members.pop(f"evidence/{ITS_NAME}")
        next(m for m in manifest["members"] if m["name"].startswith("evidence"))["name"] = name

    return change


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (renamed("../evil.png"), "cannot be understood"),
        (renamed("evidence/../../evil.png"), "cannot be understood"),
        (renamed("/tmp/evil.png"), "cannot be understood"),
        (renamed("evidence/.hidden"), "cannot be understood"),
        (lambda m, _: m.update({"evidence/more.png": b"x"}), "does not hold the files that"),
        (lambda m, _: m.pop("people.sqlite"), "does not hold the files that"),
        (lambda m, _: m.update({"people.sqlite": b"x"}), "people.sqlite is not [0-9,]+ bytes long"),
        (lambda _, f: f["members"][0].update(size=10**15), "is not 1,000,000,000,000,000 bytes"),
        (lambda _, f: f["members"][0].update(sha256="0" * 64), "is not as it was written"),
        (lambda _, f: f["members"][0].update(size="12"), "cannot be understood"),
        (lambda _, f: f["members"][0].update(size=-1), "cannot be understood"),
        (lambda _, f: f["facts"].pop("laps"), "cannot be understood"),
        (lambda _, f: f["members"].append(f["members"][0]), "cannot be understood"),
        (lambda _, f: f["facts"].update(laps=3), "is not the one it names"),
        (lambda _, f: f.update(format=2), "written by a newer program"),
        (lambda _, f: f.update(members=[]), "does not hold the files that"),
    ],
)
def test_a_forged_backup_is_refused_and_nothing_is_touched(
    db: Path, whole: Path, tmp_path: Path, changed: Callable[..., None], why: str
) -> None:
    kept = forged(Path(shutil.copy(whole, tmp_path / "kept.zip")), changed)
    before = beside(db)
    for attempt in (
        lambda: verify(kept),
        lambda: restore(kept, db, replace=True),
        lambda: restore(kept, tmp_path / "new.duckdb"),
    ):
        with pytest.raises(BenchmarkError, match=why):
            attempt()
    locks = {f"{name}.backup.lock": b"" for name in ("laps.duckdb", "new.duckdb")}
    assert beside(db) == {**before, **locks}


def test_a_bomb_is_unpacked_no_further_than_its_stated_size(whole: Path, tmp_path: Path) -> None:
    """A member of 200 MB of zeros that claims the size of the file that it stands for."""
    zeros = bytes(200_000_000)

    def bomb(members, _):
        members["people.sqlite"] = zeros

    kept = forged(Path(shutil.copy(whole, tmp_path / "kept.zip")), bomb)
    body = kept.read_bytes()
    size = next(m.size for m in archive.check(whole).members if m.name == "people.sqlite")
    claimed = size.to_bytes(4, "little")
    kept.write_bytes(body.replace(len(zeros).to_bytes(4, "little"), claimed))
    target = tmp_path / "out"
    target.mkdir()
    with pytest.raises(BenchmarkError, match="is damaged"):
        archive.unpack(kept, target)
    assert sum(path.stat().st_size for path in target.rglob("*") if path.is_file()) < 10_000_000


def test_a_manifest_of_any_size_is_not_read_into_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "MOST_MANIFEST", 10)
    kept = tmp_path / "big.zip"
    with zipfile.ZipFile(kept, "w") as out:
        out.writestr("manifest.json", "[" * 11)
    with pytest.raises(BenchmarkError, match="larger than any backup's"):
        archive.check(kept)


def test_another_kind_of_zip_is_no_backup(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "photos.zip", "w") as out:
        out.writestr("photo.png", PICTURE)
    with pytest.raises(BenchmarkError, match=r"is no backup of a store: it has no manifest.json"):
        verify(tmp_path / "photos.zip")


def test_a_backup_that_was_written_wrongly_gets_no_name(
    db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when the disk keeps other bytes than it was given."""
    write_archive = archive.write

    def careless(path, *given, **named):
        written = write_archive(path, *given, **named)
        body = path.read_bytes()
        middle = len(body) // 2
        path.write_bytes(body[:middle] + b"\xff" * 100 + body[middle + 100 :])
        return written

    monkeypatch.setattr(archive, "write", careless)
    with pytest.raises(BenchmarkError):
        back_up(db)
    assert not list(backup.backups_folder(db).iterdir())
