"""A quick fit: what new laps touch is worked out anew, and nothing else moves.

How close it comes on whole club seasons is measured by `tests.studies.quick_fit`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array

from benchmark.errors import BadQuestion
from benchmark.model import fast, new_laps, pace
from benchmark.model.fit import Fit
from benchmark.model.frame import RUN_KEY
from benchmark.model.given import Given
from benchmark.model.plan import HIGH, NORTH, SOUTH, SOUTH_SHORT, SeasonPlan
from benchmark.model.posterior import total
from benchmark.model.priors import STANDARD_PRIORS
from benchmark.model.simulate import simulate
from benchmark.store.fit_file import write_fit
from benchmark.store.fit_reader import FitFile
from benchmark.trade.timing import lap_uncertainty
from tests.conftest import few_sweeps

# Facts are missing, some days are wet, and two layouts are of one circuit.
PLAN = SeasonPlan(3, 9, 6, (NORTH, SOUTH, HIGH, SOUTH_SHORT), 6, 2, 0.6, p_wet=0.3)


@pytest.fixture(scope="module", autouse=True)
def every_store_is_large():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pace, "QUICK_MOST_LAPS", 0)
        yield


@pytest.fixture(scope="module")
def laps() -> pd.DataFrame:
    return simulate(PLAN, 4).counted()


@pytest.fixture(scope="module")
def new(laps) -> pd.Series:
    """Laps of two builds on the last day."""
    day = laps["date"] == laps["date"].max()
    return day & laps["build"].isin(sorted(laps.loc[day, "build"].unique())[:2])


@pytest.fixture(scope="module")
def before(laps, new) -> Fit:
    with few_sweeps():
        return pace.fit(laps[~new], mode="fast", draws=60)


@pytest.fixture(scope="module")
def quick(laps, before) -> Fit:
    return pace.fit(laps, mode="quick", last=before)


def draws_by_name(fit: Fit, group: str) -> dict[tuple[str, ...], np.ndarray]:
    return dict(zip(fit.levels[group], fit.posterior.groups[group].T, strict=True))


def test_draws_given_others_have_the_mean_and_spread_of_the_normal_equations():
    rng = np.random.default_rng(2)
    columns = (rng.random((30, 7)) < 0.4).astype(float)
    weight, precision = rng.uniform(0.5, 2.0, 30), rng.uniform(0.5, 2.0, 7)
    left = rng.standard_normal(30)
    given = Given(csr_array(columns), weight, precision)
    matrix = columns.T @ np.diag(weight) @ columns + np.diag(precision)
    mean, covariance = np.linalg.solve(matrix, columns.T @ (weight * left)), np.linalg.inv(matrix)
    np.testing.assert_allclose(given.mean(left), mean, rtol=1e-9)
    n = 40_000
    drawn = given.draw(np.tile(left, (n, 1)), rng)
    spread = np.sqrt(np.diag(covariance))
    assert np.abs((drawn.mean(axis=0) - mean) / spread).max() < 4.5 / np.sqrt(n)
    np.testing.assert_allclose(np.cov(drawn.T), covariance, atol=5 * spread.max() ** 2 / n**0.5)


def test_a_quick_fit_counts_all_laps_and_says_what_it_is(laps, new, before, quick):
    assert (quick.mode, quick.laps_used, quick.draws) == ("quick", len(laps), before.draws)
    assert before.laps_used == len(laps) - new.sum()
    assert before.fit_id in quick.mode_note
    assert quick.fit_id != before.fit_id


def test_without_new_laps_every_draw_stays(laps, new, before):
    again = pace.fit(laps[~new].sample(frac=1, random_state=1), mode="quick", last=before)
    found, expected = again.posterior.arrays(), before.posterior.arrays()
    assert set(found) == set(expected)
    for name, values in expected.items():
        np.testing.assert_array_equal(found[name], values, err_msg=name)


def test_what_new_laps_do_not_touch_stays(laps, new, before, quick):
    """Adjusted times too, though a circuit's median lap, that effects count from, has moved."""
    ran = {who: set(laps.loc[new, who]) for who in ("build", "driver")}
    for group in before.levels:
        if group in ("day", "session", "wet_session", "outing", "circuit"):
            continue
        now = draws_by_name(quick, group)
        for name, draws in draws_by_name(before, group).items():
            touched = any(name[0] in its and group.startswith(who) for who, its in ran.items())
            assert (now[name] == draws).all() != touched, (group, name)
    rows = pace.adjusted_rows(before)
    rows = rows[~rows["build"].isin(ran["build"]) & ~rows["driver"].isin(ran["driver"])]
    assert len(rows) > 2
    assert not quick.circuits.loc[before.circuits.index, "median_s"].equals(
        before.circuits["median_s"]
    )
    np.testing.assert_allclose(quick.log_time(rows), before.log_time(rows), atol=2e-6)


