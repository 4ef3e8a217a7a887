"""What several test files share."""

from __future__ import annotations

import functools
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pytest
import typer.testing
from threadpoolctl import threadpool_limits

from benchmark.intake.laptable import read_lap_table
from benchmark.model import pace
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.model.plan import NORTH, SeasonPlan
from benchmark.model.simulate import Season, simulate
from benchmark.store import migrate, opening
from benchmark.store.store import Store
from tests.clubs import club
from tests.sheets import write_sheet
from tests.studies.calibration import known_of

if TYPE_CHECKING:
    from streamlit.testing.v1 import AppTest

# The tests run in as many processes as there are cores: more threads would only be in the way.
threadpool_limits(limits=1)

SMALL = SeasonPlan(2, 6, 5, (NORTH,), 3, 2, 0.7)
# An interval of the first season is some 1.8 % wide, a standard deviation of 0.55 %; with about 200
# effective draws of 700 its centre is then known to 0.04 %, and a difference of two to 0.055 %.
MANY_DRAWS, FEW_DRAWS = 700, 160
# The files that take longest: begun first, so that all workers end at about the same time.
LONGEST = (
    "recovery", "challenge", "undoing", "audit", "cli", "merging", "robustness", "background_fit",
    "sparse_core", "backup", "sharing", "fast", "submissions", "people", "hand_in_forms", "claim",
    "steward_queue", "kills", "app", "record", "store", "laptable", "simulate", "serving",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    places = {f"test_{name}": place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: places.get(item.path.stem, len(LONGEST)))


@pytest.fixture(scope="session", autouse=True)
def shared_beginnings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Make an empty store once, as the program does, and copy it; build the commands once.

    Where it is filled otherwise, or a kill left a draft, it is made as the program does.
    """
    make, new_store = opening._create, migrate.new_store
    empty = tmp_path_factory.mktemp("empty") / "empty.duckdb"
    make(empty, new_store)

    def create(path: Path, new: Callable[[duckdb.DuckDBPyConnection], None]) -> None:
        if new is new_store and not path.with_name(f"{path.name}.new").exists():
            shutil.copyfile(empty, path)
        else:
            make(path, new)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(opening, "_create", create)
        patch.setattr(typer.testing, "_get_command", functools.cache(typer.testing._get_command))
        yield


@pytest.fixture(scope="session")
def fitted_db(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of the seven laps of `sheets.py` with a fit of few draws; nobody may change it."""
    folder = tmp_path_factory.mktemp("fitted")
    path = folder / "laps.duckdb"
    with Store.open(path, create=True) as store:
        store.add(read_lap_table(write_sheet(folder / "day.csv")))
    with Store.open(path) as store:
        laps, version = store.counted_laps(), store.data_version()
    found = fit(laps, draws=200, data_version=version)
    with Store.open(path, write=True) as store:
        store.keep_fit(found)
    return path


@pytest.fixture(scope="session")
def first_season() -> tuple[Season, Fit]:
    """A season with known truth, and its fit of many draws."""
    season = simulate(SMALL, 1)
    with few_sweeps():
        return season, fit(season.counted(), draws=MANY_DRAWS)


@pytest.fixture(scope="session")
def small_seasons(first_season: tuple[Season, Fit]) -> list[tuple[Season, dict[str, Fit]]]:
    """Three seasons with known truth, each with its fit and that of an oracle."""
    more = [simulate(SMALL, seed) for seed in (2, 3)]
    with few_sweeps():
        full = [first_season, *((s, fit(s.counted(), draws=FEW_DRAWS)) for s in more)]
        return [
            (s, {"full": f, "oracle": fit(s.counted(), draws=FEW_DRAWS, known=known_of(s))})
            for s, f in full
        ]


@pytest.fixture
def club_db(tmp_path: Path) -> Path:
    """The store of a club with its people, and no lap."""
    return club(tmp_path / "club.duckdb")


@pytest.fixture
def club_page(club_db: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Open a page of that club as somebody: `club_page(STEWARD, "hand_in.py")`."""
    from tests.app_pages import open_as  # Streamlit is loaded where needed

    def opened(who: str | None, file: str = "steward.py", **query: str) -> AppTest:
        return open_as(monkeypatch, club_db, who, file, **query)

    return opened


@contextmanager
def few_sweeps() -> Iterator[None]:
    """Let the chains settle in fewer sweeps than usual: these seasons are small."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pace, "WARM_UP", 100)
        yield
