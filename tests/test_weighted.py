"""Sums over many outings, and the laps of a name, found without going through all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmark.answers.company import COMPANY
from benchmark.model.fit import Fit
from benchmark.model.lookup import Lookup
from benchmark.model.weighted import weighted_parts
from tests.claims import fitted, record

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def gappy() -> Fit:
    """The invented record without some of its facts, fitted."""
    from benchmark.model.pace import fit

    laps = record()
    laps.loc[laps["build"] == "Green", "tyre_heat_cycles"] = np.nan
    laps.loc[laps["build"] == "Finch", ["driver_level", "treadwear", "induction"]] = None
    laps.loc[laps["date"] == "2025-06-07", "track_temp_c"] = np.nan
    laps.loc[laps["build"] == "Grey", "surface"] = "wet"
    return fit(laps, draws=100)


@pytest.mark.parametrize("which", ["plain", "gappy"])
def test_weighted_sums_are_those_of_the_outings_one_by_one(which: str, gappy: Fit) -> None:
    fit = fitted() if which == "plain" else gappy
    weights = np.random.default_rng(3).standard_normal((len(fit.runs), 4))
    weights[1] = 0
    found = weighted_parts(fit, lambda some: weights[some], tuple(COMPANY))
    each = fit.parts(fit.runs.rename_axis("run_id").reset_index())
    for part in COMPANY:
        np.testing.assert_allclose(found[part], each[part] @ weights, atol=1e-12)


def test_the_laps_of_a_place_are_those_of_a_join() -> None:
    fit = fitted()
    runs = fit.runs[(fit.runs["build"] == "Blue") & (fit.runs["layout"] == "short")]
    joined = fit.laps.merge(runs, left_on="run_id", right_index=True, how="inner")
    found = fit.lookup.with_facts(fit.lookup.runs_where(build="Blue", layout="short"))
    pd.testing.assert_frame_equal(found, joined)


def test_laps_need_not_stand_in_the_order_of_their_runs() -> None:
    runs = pd.DataFrame({"build": ["A", "B", "A"]}, index=[7, 3, 5])
    laps = pd.DataFrame({"run_id": [5, 3, 7, 5, 7], "lap": [1, 2, 3, 4, 5]})
    lookup = Lookup(runs, laps)
    assert lookup.with_facts(lookup.runs_of("build", "A"))["lap"].tolist() == [1, 3, 4, 5]
    assert lookup.with_facts(lookup.runs_of("build", "C")).empty
    assert lookup.names("build") == {"A": 0, "B": 1}
