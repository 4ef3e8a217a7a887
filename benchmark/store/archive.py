"""A backup as one file: a zip archive with a manifest of sizes and SHA-256 digests.

The manifest is what counts. A member that it does not name, or of another size or digest, makes the
archive a damaged one; nothing is unpacked past the size that the manifest gives, nor where the disk
has no room for it, and no name of a member can lead out of the folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import IO, Any

from benchmark.errors import BenchmarkError

MANIFEST = "manifest.json"
STORE, PEOPLE, EVIDENCE = "store.duckdb", "people.sqlite", "evidence/"
MEMBER = re.compile(r"store\.duckdb|people\.sqlite|evidence/[0-9A-Za-z][0-9A-Za-z._-]{0,199}")
DIGEST = re.compile(r"[0-9a-f]{64}")
FORMAT = 1
PIECE = 1 << 20  # bytes that are read at once
MOST_MANIFEST = 50_000_000  # bytes: some 300,000 pieces of evidence
QUICKLY = (
    1  # zlib's level: a store shrinks by about as much as at the higher ones, five times sooner
)
BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError)

Report = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a backup."""

    name: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Facts:
    """What a store said of itself when it was copied."""

    schema: int
    laps: int
    data_version: int


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds. `made_at` is UTC, `why` empty where a person asked for it."""

    store: str
    made_at: str
    program: str
    why: str
    facts: Facts
    members: tuple[Member, ...]
    format: int = FORMAT

    def total(self) -> int:
        """Give the bytes that the backup takes once it is unpacked."""
        return sum(member.size for member in self.members)

    def member(self, name: str) -> Member | None:
        """Give the member of that name."""
        return next((member for member in self.members if member.name == name), None)


def write(
    path: Path, manifest: Manifest, files: Mapping[str, Path], report: Report = lambda *_: None
) -> Manifest:
    """Write a new archive of these files, by member's name, readable by its owner alone.

    The members of `manifest` are found out while the files are read; the whole of it comes back.
    """
    passed, total = 0, sum(file.stat().st_size for file in files.values()) or 1
    members = []
    with _new_file(path) as out, zipfile.ZipFile(out, "w", compresslevel=QUICKLY) as archive:
        for name, file in files.items():
            digest, size = hashlib.sha256(), 0
            packed = zipfile.ZIP_STORED if name.startswith(EVIDENCE) else zipfile.ZIP_DEFLATED
            with file.open("rb") as source, _member(archive, name, packed) as target:
                for piece in _pieces(source):
                    digest.update(piece)
                    target.write(piece)
                    size += len(piece)
                    report((passed + size) / total, "packing")
            passed += size
            members.append(Member(name, size, digest.hexdigest()))
        whole = replace(manifest, members=tuple(members))
        text = json.dumps(asdict(whole), ensure_ascii=False, indent=1)
        with _member(archive, MANIFEST, zipfile.ZIP_DEFLATED) as target:
            target.write(text.encode())
    return whole


def check(path: Path, report: Report = lambda *_: None) -> Manifest:
    """Read every member of an archive and compare it with the manifest.

    Raises
    ------
    BenchmarkError
        The file is no backup, cannot be read, or is not what its manifest says.
    """
    return _go_through(path, None, report)


def unpack(path: Path, folder: Path, report: Report = lambda *_: None) -> Manifest:
    """Unpack an archive into an empty folder, each member checked as `check` does.

    Raises
    ------
    BenchmarkError
        As `check`, or the disk has no room.
    """
    return _go_through(path, folder, report)


def digest_of(path: Path) -> str:
    """Give the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _go_through(path: Path, folder: Path | None, report: Report) -> Manifest:
    with _reading(path) as archive:
        manifest = _manifest(path, archive)
        total, passed = manifest.total() or 1, 0
        if folder is not None:
            _refuse_full_disk(folder, total)
        for member in manifest.members:
            digest = hashlib.sha256()
            with _target(folder, member) as out, archive.open(member.name) as source:
                for piece in _pieces(source, member.size):
                    digest.update(piece)
                    out.write(piece)
                    passed += len(piece)
                    report(passed / total, "checking")
            if digest.hexdigest() != member.sha256:
                raise _damaged(path, f"{member.name} is not as it was written")
    return manifest