def test_names_that_the_last_fit_never_saw_come_in(laps, new):
    stranger = laps["build"].isin(sorted(laps["build"].unique())[:2])
    stranger |= laps["driver"] == sorted(laps["driver"].unique())[-1]
    stranger |= laps["circuit"] == HIGH.circuit
    with few_sweeps():
        last = pace.fit(laps[~stranger], mode="fast", draws=60)
        full = pace.fit(laps, mode="full", draws=200)
    found = pace.fit(laps, mode="quick", last=last)
    for group, names in full.levels.items():
        assert set(found.levels[group]) == set(names), group
    for group in ("circuit", "build", "driver", "session"):
        assert set(found.levels[group]) > set(last.levels[group]), group
    rows = pace.adjusted_rows(full)
    apart = np.median(found.log_time(rows), axis=0) - np.median(full.log_time(rows), axis=0)
    spread = full.log_time(rows).std(axis=0)
    assert np.sqrt(np.mean((apart / spread) ** 2)) < 1


def test_laps_that_are_struck_change_only_whom_they_touch(laps, new, before):
    some = laps[~new]
    fewer = some.drop(some[some["build"] == some["build"].iloc[0]].index[:4])
    found = pace.fit(fewer, mode="quick", last=before)
    builds = draws_by_name(found, "build")
    touched = {
        name for name, draws in draws_by_name(before, "build").items()
        if not (builds[name] == draws).all()
    }  # fmt: skip
    assert touched == {(some["build"].iloc[0],)}


def test_two_laps_that_are_swapped_touch_their_build(laps, new, before):
    some = laps[~new].copy()
    rows = some[some["run"].eq(some["run"].iloc[0]) & some["session"].eq(some["session"].iloc[0])
                & some["build"].eq(some["build"].iloc[0])
                & some["date"].eq(some["date"].iloc[0])].index[:2]  # fmt: skip
    some.loc[rows, "lap_time_s"] = some.loc[rows[::-1], "lap_time_s"].to_numpy()
    found = pace.fit(some, mode="quick", last=before)
    name = (some.loc[rows[0], "build"],)
    assert (draws_by_name(found, "build")[name] != draws_by_name(before, "build")[name]).any()


def test_an_altitude_and_a_median_that_move_at_once_do_not_move_adjusted_times(laps, before, new):
    """The circuit is worked out anew, from the median lap as it is now."""
    place = laps["circuit"] == NORTH.circuit
    slow = laps[place & ~new].assign(date="2026-12-01", session="S9")
    slow = slow[slow["lap_time_s"] > slow["lap_time_s"].median()]  # the slower half once more
    more = pd.concat([laps[~new], slow], ignore_index=True)
    more.loc[more["circuit"] == NORTH.circuit, "altitude_m"] = 400.0
    quick = pace.fit(more, mode="quick", last=before)
    with few_sweeps():
        full = pace.fit(more, mode="fast", draws=200)
    here = (NORTH.circuit, "full")
    assert quick.circuits.loc[here, "median_s"] > 1.005 * before.circuits.loc[here, "median_s"]
    rows = pace.adjusted_rows(full)
    rows = rows[rows["circuit"] == NORTH.circuit]
    apart = (
        np.median(quick.log_time(rows), axis=0) - np.median(full.log_time(rows), axis=0)
    ).mean()
    assert abs(apart) < 0.01


def test_quick_fits_in_a_row_differ_from_each_other_in_name_and_numbers(laps, before, quick):
    first = pace.fit(laps.iloc[:-12], mode="quick", last=before)
    second = pace.fit(laps, mode="quick", last=first)
    assert len({before.fit_id, first.fit_id, second.fit_id, quick.fit_id}) == 4
    assert (second.posterior.groups["outing"] != quick.posterior.groups["outing"]).any()


def test_a_quick_fit_is_as_settled_as_the_last_and_has_its_priors(laps, before):
    caution = f"{pace.UNSETTLED} (R-hat 1.73)"
    last = replace(before, diagnostics={"r_hat": 1.73}, warnings=(caution,))
    found = pace.fit(laps, mode="quick", last=last)
    assert not found.converged
    assert found.warnings[0] == caution
    with pytest.raises(BadQuestion, match="keeps the last one's priors"):
        pace.fit(laps, mode="quick", last=last, priors=STANDARD_PRIORS.widened(2))


@pytest.fixture(scope="module")
def many() -> pd.DataFrame:
    laps = simulate(SeasonPlan(4, 30, 24, (NORTH, SOUTH), 8, 2, 0.5, p_wet=0.3), 7).counted()
    return laps.assign(timing_u_s=usual_uncertainty(laps))


def usual_uncertainty(laps: pd.DataFrame) -> list[float]:
    usual = {method: lap_uncertainty(method, None) for method in set(laps["timing"].dropna())}
    return [usual.get(method, lap_uncertainty(None, None)) for method in laps["timing"]]


