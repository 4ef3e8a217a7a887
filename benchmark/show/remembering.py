"""Refits kept on disk between runs, so that a challenge is asked again in a second.

Nothing depends on them: they are made anew where they are missing, and may be deleted at any time.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from tempfile import NamedTemporaryFile

MOST_FILES = 200


def folder() -> Path:
    """Give the user's folder for what can be made anew."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "benchmark" / "refits"


def on_disk(key: str, make: Callable[[], bytes]) -> bytes:
    """Give what was kept under this key, or make it and keep it; a full disk is no fault."""
    kept = folder() / key
    try:
        return kept.read_bytes()
    except OSError:
        made = make()
    try:
        _keep(kept, made)
    except OSError:
        return made
    return made


def _keep(path: Path, made: bytes) -> None:
    """Write in one step, so that nobody ever reads half a file; the oldest make room."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with NamedTemporaryFile(dir=path.parent, delete=False) as file:
        file.write(made)
    Path(file.name).replace(path)
    files = sorted(path.parent.iterdir(), key=lambda one: one.stat().st_mtime)
    for old in files[:-MOST_FILES]:
        old.unlink(missing_ok=True)
