"""The mixed-model equations of a large store, factorised sparsely.

The largest group whose columns never meet in one row (sessions, say) is eliminated first, each of
its columns by itself; the rest front by front (`model.fronts`), dense inside a front. The response
stands as the last column, so that what is left of it at the end is the residual sum of squares.
The diagonal of the inverse comes from the same fronts, last to first (Takahashi, Fagan and Chen
1973; Erisman and Tinney, Comm. ACM 18(3), 1975).

As in `model.mixed_equations` effects are spherical, b = theta u, so a standard deviation of nought
is an ordinary point. One BLAS thread is quickest: fronts are small.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.linalg.blas import dgemm, dsymm, dsyrk, dtrsm
from scipy.linalg.lapack import dpotrf, dpotri
from scipy.sparse import coo_array, csc_array, diags_array, tril

from benchmark.model.compiled import COMPILED
from benchmark.model.front_kernels import (
    add_child,
    add_cliques,
    add_columns,
    part_of,
    square_sums,
    whole_of,
)
from benchmark.model.fronts import Plan, plan_fronts
from benchmark.model.mixed_equations import FIXED, TINY

# Relative ridge on ordinary coefficients, so that aliased columns share instead of failing. Ten
# times as much would show in the sixth decimal of the criterion.
RIDGE = 1e-12


@dataclass(frozen=True)
class Equations:
    """Cross products of one problem, split in the columns that are eliminated first and the rest.

    Attributes
    ----------
    diagonal : of the eliminated columns, (eliminated,).
    coupling : the rest by the eliminated columns, (rest + 1, eliminated); last row the response.
    rest : of the rest, (rest + 1, rest + 1), symmetric; the response is last.
    first_block : block of the eliminated columns.
    block : block of each column of the rest, FIXED for ordinary ones.
    n_blocks : how many blocks there are.
    n_rows : rows that the sums go over; a row counts as often as its weight says.
    """

    diagonal: np.ndarray
    coupling: csc_array
    rest: csc_array
    first_block: int
    block: np.ndarray
    n_blocks: int
    n_rows: float

    @property
    def n_rest(self) -> int:
        """Number of columns that are not eliminated first, the response left out."""
        return len(self.block)

    @property
    def n_fixed(self) -> int:
        """Number of ordinary coefficients."""
        return int((self.block == FIXED).sum())

    def sizes(self) -> np.ndarray:
        """Return how many columns each block has, (blocks,)."""
        count = np.bincount(self.block[self.block != FIXED], minlength=self.n_blocks)
        count[self.first_block] += len(self.diagonal)
        return np.asarray(count)


class Elimination:
    """The plan of one problem's factorisation, and its numbers in the order of elimination.

    A `plan` made before for equations of the same pattern may be handed in.
    """

    def __init__(self, equations: Equations, plan: Plan | None = None) -> None:
        self.equations = equations
        n = equations.n_rest
        self.plan = plan = plan or plan_fronts(n, *_cliques(equations), equations.block == FIXED)
        place = np.empty(n + 1, dtype=np.int64)
        place[plan.order], place[n] = np.arange(n), n
        self.place = place
        coupling = equations.coupling
        self.coupling = csc_array(
            (coupling.data, place[coupling.indices].astype(np.int32), coupling.indptr),
            shape=coupling.shape,
            copy=True,
        )
        self.coupling.sort_indices()
        self.starts, self.rows = self.coupling.indptr.astype(np.int64), self.coupling.indices
        rest: Any = coo_array(tril(equations.rest))
        ends = np.sort(np.stack([place[c] for c in rest.coords]), axis=0)
        self.rest = csc_array((rest.data, (ends[1], ends[0])), shape=(n + 1, n + 1))
        self.block = equations.block[plan.order]
        inside, counts = self.rows < n, np.diff(self.starts)
        clique = np.repeat(np.arange(len(counts)), counts)[inside]
        filled = np.concatenate([[0], np.cumsum(np.bincount(clique, minlength=len(counts)))])
        home = plan.front_of_cliques(filled, self.rows[inside])
        self.by_front = np.argsort(home, kind="stable")
        self.begins = np.searchsorted(home[self.by_front], np.arange(plan.n_fronts + 1))
        self.index = [self._index(f) for f in range(plan.n_fronts)]
        self.at = [self._at(f) for f in range(plan.n_fronts)]
        self.children: list[list[int]] = [[] for _ in self.index]
        for f, parent in enumerate(plan.parent):
            if parent >= 0:
                self.children[parent].append(f)

    def _index(self, f: int) -> np.ndarray:
        """Places of a front: its pivots, its border and the response."""
        plan = self.plan
        pivots = np.arange(plan.first[f], plan.first[f + 1])
        return np.concatenate([pivots, plan.border_of(f), [self.equations.n_rest]])

    def _at(self, f: int) -> np.ndarray:
        """Where the border of a front, response included, stands in its parent."""
        parent = self.plan.parent[f]
        border = self.index[f][self.plan.first[f + 1] - self.plan.first[f] :]
        return np.searchsorted(self.index[parent], border) if parent >= 0 else border[:0]

    def scale(self, theta: np.ndarray) -> np.ndarray:
        """Relative standard deviation of each place; 1 for ordinary ones and the response."""
        return np.append(np.where(self.block == FIXED, 1.0, np.append(theta, 1.0)[self.block]), 1.0)

    def factor(self, theta: np.ndarray) -> Factor:
        """Factorise at relative standard deviations, one a block.

        Raises
        ------
        numpy.linalg.LinAlgError
            The equations are not positive definite.
        """
        return Factor(self, np.asarray(theta, dtype=float))

    def times(self, first: np.ndarray, rest: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Multiply the unscaled cross products by columns, (eliminated, k) and (rest + 1, k)."""
        lower = self.rest
        diagonal = lower.diagonal()[:, None]
        up = self.equations.diagonal[:, None] * first + self.coupling.T @ rest
        down = self.coupling @ first + lower @ rest + lower.T @ rest - diagonal * rest
        return np.asarray(up), np.asarray(down)


