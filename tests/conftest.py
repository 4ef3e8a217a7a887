"""What several test files share."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmark.intake.laptable import read_lap_table
from benchmark.model import pace
from benchmark.model.fit import Fit
from benchmark.model.pace import fit
from benchmark.model.plan import NORTH, SeasonPlan
from benchmark.model.simulate import Season, simulate
from benchmark.store.store import Store
from tests.sheets import write_sheet
from tests.studies.calibration import known_of

SMALL = SeasonPlan(2, 6, 5, (NORTH,), 3, 2, 0.7)
# An interval of the first season is some 1.8 % wide, a standard deviation of 0.55 %; with about 200
# effective draws of 800 its centre is then known to 0.04 %, and a difference of two to 0.055 %.
MANY_DRAWS, FEW_DRAWS = 800, 200


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
def small_seasons() -> list[tuple[Season, dict[str, Fit]]]:
    """Three seasons with known truth, each with its fit and that of an oracle."""
    found = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pace, "WARM_UP", 100)
        for seed, draws in ((1, MANY_DRAWS), (2, FEW_DRAWS), (3, FEW_DRAWS)):
            season = simulate(SMALL, seed)
            full = fit(season.counted(), draws=draws)
            oracle = fit(season.counted(), draws=FEW_DRAWS, known=known_of(season))
            found.append((season, {"full": full, "oracle": oracle}))
    return found
