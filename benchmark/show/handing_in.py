"""Taking in a lap table, the same from the command line and from a page, and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import Fault, FaultyFile, NoStore
from benchmark.show.words import count_text

if TYPE_CHECKING:
    from benchmark.intake.laptable import LapFile
    from benchmark.intake.mapping import ColumnMapping
    from benchmark.intake.slow_laps import Proposal
    from benchmark.store.roles import SignIn
    from benchmark.store.store import Added

Report = Callable[[float, str], None]


def read_file(
    path: Path,
    report: Report,
    *,
    name: str | None = None,
    mapping: ColumnMapping | None = None,
) -> LapFile:
    """Read one lap table, called `name` in its faults, with all of them.

    With a mapping the file is a foreign sheet, and its faults name the sheet's own columns.

    Raises
    ------
    FaultyFile
        The file cannot be opened, or is too large for an app that is served to others.
    """
    from benchmark.intake.laptable import read_lap_table
    from benchmark.intake.mapped import read_mapped
    from benchmark.intake.parquet_size import refuse_too_large
    from benchmark.store.served import is_for_a_club, is_read_only

    try:
        if is_for_a_club() or is_read_only():
            refuse_too_large(path, name or path.name)
        if mapping is not None:
            return read_mapped(path, mapping, name=name, progress=report)
        return read_lap_table(path, name=name, progress=report)
    except OSError as error:
        why = f"cannot be read: {error.strerror or error}"
        raise FaultyFile([Fault(path.name, None, "-", "", why)]) from error


def check_file(db: Path, lap_file: LapFile) -> Added:
    """Say what adding the file would do; nothing is stored.

    Raises
    ------
    FaultyFile
        The file has faults, or contradicts the store.
    StoreBusy
        Another process holds the store.
    """
    from benchmark.store.store import Store

    try:
        opened = Store.open(db)
    except NoStore:
        opened = Store.empty()
    with opened as store:
        return store.check(lap_file)


def add_file(db: Path, lap_file: LapFile, who: SignIn | None = None) -> Added:
    """Add the file to the store, whole; makes the store where there is none.

    `who` tells who is signed in, where the store belongs to a club.

    Raises
    ------
    FaultyFile
        The file has faults, or contradicts the store; nothing of it was added.
    StoreBusy
        Another process holds the store.
    NotAllowed
        Whoever is signed in may not.
    """
    from benchmark.store.store import Store

    if lap_file.faults and not db.exists():
        raise FaultyFile(lap_file.faults)  # a first file that fails leaves no empty store behind
    with Store.open(db, write=True, create=True, who=who) as store:
        return store.add(lap_file)


def slow_proposals(db: Path, lap_file: LapFile) -> list[Proposal]:
    """Name the laps that look slow, beside the file's and the store's own quick laps.

    Raises
    ------
    StoreBusy
        Another process holds the store.
    """
    from benchmark.intake.slow_laps import propose_slow
    from benchmark.store.latest import quick_laps
    from benchmark.store.store import Store

    try:
        with Store.open(db) as store:
            builds = lap_file.runs["build"].unique().to_pylist()
            known = quick_laps(store, builds)
    except NoStore:
        known = None
    return propose_slow(lap_file, known)


def proposal_lines(name: str, proposals: list[Proposal], *, accepted: bool) -> list[str]:
    """Say which laps look slow, and what happens to them."""
    laps = count_text(len(proposals), "lap")
    if not proposals:
        return [f"{name}: no lap looks slow"]
    verb = "marked slow, as accepted" if accepted else "would be marked slow; --accept-slow does so"
    lines = [f"{name}, {proposal}" for proposal in proposals]
    return [*lines, f"{name}: {laps} {verb}"]


def added_lines(name: str, added: Added, *, checked_only: bool = False) -> list[str]:
    """Say what came of a file: laps added and already there, facts filled, what was passed over."""
    verb = "would be added" if checked_only else "added"
    parts = [f"{count_text(added.laps_added, 'lap')} {verb}"]
    if added.laps_already_there:
        parts.append(f"{count_text(added.laps_already_there, 'lap')} already there")
    if added.facts_added:
        parts.append(f"{count_text(added.facts_added, 'fact')} filled in")
    lines = [f"{name}: {', '.join(parts)}"]
    if added.rounded:
        rounded = count_text(added.rounded, "lap time")
        lines.append(f"{name}: {rounded} rounded to four decimals")
    if added.ignored_columns:
        lines.append(f"{name}: columns not used: {', '.join(added.ignored_columns)}")
    return lines
