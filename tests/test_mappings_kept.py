"""Mappings kept in a store by name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchmark.errors import BadQuestion, NotAllowed
from benchmark.store.mappings import keep_mapping, kept_mapping, kept_mappings, remove_mapping
from benchmark.store.people import name_role
from benchmark.store.roles import Role
from benchmark.store.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "laps.duckdb", create=True) as opened:
        yield opened


def test_a_mapping_is_kept_by_name_and_replaced(store: Store) -> None:
    keep_mapping(store, "office", "a = 1")
    keep_mapping(store, "gps app", "b = 1")
    keep_mapping(store, "office", "a = 2")
    assert [mapping.name for mapping in kept_mappings(store)] == ["gps app", "office"]
    assert kept_mapping(store, "office").body == "a = 2"
    remove_mapping(store, "office")
    assert [mapping.name for mapping in kept_mappings(store)] == ["gps app"]


def test_an_unknown_name_is_told_with_the_nearest(store: Store) -> None:
    keep_mapping(store, "office", "a = 1")
    for ask in (kept_mapping, remove_mapping):
        with pytest.raises(BadQuestion, match='no mapping "ofice": did you mean office'):
            ask(store, "ofice")


@pytest.mark.parametrize("name", ["", " ", "x" * 81, "a\nb", "\u202eoffice"])
def test_a_name_is_plain_text(store: Store, name: str) -> None:
    with pytest.raises(BadQuestion, match="a mapping needs a name of 1 to 80 plain characters"):
        keep_mapping(store, name, "a = 1")


@dataclass
class SignedIn:
    name: str | None = "Ada"

    def person(self) -> str | None:
        return self.name


@pytest.mark.parametrize("role", [None, Role.VISITOR, Role.ENTRANT, Role.STEWARD, Role.OWNER])
def test_stewards_keep_and_remove_mappings_and_nobody_below(
    tmp_path: Path, role: Role | None
) -> None:
    db = tmp_path / "club.duckdb"
    with Store.open(db, create=True) as alone:
        keep_mapping(alone, "office", "a = 1")
        name_role(alone, "Ada", Role.OWNER)
    signed_in = SignedIn()
    with Store.open(db, write=True, who=signed_in) as store:
        if role is not None and role is not Role.OWNER:
            name_role(store, "Ben", role)
        signed_in.name = None if role is None else "Ada" if role is Role.OWNER else "Ben"
        if role is not None and role >= Role.STEWARD:
            keep_mapping(store, "office", "a = 2")
            remove_mapping(store, "office")
            assert kept_mappings(store) == []
            return
        for change in (lambda: keep_mapping(store, "office", "a = 2"),
                       lambda: remove_mapping(store, "office")):  # fmt: skip
            with pytest.raises(NotAllowed, match="may not keep a column mapping"):
                change()
        assert kept_mapping(store, "office").body == "a = 1"
