"""Each rule that says what the laps cannot tell, on runs made for it and on runs that lack it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from benchmark.model import caveats, pace
from benchmark.model.design import COLUMN, RUN_FEATURES
from benchmark.model.frame import MODS
from benchmark.model.priors import STANDARD_PRIORS
from tests.test_gains import swapped_laps


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


def with_tyres(build: str, *pairs: tuple[str, str]) -> list[dict[str, Any]]:
    return [{"build": build, "tyre_category": tyre, "driver": driver} for tyre, driver in pairs]


@pytest.mark.parametrize(
    ("pairs", "warned"),
    [
        ((("sport", "Ada"), ("slick", "Bo")), True),
        # Two drivers on one tyre: neither of them says what the other tyre is worth.
        ((("sport", "Ada"), ("slick", "Bo"), ("slick", "Cy")), True),
        ((("sport", "Ada"), ("slick", "Ada")), False),
        ((("sport", "Ada"), ("slick", "Bo"), ("sport", "Bo")), False),
        ((("sport", "Ada"), ("sport", "Bo")), False),
    ],
)
def test_a_tyre_that_changed_with_the_driver_is_known_as_a_sum_only(
    pairs: tuple[tuple[str, str], ...], warned: bool
) -> None:
    said = list(caveats.tyre_with_driver(fit_of(*with_tyres("Red", *pairs))))
    assert len(said) == warned
    for words in said:
        assert "only the sum of the two is known" in words
        assert all(f"{tyre} with {driver}" in words for tyre, driver in pairs)


def test_cars_whose_tyre_changed_with_the_driver_share_one_sentence() -> None:
    cars = [f"Car {k}" for k in range(9)]
    runs = [run for car in cars for run in with_tyres(car, ("sport", "Ada"), ("slick", "Bo"))]
    other = with_tyres("Red", ("sport", "Ada"), ("slick", "Cy"))
    (words,) = caveats.tyre_with_driver(fit_of(*runs, *other))
    assert "Car 0, Car 1, Car 2, Car 3, Car 4 and 4 more (sport with Ada, slick with Bo); " in words
    assert "Red (sport with Ada, slick with Cy): from the laps of these cars only the sum" in words


def test_a_fit_whose_tyre_and_driver_changed_together_says_that_it_knows_their_sum(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pace, "WARM_UP", 5)  # the rule reads who ran what, not the draws
    found = pace.fit(swapped_laps(), draws=16)
    assert any("only the sum of the two is known" in warning for warning in found.warnings)


def hardly_narrowed(*names: str, engines: tuple[str, ...] = ("natural",)) -> Any:
    """A fit in which these effects have their prior's width and the others are known."""
    effects = np.zeros((2, len(RUN_FEATURES)))
    for name in names:
        prior = "tyre" if name.startswith("tyre:") else name
        effects[:, COLUMN[name]] = [-1, 1]
        effects[:, COLUMN[name]] *= STANDARD_PRIORS.effects[prior].width
    runs = [
        {"build": f"{tyre} {engine}", "driver": "Ada", "tyre_category": tyre, "induction": engine}
        for tyre in ("sport", "track-day")
        for engine in engines
    ]
    fit = fit_of(*runs)
    fit.posterior = SimpleNamespace(run_effects=effects)
    return fit


@pytest.mark.parametrize(
    ("names", "engines", "said"),
    [
        ((), ("natural",), None),
        (("heat", "cycles_soft"), ("natural",), "track temperature, heat cycles of soft tyres"),
        (("tyre:sport", "tyre:track-day"), ("natural",), "the steps to sport and track-day tyres"),
        (("tyre:sport",), ("natural",), "the step to sport tyres"),
        (("heat", "heat_soft"), ("natural",), "track temperature"),
        (("heat_soft",), ("natural",), "track temperature on soft tyres"),
        (("density_natural", "density_boosted"), ("natural", "boosted"), "air density"),
        (("density_boosted",), ("natural", "boosted"), "air density (boosted engines)"),
        # Nobody ran them: no answer about these cars rests on them.
        (("tyre:slick", "density_boosted"), ("natural",), None),
    ],
)
def test_what_the_laps_hardly_taught_is_named_in_one_short_sentence(
    names: tuple[str, ...], engines: tuple[str, ...], said: str | None
) -> None:
    found = list(caveats.barely_narrowed(hardly_narrowed(*names, engines=engines), STANDARD_PRIORS))
    expected = f"these laps say little about {said}: there the usual size was assumed"
    assert found == ([] if said is None else [expected])


@pytest.mark.parametrize(
    ("count", "said"),
    [(1, "a"), (6, "a, b, c, d, e, f"), (7, "a, b, c, d, e and 2 more")],
)
def test_long_lists_of_names_are_cut_with_their_number(count: int, said: str) -> None:
    assert caveats.several("abcdefg"[:count]) == said


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
