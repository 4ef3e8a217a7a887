"""A process that is killed: what it had finished is whole, the rest is absent.

A few kills of each kind; `python -m tests.studies.kills` does a hundred.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.killing import ACTIONS, kill_one


@pytest.mark.parametrize("action", list(ACTIONS))
def test_a_killed_process_leaves_whole_actions_and_no_others(action: str, tmp_path: Path) -> None:
    kill_one(action, tmp_path, random.Random(action))
