"""Each rule that says what the laps cannot tell, on runs made for it and on runs that lack it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from benchmark.model import caveats
from benchmark.model.frame import MODS


def fit_of(*runs: dict[str, Any]) -> Any:
    """The one part of a fit that these rules read."""
    usual = {"circuit": "Foxdale", "layout": "full", "date": "2025-05-04", "session": "S1",
             "tyre_category": "sport", "track_c": 30.0, "track_c_sd": 0.0,
             **dict.fromkeys(MODS, 0.0)}  # fmt: skip
    return SimpleNamespace(runs=pd.DataFrame([{**usual, **run} for run in runs]))


@pytest.mark.parametrize(
    ("date", "driver", "warned"),
    [("2025-06-01", "Bo", 1), ("2025-05-04", "Bo", 0), ("2025-06-01", "Ada", 0)],
)
def test_entries_without_a_common_day_or_driver_are_named(
    date: str, driver: str, warned: int
) -> None:
    fit = fit_of(
        {"build": "Red", "driver": "Ada"}, {"build": "Blue", "driver": driver, "date": date}
    )
    assert len(list(caveats.separate_groups(fit))) == warned


@pytest.mark.parametrize(("driver", "warned"), [("Bo", 1), ("Ada", 0)])
def test_a_tyre_that_changed_with_the_driver_is_named(driver: str, warned: int) -> None:
    fit = fit_of(
        {"build": "Red", "driver": "Ada"},
        {"build": "Red", "driver": driver, "tyre_category": "slick"},
    )
    said = list(caveats.tyre_with_driver(fit))
    assert len(said) == warned
    assert all("Red" in words and "slick with Bo" in words for words in said)


@pytest.mark.parametrize(("builds", "warned"), [(("Red",), 1), (("Red", "Blue"), 0)])
def test_a_step_that_one_car_alone_has_shown_is_named(builds: tuple[str, ...], warned: int) -> None:
    runs = [{"build": b, "driver": f"Driver of {b}", "mod_aero": 1.0} for b in builds]
    said = list(caveats.one_carries_a_step(fit_of(*runs, {"build": "White", "driver": "Di"})))
    assert len(said) == warned
    assert all("aero 1 (Red)" in words for words in said)


@pytest.mark.parametrize(
    ("heats", "words"),
    [((20.0, 30.0, 40.0), "hotter"), ((40.0, 30.0, 20.0), "cooler"), ((30.0, 20.0, 31.0), None)],
)
def test_heat_that_went_with_the_hour_is_named(heats: tuple[float, ...], words: str | None) -> None:
    runs = [
        {"build": "Red", "driver": "Ada", "date": date, "session": f"S{k}", "track_c": heat}
        for date in ("2025-05-04", "2025-05-05")
        for k, heat in enumerate(heats)
    ]
    said = list(caveats.heat_with_session(fit_of(*runs)))
    assert len(said) == (words is not None)
    assert all(str(words) in sentence for sentence in said)
