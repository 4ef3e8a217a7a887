"""Column mappings by name or file, and what a foreign sheet looks like through one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import NoStore
from benchmark.intake.columns import NAMES
from benchmark.intake.mapping import ColumnMapping, parse_mapping, read_mapping
from benchmark.show.output import Column

if TYPE_CHECKING:
    from benchmark.store.mappings import KeptMapping
    from benchmark.store.roles import SignIn


def mapping_named(db: Path, text: str) -> ColumnMapping:
    """Give the mapping of a kept name, or of a file whose name ends in .toml.

    Raises
    ------
    FaultyFile
        The file has faults.
    BadQuestion
        None of that name is kept.
    """
    if text.lower().endswith(".toml"):
        return read_mapping(Path(text))
    from benchmark.store.mappings import kept_mapping
    from benchmark.store.store import Store

    with Store.open(db) as store:
        kept = kept_mapping(store, text)
    return parse_mapping(kept.body, f"mapping {text}")


def keep(db: Path, name: str, mapping: ColumnMapping, who: SignIn | None = None) -> None:
    """Keep a checked mapping by name; makes the store where there is none.

    Raises
    ------
    BadQuestion
        The name is none.
    NotAllowed
        Whoever is signed in may not.
    """
    from benchmark.store.mappings import keep_mapping
    from benchmark.store.store import Store

    with Store.open(db, write=True, create=True, who=who) as store:
        keep_mapping(store, name.strip(), mapping.to_toml())


def kept(db: Path) -> list[KeptMapping]:
    """Give the kept mappings; none where there is no store yet."""
    from benchmark.store.mappings import kept_mappings
    from benchmark.store.store import Store

    try:
        with Store.open(db) as store:
            return kept_mappings(store)
    except NoStore:
        return []


def mapping_columns(mapping: ColumnMapping) -> list[Column]:
    """Show a mapping, one row a column of the lap table."""
    ours = [name for name in NAMES if name in {*mapping.columns, *mapping.fixed}]
    return [
        Column("Column", ours),
        Column("Comes from", [_source(mapping, name) for name in ours]),
        Column("Turned by", [_turned_by(mapping, name) for name in ours]),
    ]


def _source(mapping: ColumnMapping, name: str) -> str:
    if name in mapping.fixed:
        return f"always {mapping.fixed[name]}"
    theirs = mapping.columns[name]
    return f"position {theirs}" if isinstance(theirs, int) else f'"{theirs}"'


def _turned_by(mapping: ColumnMapping, name: str) -> str:
    words = [
        f"{theirs or 'empty'} = {ours}" for theirs, ours in mapping.values.get(name, {}).items()
    ]
    if name in mapping.units:
        words.insert(0, f"from {mapping.units[name]}")
    if name in mapping.columns and name in ("date", "start_time"):
        words.insert(0, mapping.date_format if name == "date" else mapping.time_format)
    return "; ".join(words)


def kept_rows(mappings: list[KeptMapping]) -> list[dict[str, str]]:
    """Give the kept mappings as records."""
    return [{"name": one.name, "kept_at": one.kept_at, "kept_by": one.kept_by} for one in mappings]


def record_of(mapping: ColumnMapping) -> dict[str, object]:
    """Give a mapping as one record, as its file has it."""
    text = json.dumps(
        {key: value for key, value in vars(mapping).items() if value is not None}, default=dict
    )
    found: dict[str, object] = json.loads(text)
    return found
