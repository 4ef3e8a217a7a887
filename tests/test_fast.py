"""The fast mode: chosen by size, says so, and comes close to the full mode.

How close on whole club seasons is measured by `tests.studies.fast_mode`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array, hstack

from benchmark.model import fast as fast_mode
from benchmark.model import pace, run_regression, sparse_regression
from benchmark.model.effects import Effects
from benchmark.model.fit import Fit
from benchmark.model.gibbs import SD_GROUPS, Gibbs, Known
from benchmark.model.noise import Noise
from benchmark.model.parted_rows import Rows
from benchmark.model.posterior import interval
from benchmark.model.priors import STANDARD_PRIORS
from benchmark.model.run_sites import RunSites
from benchmark.model.simulate import simulate
from benchmark.model.structure import Structure, structure
from benchmark.model.variance import VarianceComponentRegression
from tests.conftest import SMALL

DRAWS = 300


@pytest.fixture(scope="module", autouse=True)
def short_chains():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pace, "WARM_UP", 60)
        patch.setattr(pace, "KEEP", 200)
        patch.setattr(pace, "FAST_WARM_UP", 60)
        patch.setattr(pace, "FAST_KEEP", 100)
        patch.setattr("benchmark.model.fit.R_HAT_MOST", np.inf)
        yield


@pytest.fixture(scope="module")
def laps() -> pd.DataFrame:
    return simulate(SMALL, 2).counted()


@pytest.fixture(scope="module")
def fast(laps) -> Fit:
    return pace.fit(laps, mode="fast", draws=DRAWS)


def adjusted(found: Fit) -> pd.DataFrame:
    """Adjusted times of all entries: mean and 90 % interval [log s], by build."""
    rows = pace.adjusted_rows(found)
    draws = found.log_time(rows)
    low, high = interval(draws)
    table = pd.DataFrame({"build": rows["build"], "mean": draws.mean(axis=0)})
    return table.assign(low=low, high=high).set_index("build").sort_index()


def test_the_fast_mode_comes_close_to_the_full_mode(laps, fast):
    full, quick = adjusted(pace.fit(laps, mode="full", draws=DRAWS)), adjusted(fast)
    width = (full["high"] - full["low"]).mean()
    off = np.sqrt(((quick["mean"] - full["mean"]) ** 2).mean())
    ratio = (quick["high"] - quick["low"]).mean() / width
    print(f"\n{100 * off:.2f} % apart; interval {100 * width:.2f} %, fast {ratio:.2f} of it")
    # A tenth of the interval is what short chains alone may differ by; the plug-in may cost more.
    assert off < 0.25 * width
    assert 0.6 < ratio < 1.4


def test_a_fit_of_the_fast_mode_says_what_it_left_out(laps, fast):
    assert fast.mode == "fast"
    assert "standard deviations plugged in" in fast.mode_note
    assert "at their most likely value" in fast.mode_note
    assert (fast.laps_used, fast.draws) == (len(laps), DRAWS)


def test_what_is_the_same_in_every_draw_is_kept_once(fast):
    data = fast.to_bytes()
    back = Fit.from_bytes(data)
    unknown = fast.posterior.unknown
    assert unknown  # the season has facts that nobody recorded
    for name, values in unknown.items():
        np.testing.assert_array_equal(back.posterior.unknown[name], values)
    assert len(data) < sum(v.nbytes for v in fast.posterior.arrays().values())
    np.testing.assert_array_equal(adjusted(back), adjusted(fast))


@pytest.mark.slow
def test_a_quick_fit_of_a_small_store_draws_all_with_what_the_last_one_learnt(laps):
    day = laps["date"].max()
    before = pace.fit(laps[laps["date"] < day], mode="full", draws=DRAWS)
    quick = pace.fit(laps, mode="quick", last=before)
    full = adjusted(pace.fit(laps, mode="full", draws=DRAWS))
    assert (quick.mode, quick.laps_used) == ("quick", len(laps))
    assert before.fit_id in quick.mode_note
    found = adjusted(quick)
    width = (full["high"] - full["low"]).mean()
    off = np.sqrt(((found["mean"] - full["mean"]) ** 2).mean())
    ratio = (found["high"] - found["low"]).mean() / width
    print(f"\n{100 * off:.2f} % apart; interval {100 * width:.2f} %, quick {ratio:.2f} of it")
    assert off < 0.25 * width
    assert 0.6 < ratio < 1.4


@pytest.fixture
def few_sweeps(monkeypatch):
    """For what does not depend on how well the noise was learnt."""
    monkeypatch.setattr(pace, "FAST_WARM_UP", 5)
    monkeypatch.setattr(pace, "FAST_KEEP", 20)


@pytest.mark.usefixtures("few_sweeps")
def test_the_fast_mode_is_chosen_by_size(laps, monkeypatch):
    assert pace.is_small(pace.structure(pace.model_frame(laps)))
    monkeypatch.setattr(pace, "FULL_MOST_LAPS", len(laps) - 1)
    assert pace.fit(laps, draws=20).mode == "fast"


@pytest.mark.usefixtures("few_sweeps")
def test_the_order_of_the_rows_changes_nothing_in_the_fast_mode(laps):
    mixed = laps.sample(frac=1, random_state=5)
    one, other = (pace.fit(table, mode="fast", draws=20) for table in (laps, mixed))
    pd.testing.assert_frame_equal(adjusted(one), adjusted(other), check_exact=True)


def observed(s: Structure) -> RunSites:
    """Every run observed at its quick laps, equally well."""
    sites = RunSites(s)
    sites.precision, sites.response = np.full(s.n_runs, 5e4), s.quick_laps()
    return sites


@pytest.fixture
def problem(laps, monkeypatch) -> run_regression.RunRegression:
    """The runs of a season as rows, solved."""
    s = structure(pace.model_frame(laps))
    sd = {name: STANDARD_PRIORS.sizes[name].median for name in SD_GROUPS}
    start = Gibbs(s, STANDARD_PRIORS, np.random.default_rng(1), Known(sd), Effects.nought(s))
    monkeypatch.setattr(sparse_regression, "CLOSE", 1e-4)
    made = run_regression.RunRegression(s, start, STANDARD_PRIORS, sd["outing"])
    for _ in range(2):  # the second starts from the first
        made.fit_sizes(observed(s))
        made.fit(observed(s))
    return made


def joined(rows: Rows) -> csr_array:
    return csr_array(hstack([rows.groups, csr_array(rows.features)]))


def test_sparse_equations_give_what_the_dense_estimator_gives(problem):
    sparse, (rows, y, weight) = (
        problem.model,
        problem._rows(observed(problem.s), np.arange(problem.s.n_runs)),
    )
    sizes = np.array([[STANDARD_PRIORS.sizes[g].median, STANDARD_PRIORS.sizes[g].log_sd]
                      for g in run_regression.BLOCKS])  # fmt: skip
    dense = VarianceComponentRegression(
        problem.blocks, fit_intercept=False, noise_sd=1.0, size_priors=sizes
    ).fit(joined(rows), y, weight)
    # The dense search ends where its criterion changes by 1e-12 of itself, which is 4e-5.
    best = dense.objective(np.log(dense.sds_))
    assert dense.objective(np.log(sparse.sds_)) == pytest.approx(best, abs=2e-4)
    assert sparse.sds_ == pytest.approx(dense.sds_, rel=1e-2)
    assert sparse.coef_ == pytest.approx(dense.coef_, abs=1e-4)
    n = 4000
    one = dense.draw(dense.sds_, n, np.random.default_rng(3))
    other = np.concatenate(list(sparse.draw(dense.sds_, n, np.random.default_rng(3))))
    spread = one.std(axis=0)
    # Monte Carlo error of n draws, four times; over some 300 columns.
    assert np.abs(one.mean(axis=0) - other.mean(axis=0)).max() < 4.5 * np.sqrt(2 / n) * spread.max()
    assert other.std(axis=0) == pytest.approx(spread, rel=4.5 / np.sqrt(n))
    some = slice(None, None, 9)
    apart = np.corrcoef(one[:, some].T) - np.corrcoef(other[:, some].T)
    assert np.abs(apart).max() < 5 * np.sqrt(2 / n)


def test_a_solution_without_a_factor_comes_close_to_the_exact_one(problem):
    rows = joined(problem.rows)[: problem.s.n_runs]
    exact = rows @ problem.model.coef_
    problem.model.coef_ = np.zeros(len(problem.blocks))
    problem.fit(observed(problem.s), 1e-5)
    apart = rows @ problem.model.coef_ - exact
    assert 0 < np.sqrt(np.mean(apart**2)) < 1e-4  # 0.01 % of a lap


def test_standard_deviations_are_drawn_about_their_estimates(problem):
    rng = np.random.default_rng(1)
    noise = Noise.at_prior(STANDARD_PRIORS, problem.s.laps.n_drivers)
    varied = {name: 0.01 * np.exp(0.2 * rng.standard_normal(40)) for name in run_regression.BLOCKS}
    drawn = fast_mode.size_draws(problem, fast_mode.Learnt(noise, varied, share=1.0), rng)
    assert len(drawn) == fast_mode.SIZE_DRAWS
    assert np.log(drawn).std(axis=0) == pytest.approx(np.full(len(varied), 0.2), rel=0.5)


def test_the_delay_of_a_driver_is_the_best_of_the_whole_grid(laps):
    s = structure(pace.model_frame(laps))
    noise = Noise.at_prior(STANDARD_PRIORS, s.laps.n_drivers)
    error = s.log_time - s.quick_laps()[s.run]
    found = fast_mode.driver_delays(s, noise, error)
    prior = STANDARD_PRIORS.sizes["delay_spread"].median
    values = []
    for factor in fast_mode.TAU_GRID:
        tau = np.full(s.laps.n_drivers, noise.tau_centre * factor)
        each = s.laps.log_likelihood(error, replace(noise, tau=tau))
        total = np.bincount(s.laps.driver, each, minlength=len(tau))
        values.append(total - 0.5 * (np.log(factor) / prior) ** 2)
    expected = np.argmax(values, axis=0)
    np.testing.assert_array_equal(found, expected)
    beside = np.clip(expected + 1, 0, len(values) - 1)
    np.testing.assert_array_equal(fast_mode.driver_delays(s, noise, error, beside), expected)
