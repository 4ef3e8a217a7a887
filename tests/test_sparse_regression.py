"""Columns inside others: told or not, a sparse regression finds the same."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array, hstack

from benchmark.model import sparse_regression
from benchmark.model.mixed_equations import FIXED
from benchmark.model.parted_rows import Rows
from benchmark.model.sparse_regression import SparseComponentRegression

DAYS, SESSIONS, CARS, ROWS = 12, 48, 30, 600
CAR = 2  # block
BLOCK_SIZES = (DAYS, SESSIONS, CARS)
SIZE_PRIORS = np.array([[1.0, 1.0], [1.0, 1.0], [1.0, 1.0]])


@pytest.fixture(scope="module")
def rows():
    """Cars in sessions of days, with effects of sizes 2, 1 and 3 and noise of 1."""
    rng = np.random.default_rng(4)
    session, car = rng.integers(0, SESSIONS, ROWS), rng.integers(0, CARS, ROWS)
    day = session // (SESSIONS // DAYS)
    sizes = (2.0, 1.0, 3.0)
    effects = [sd * rng.standard_normal(n) for sd, n in zip(sizes, BLOCK_SIZES, strict=True)]
    y = effects[0][day] + effects[1][session] + effects[2][car] + rng.standard_normal(ROWS)
    x = np.zeros((ROWS, sum(BLOCK_SIZES) + 1))
    for code, offset in ((day, 0), (session, DAYS), (car, DAYS + SESSIONS)):
        x[np.arange(ROWS), offset + code] = 1
    x[:, -1] = 1
    return csr_array(x), y


def fitted(rows, *, nested: bool, monkeypatch) -> SparseComponentRegression:
    x, y = rows
    monkeypatch.setattr(sparse_regression, "CLOSE", 1e-8)
    blocks = np.append(np.repeat(np.arange(3), BLOCK_SIZES), FIXED)
    parent = np.full(len(blocks), -1)
    if nested:
        parent[DAYS : DAYS + SESSIONS] = np.arange(SESSIONS) // (SESSIONS // DAYS)
    # Every other car goes late where sessions are inside days: neither may change an answer.
    late = nested & (blocks == CAR) & (np.arange(len(blocks)) % 2 == 0)
    found = SparseComponentRegression(blocks, SIZE_PRIORS, np.ones(3), parent, late)
    parts = Rows(csr_array(x[:, :-1]), x[:, -1:].toarray())
    found.fit_sizes(parts, y, np.ones(ROWS))
    found.fit(parts, y, np.ones(ROWS))
    return found


@pytest.fixture
def both(rows, monkeypatch):
    return [fitted(rows, nested=nested, monkeypatch=monkeypatch) for nested in (False, True)]


def test_parents_that_reach_the_rows_through_their_children_change_no_answer(both):
    apart, nested = both
    assert nested.sds_ == pytest.approx(apart.sds_, rel=1e-6)
    assert nested.coef_ == pytest.approx(apart.coef_, abs=1e-6)


def test_draws_of_nested_columns_have_the_spread_of_the_equations(both, rows):
    x, _ = rows
    sds = np.array([2.0, 1.0, 3.0])
    precision = (x.T @ x).toarray() + np.diag(np.append(np.repeat(sds**-2, BLOCK_SIZES), 0))
    expected = np.sqrt(np.diag(np.linalg.inv(precision)))
    n = 4000
    for one in both:
        drawn = np.concatenate(list(one.draw(sds, n, np.random.default_rng(2))))
        # Five standard errors of a standard deviation from so many draws.
        assert drawn.std(axis=0) == pytest.approx(expected, rel=5 / np.sqrt(2 * n))


def test_columns_without_a_row_change_no_standard_deviation(both, rows, monkeypatch):
    """Entries of other runs than those that sizes are fitted to; left out, as they add nothing."""
    monkeypatch.setattr(sparse_regression, "CLOSE", 1e-8)
    x, y = rows
    absent = 7
    blocks = np.concatenate([np.repeat(np.arange(3), BLOCK_SIZES), np.full(absent, CAR), [FIXED]])
    groups = csr_array(hstack([x[:, :-1], csr_array((ROWS, absent))]))
    none, never = np.full(len(blocks), -1), np.zeros(len(blocks), dtype=bool)
    found = SparseComponentRegression(blocks, SIZE_PRIORS, np.ones(3), none, never)
    found.fit_sizes(Rows(groups, x[:, -1:].toarray()), y, np.ones(ROWS))
    assert found.sds_ == pytest.approx(both[0].sds_, rel=1e-6)


def test_draws_given_some_columns_are_those_of_the_conditional_normal(rows):
    """Days and the constant given: all else has the mean and covariance of dense algebra."""
    x, y = rows
    sds = np.array([2.0, 1.0, 3.0])
    blocks = np.append(np.repeat(np.arange(3), BLOCK_SIZES), FIXED)
    parent = np.full(len(blocks), -1)
    parent[DAYS : DAYS + SESSIONS] = np.arange(SESSIONS) // (SESSIONS // DAYS)
    given = (blocks == 0) | (blocks == FIXED)
    late = np.arange(len(blocks)) % 5 == 0
    found = SparseComponentRegression(blocks, SIZE_PRIORS, sds, parent, late, given)
    found.fit(Rows(csr_array(x[:, :-1]), x[:, -1:].toarray()), y, np.ones(ROWS))
    values = np.random.default_rng(3).normal(0, 4, given.sum())  # far from what the rows say
    n = 4000
    many = np.tile(values, (n, 1))
    drawn = np.concatenate(list(found.draw(sds, n, np.random.default_rng(2), values=many)))
    assert drawn[:, given] == pytest.approx(many, abs=1e-6)
    free = x.toarray()[:, ~given]
    left = y - x.toarray()[:, given] @ values
    covariance = np.linalg.inv(free.T @ free + np.diag(np.append(sds, 0)[blocks[~given]] ** -2.0))
    spread = np.sqrt(np.diag(covariance))
    off = (drawn[:, ~given].mean(axis=0) - covariance @ free.T @ left) / spread
    assert np.abs(off).max() < 5 / np.sqrt(n)
    seen = np.corrcoef(drawn[:, ~given].T)
    assert seen == pytest.approx(covariance / np.outer(spread, spread), abs=5 / np.sqrt(n))
    assert drawn[:, ~given].std(axis=0) == pytest.approx(spread, rel=5 / np.sqrt(2 * n))
