"""A process that is killed: what it had finished is whole, the rest is absent.

One kill of three kinds, of every kind with `-m long`; `python -m tests.studies.kills` does a
hundred.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.killing import ACTIONS, kill_one

# The other actions write by the same road as one of these.
QUICK = ("import", "fit", "migration")


@pytest.mark.slow
@pytest.mark.parametrize(
    "action",
    [pytest.param(a, marks=[] if a in QUICK else [pytest.mark.long]) for a in ACTIONS],
)
def test_a_killed_process_leaves_whole_actions_and_no_others(action: str, tmp_path: Path) -> None:
    kill_one(action, tmp_path, random.Random(action))
