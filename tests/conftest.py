"""What several test files share."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmark.intake.laptable import read_lap_table
from benchmark.model.pace import fit
from benchmark.store.store import Store
from tests.sheets import write_sheet


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