def _cliques(equations: Equations) -> tuple[np.ndarray, np.ndarray]:
    """Columns of the rest that meet: those of each eliminated column, and pairs in the rest."""
    n = equations.n_rest
    coupling = equations.coupling
    inside = coupling.indices < n
    before = np.concatenate([[0], np.cumsum(inside)])
    counts = np.diff(before[coupling.indptr])
    pairs: Any = coo_array(tril(equations.rest[:n, :n], -1))
    alone = np.arange(n)  # every column is in some clique
    members = np.concatenate([coupling.indices[inside], np.stack(pairs.coords).T.ravel(), alone])
    lengths = np.concatenate([counts, np.full(pairs.nnz, 2), np.ones(n, dtype=np.int64)])
    return np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64), members.astype(np.int64)


class Factor:
    """The equations factorised at one set of relative standard deviations.

    Attributes
    ----------
    residual : penalised residual sum of squares.
    log_det : of all equations.
    """

    def __init__(self, elimination: Elimination, theta: np.ndarray) -> None:
        self.elimination, self.theta = elimination, theta
        equations = elimination.equations
        self.scale = elimination.scale(theta)
        self.own = np.full(len(equations.diagonal), np.append(theta, 1.0)[equations.first_block])
        self.diagonal = 1.0 + self.own**2 * equations.diagonal
        self.pivots: list[np.ndarray] = []
        self.border: list[np.ndarray] = []
        self._local = np.zeros(equations.n_rest + 1, dtype=np.int64)
        self._factorise()

    def _factorise(self) -> None:
        """Work the fronts first to last."""
        e = self.elimination
        ridge = RIDGE * np.maximum(e.rest.diagonal(), TINY)
        add = np.where(e.block == FIXED, ridge[:-1], 1.0)
        rest, eliminated = e.rest, self._eliminated()
        left: dict[int, np.ndarray] = {}
        log_det = float(np.log(self.diagonal).sum())
        if not COMPILED:
            rest = self._multiplied_out()
        residual = 0.0
        for f, index in enumerate(e.index):
            first, stop = e.plan.first[f], e.plan.first[f + 1]
            k, m = int(stop - first), len(index) - int(stop - first)
            parts = tuple(np.zeros(shape, order="F") for shape in ((k, k), (m, k), (m, m)))
            self._local[index] = np.arange(len(index))
            add_columns(parts, self._local, first, rest.indptr, rest.indices, rest.data, self.scale)
            if COMPILED:
                add_cliques(
                    parts, self._local, e.by_front[slice(*e.begins[f : f + 2])], *eliminated
                )
            for child in e.children[f]:
                add_child(parts, left.pop(child), e.at[child])
            pivots, border, over = parts
            pivots[np.diag_indices(k)] += add[first:stop]
            pivots, failed = dpotrf(pivots, lower=1, clean=1, overwrite_a=1)
            if failed:
                raise np.linalg.LinAlgError("the mixed-model equations are not positive definite")
            border = dtrsm(1.0, pivots, border, side=1, lower=1, trans_a=1, overwrite_b=1)
            over = dsyrk(-1.0, border, beta=1.0, c=over, lower=1, overwrite_c=1)
            self.pivots.append(pivots)
            self.border.append(border)
            log_det += 2 * float(np.log(np.diag(pivots)).sum())
            if e.plan.parent[f] >= 0:
                left[f] = over
            else:
                residual += float(over[-1, -1])
        self.log_det = log_det
        self.residual = max(residual + self._alone(), TINY)

    def _alone(self) -> float:
        """What the response adds to the residual that no front has seen."""
        e = self.elimination
        total = float(e.rest[-1, -1])
        if not COMPILED:
            return float(self._rest_of_response)
        unseen = e.by_front[: e.begins[0]]  # eliminated columns that meet nothing but the response
        coupling = e.coupling[[e.equations.n_rest], :].toarray()[0][unseen]
        return total - float((self.own[unseen] ** 2 * coupling**2 / self.diagonal[unseen]).sum())

    def _eliminated(self) -> tuple[np.ndarray, ...]:
        """What the kernels need of the eliminated columns."""
        e = self.elimination
        values = e.coupling.data
        return e.starts, e.rows, values, self.scale, self.own, self.diagonal

    def _multiplied_out(self) -> csc_array:
        """The rest less what the eliminated columns explain, unscaled: without numba."""
        e = self.elimination
        weight = diags_array(self.own**2 / self.diagonal)
        product = csc_array(tril(e.rest - tril(e.coupling @ weight @ e.coupling.T)))
        product.sort_indices()
        self._rest_of_response = product[-1, -1]
        return product

    @cached_property
    def effects(self) -> tuple[np.ndarray, np.ndarray]:
        """Spherical effects of the eliminated columns, and of the rest in order of elimination."""
        n = self.elimination.equations.n_rest
        start = np.concatenate([border[-1] for border in self.border] or [np.zeros(0)])
        rest = self.backward(np.append(start, 0.0)[:, None])[:, 0]
        rest[n] = -1.0
        first = -self.own / self.diagonal * (self.elimination.coupling.T @ (self.scale * rest))
        return np.asarray(first), rest[:n]

    def release(self) -> None:
        """Give back the memory of the fronts; effects that were asked for stay."""
        self.pivots, self.border = [], []

    def backward(self, right: np.ndarray) -> np.ndarray:
        """Solve L' x = right among the rest; (rest + 1, k), the last row is left alone."""
        e = self.elimination
        out = np.asfortranarray(right, dtype=float).copy(order="F")
        out[-1] = 0.0
        for f in range(e.plan.n_fronts - 1, -1, -1):
            first, stop = e.plan.first[f], e.plan.first[f + 1]
            index = e.index[f][stop - first :]
            here = out[first:stop] - self.border[f].T @ out[index]
            out[first:stop] = dtrsm(1.0, self.pivots[f], here, lower=1, trans_a=1)
        return out

    def forward(self, first: np.ndarray, rest: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Solve L x = right; (eliminated, k) and (rest, k) in the order of elimination."""
        e = self.elimination
        root = np.sqrt(self.diagonal)[:, None]
        up = first / root
        out = rest - (self.scale[:, None] * (e.coupling @ (self.own[:, None] * up / root)))[:-1]
        for f in range(e.plan.n_fronts):
            begin, stop = e.plan.first[f], e.plan.first[f + 1]
            here = dtrsm(1.0, self.pivots[f], np.asfortranarray(out[begin:stop]), lower=1)
            out[begin:stop] = here
            index = e.index[f][stop - begin : -1]
            out[index] -= self.border[f][:-1] @ here
        return up, out

    def traces(self) -> np.ndarray:
        """Return the summed diagonal of the inverse of the equations by block, (blocks,)."""
        e = self.elimination
        total = np.zeros(e.equations.n_blocks + 1)
        seen = e.by_front[: e.begins[0]]
        sessions = float((1 / self.diagonal[seen]).sum())
        squared = None if COMPILED else self._squared()
        kept: dict[int, np.ndarray] = {}
        for f in range(e.plan.n_fronts - 1, -1, -1):
            first, stop = e.plan.first[f], e.plan.first[f + 1]
            inverse = self._inverse(f, kept)
            np.add.at(total, e.block[first:stop], np.diag(inverse)[: stop - first])
            self._local[e.index[f]] = np.arange(len(e.index[f]))
            if squared is None:
                mine = e.by_front[slice(*e.begins[f : f + 2])]
                sessions += square_sums(inverse, self._local, mine, *self._eliminated())
            else:
                sessions += _dot(inverse, self._local, squared, int(first), int(stop))
            if e.children[f]:
                kept[f] = inverse
            parent = int(e.plan.parent[f])
            if parent >= 0 and e.children[parent][0] == f:
                del kept[parent]  # its last child is done
        total[e.equations.first_block] += sessions
        if squared is not None:
            total[e.equations.first_block] += float((1 / np.delete(self.diagonal, seen)).sum())
        return total[:-1]

    def _inverse(self, f: int, kept: dict[int, np.ndarray]) -> np.ndarray:
        """The inverse of the equations at the places of one front; lower half."""
        own, _ = dpotri(self.pivots[f], lower=1)
        if len(self.border[f]) == 1:
            return np.asarray(own)
        e = self.elimination
        beyond = part_of(kept[int(e.plan.parent[f])], e.at[f][:-1])
        through = dtrsm(1.0, self.pivots[f], self.border[f][:-1], side=1, lower=1)
        across = dsymm(1.0, beyond, through, lower=1)
        own = dgemm(1.0, through, across, beta=1.0, c=own, trans_a=1, overwrite_c=1)
        return whole_of(own, across, beyond)

    def _squared(self) -> csc_array:
        """Weights that turn entries of the inverse into its trace over eliminated columns."""
        e = self.elimination
        weight = diags_array(self.own**2 / self.diagonal**2)
        scaled = diags_array(self.scale) @ e.coupling
        return csc_array(tril(scaled @ weight @ scaled.T))


def _dot(
    inverse: np.ndarray, local: np.ndarray, weights: csc_array, first: int, stop: int
) -> float:
    """Sum the entries of one front's own columns of the inverse, weighted."""
    entries = slice(weights.indptr[first], weights.indptr[stop])
    column = np.repeat(np.arange(stop - first), np.diff(weights.indptr[first : stop + 1]))
    row = local[weights.indices[entries]]
    inside = row < len(inverse)
    row, column = row[inside], column[inside]
    values = (
        inverse[np.maximum(row, column), np.minimum(row, column)] * weights.data[entries][inside]
    )
    return float((np.where(row == column, 1.0, 2.0) * values).sum())