@contextmanager
def _reading(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        file = path.open("rb")
    except OSError as error:
        raise BenchmarkError(f"{path} cannot be read: {error.strerror or error}") from error
    if not zipfile.is_zipfile(file):
        file.close()
        raise BenchmarkError(f"{path} is no backup of a store, or its end is missing")
    try:
        with file, zipfile.ZipFile(file) as archive:
            yield archive
    except BROKEN as error:
        raise _damaged(
            path, str(error).splitlines()[0] if str(error) else "it ends early"
        ) from error


def _manifest(path: Path, archive: zipfile.ZipFile) -> Manifest:
    infos = archive.infolist()
    found = {info.filename: info for info in infos}
    if MANIFEST not in found:
        raise BenchmarkError(f"{path} is no backup of a store: it has no {MANIFEST}")
    if found[MANIFEST].file_size > MOST_MANIFEST:
        raise _damaged(path, f"its {MANIFEST} is larger than any backup's")
    with archive.open(MANIFEST) as file:
        text = file.read(MOST_MANIFEST)
    try:
        manifest = _understood(json.loads(text))
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise _damaged(path, f"its {MANIFEST} cannot be understood") from error
    if manifest.format != FORMAT:
        raise BenchmarkError(f"{path} was written by a newer program; update this one")
    named = [member.name for member in manifest.members]
    if sorted([*named, MANIFEST]) != sorted(info.filename for info in infos) or STORE not in named:
        raise _damaged(path, f"it does not hold the files that its {MANIFEST} names")
    for member in manifest.members:
        if found[member.name].file_size != member.size:
            raise _damaged(path, f"{member.name} is not {member.size:,} bytes long")
    return manifest


def _understood(said: Any) -> Manifest:
    """Take a manifest from JSON, every value of the right type and range or a ValueError."""
    members = tuple(
        Member(str(one["name"]), _count(one["size"]), str(one["sha256"])) for one in said["members"]
    )
    if len({member.name for member in members}) < len(members):
        raise ValueError("a member stands twice")
    for member in members:
        if not MEMBER.fullmatch(member.name) or not DIGEST.fullmatch(member.sha256):
            raise ValueError(member.name)
    facts = Facts(*(_count(said["facts"][name]) for name in ("schema", "laps", "data_version")))
    texts = {name: str(said[name])[:200] for name in ("store", "made_at", "program", "why")}
    return Manifest(**texts, facts=facts, members=members, format=_count(said["format"]))


def _count(value: Any) -> int:
    if type(value) is not int or value < 0:
        raise ValueError(value)
    return value


def _pieces(file: IO[bytes], most: int | None = None) -> Iterator[bytes]:
    """Read a file piece by piece; more bytes than `most` are a ValueError."""
    left = most
    while piece := file.read(PIECE):
        if left is not None:
            left -= len(piece)
            if left < 0:
                raise ValueError(f"a member is longer than {most:,} bytes")
        yield piece


@contextmanager
def _target(folder: Path | None, member: Member) -> Iterator[IO[bytes]]:
    if folder is None:
        with Path(os.devnull).open("wb") as nowhere:
            yield nowhere
        return
    where = folder / member.name
    where.parent.mkdir(exist_ok=True)
    with _new_file(where) as out:
        yield out


@contextmanager
def _new_file(path: Path) -> Iterator[IO[bytes]]:
    """Open a new file that its owner alone can read, and see it safely on the disk."""
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(number, "wb") as out:
        yield out
        out.flush()
        os.fsync(out.fileno())


def _refuse_full_disk(folder: Path, needed: int) -> None:
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise BenchmarkError(
            f"no room to unpack in {folder}: {needed:,} bytes are needed, {free:,} are free"
        )


def _member(archive: zipfile.ZipFile, name: str, packed: int) -> IO[bytes]:
    """Open a new member, dated 1980: when the backup was made stands in the manifest."""
    archive.compression = packed
    return archive.open(name, "w", force_zip64=True)


def _damaged(path: Path, why: str) -> BenchmarkError:
    return BenchmarkError(f"{path} is damaged: {why}; take another backup")
