"""What several test files share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from threadpoolctl import threadpool_limits

from benchmark.intake.laptable import read_lap_table
from benchmark.model import pace
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.model.plan import NORTH, SeasonPlan
from benchmark.model.simulate import Season, simulate
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
