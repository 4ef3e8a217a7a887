"""A quick share of the fuzzing of `tests/studies/fuzz.py`, chosen by Hypothesis."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.studies.fuzz import Door, fuzz

pytestmark = pytest.mark.slow

# A case with a store takes longest.
KINDS = {"lap table": 6, "mapping": 10, "sheet through a mapping": 6, "rules": 30, "trace": 15,
         "pasted laps": 6}  # fmt: skip


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Door:
    return Door(tmp_path_factory.mktemp("door"))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_damaged_file_is_taken_whole_or_refused_in_words(kind: str, door: Door) -> None:
    @given(st.integers(0, 10**9))
    @settings(
        max_examples=KINDS[kind],
        deadline=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    def each(seed: int) -> None:
        assert fuzz(door, kind, seed) in ("taken", "refused")

    each()


def test_undamaged_the_same_files_are_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.studies.fuzz.damaged", lambda data, chance: data)
    door = Door(tmp_path)
    for kind in sorted(KINDS):
        assert fuzz(door, kind, 3) == "taken", kind