@pytest.mark.slow
@pytest.mark.parametrize("touched", ["the last day", "everything"])
def test_laps_that_are_counted_again_say_what_they_said(many, touched):
    """What was known is given back: nothing counts twice, and nothing that is held is off."""
    with few_sweeps():
        last = pace.fit(many, mode="fast", draws=400)
    mine = (many["date"] == many["date"].max()) | (touched == "everything")
    again = many.assign(timing_u_s=many["timing_u_s"] * np.where(mine, 1 + 1e-6, 1.0))
    found = pace.fit(again, mode="quick", last=last)
    assert (found.posterior.groups["build"] != last.posterior.groups["build"]).any()
    seen = last.runs.reset_index().assign(lap=2)
    for was, now in (
        [fit.log_time(pace.adjusted_rows(last)) for fit in (last, found)],
        [total(fit.parts(seen)) for fit in (last, found)],
    ):
        apart = (np.median(now, axis=0) - np.median(was, axis=0)) / was.std(axis=0)
        assert np.sqrt(np.mean(apart**2)) < 0.12
        assert np.median(now.std(axis=0) / was.std(axis=0)) == pytest.approx(1, abs=0.06)


@pytest.mark.slow
def test_outings_and_unknown_facts_of_untouched_runs_stay_though_runs_are_numbered_anew(many):
    day = many["date"] == many["date"].max()
    new = day & (many["build"] == many.loc[day, "build"].min())
    with few_sweeps():
        last = pace.fit(many[~new], mode="full", draws=60)
    found = pace.fit(many, mode="quick", last=last)
    ran = {who: set(many.loc[new, who]) for who in ("build", "driver", "date")}
    key = list(RUN_KEY)
    old = dict(zip(last.runs[key].itertuples(index=False, name=None), last.runs.index, strict=True))
    moved = compared = 0
    for number, run in zip(found.runs.index, found.runs.to_dict("records"), strict=True):
        if any(run[who] in its for who, its in ran.items()):
            continue
        was, now = (str(old[tuple(run[name] for name in key)]),), (str(number),)
        moved += was != now
        for kind in ("groups", "unknown"):
            name = "outing" if kind == "groups" else "cycles"
            numbers = [
                (fit.level_numbers if kind == "groups" else fit.unknown_numbers)[name]
                for fit in (last, found)
            ]
            assert (was in numbers[0]) == (now in numbers[1])
            if was in numbers[0]:
                one, other = (getattr(fit.posterior, kind)[name] for fit in (last, found))
                assert (one[:, numbers[0][was]] == other[:, numbers[1][now]]).all()
                compared += kind == "unknown"
    assert moved > 10
    assert compared > 3


def test_a_fact_that_is_recorded_later_touches_its_build(laps, before, new):
    some = laps[~new].copy()
    unknown = some["treadwear"].isna() & (some["tyre_category"] == "sport")
    build = some.loc[unknown, "build"].iloc[0]
    some.loc[unknown & (some["build"] == build), "treadwear"] = 220.0
    found = pace.fit(some, mode="quick", last=before)
    was, now = draws_by_name(before, "build"), draws_by_name(found, "build")
    assert {name for name in was if not (was[name] == now[name]).all()} == {(build,)}


def test_a_last_fit_read_from_its_file_is_as_good(laps, before, quick, tmp_path):
    kept = FitFile(tmp_path / "fit", write_fit(before, {}, tmp_path / "fit")).all()
    found = pace.fit(laps, mode="quick", last=kept)
    for name, values in quick.posterior.arrays().items():
        np.testing.assert_allclose(found.posterior.arrays()[name], values, atol=1e-6, err_msg=name)


def test_one_quick_fit_may_follow_another(laps, new, before, quick):
    day_before = laps["date"] == laps.loc[~new, "date"].max()
    fewer = pace.fit(laps[~new & ~day_before], mode="quick", last=before)
    found = pace.fit(laps, mode="quick", last=fewer)
    rows = pace.adjusted_rows(quick)
    apart = np.median(found.log_time(rows), axis=0) - np.median(quick.log_time(rows), axis=0)
    assert np.sqrt(np.mean((apart / quick.log_time(rows).std(axis=0)) ** 2)) < 0.5


def test_a_new_driver_has_the_delay_that_the_laps_tell(laps, monkeypatch):
    driver = laps["driver"].iloc[0]
    with few_sweeps():
        last = pace.fit(laps[laps["driver"] != driver], mode="fast", draws=60)
    monkeypatch.setattr(new_laps, "driver_delays", lambda s, *_: np.full(s.laps.n_drivers, 3))
    found = pace.fit(laps, mode="quick", last=last)
    tau = dict(zip(found.levels["driver"], found.posterior.noise["tau"].T, strict=True))
    centre = last.posterior.noise["tau_centre"].mean()
    np.testing.assert_allclose(tau.pop((driver,)), centre * fast.TAU_GRID[3])
    was = dict(zip(last.levels["driver"], last.posterior.noise["tau"].T, strict=True))
    for name, delay in tau.items():
        np.testing.assert_array_equal(delay, was[name])


def test_a_quick_fit_needs_a_last_one_and_not_too_much_that_is_new(laps, before, monkeypatch):
    with pytest.raises(BadQuestion, match="goes on from the last one"):
        pace.fit(laps, mode="quick")
    monkeypatch.setattr(new_laps, "MOST_NEAR", 5)
    with pytest.raises(BadQuestion, match=r"touches \d+ of \d+ outings, more than 5: fit in full"):
        pace.fit(laps, mode="quick", last=before)
