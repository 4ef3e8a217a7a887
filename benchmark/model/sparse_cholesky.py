"""The mixed-model equations of a large store, factorised sparsely.

The largest group whose columns never meet in one row (sessions, say) is eliminated first, each of
its columns by itself; the rest front by front (`model.fronts`), dense inside a front. The response
stands as the last column, so that what is left of it at the end is the residual sum of squares.
The diagonal of the inverse comes from the same fronts, last to first (Takahashi, Fagan and Chen
1973; Erisman and Tinney, Comm. ACM 18(3), 1975).

As in `model.mixed_equations` effects are spherical, b = theta u, so a standard deviation of nought
is an ordinary point. One BLAS thread is quickest: fronts are small.

A column of a nested block (a session's, say, whose rows are all of one day) may stand for the sum
of its own effect and its parent's (hierarchical centring: Gelfand, Sahu and Carlin, Biometrika
82(3), 1995). The parent then meets its children only and no row, which halves the work; none of
these two standard deviations may be nought.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from scipy.linalg.blas import dgemm, dsymm, dsyrk, dtrsm, strsm
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
from benchmark.model.fronts import plan_fronts
from benchmark.model.mixed_equations import FIXED, TINY
from benchmark.model.sparse_equations import Equations, Links, cliques

# Relative ridge on ordinary coefficients, so that aliased columns share instead of failing. Ten
# times as much would show in the sixth decimal of the criterion.
RIDGE = 1e-12


class Elimination:
    """The plan of one problem's factorisation, and its numbers in the order of elimination."""

    def __init__(self, equations: Equations) -> None:
        self.equations = equations
        n = equations.n_rest
        late = np.zeros(n, dtype=bool) if equations.late is None else equations.late
        given = np.zeros(n, dtype=bool) if equations.given is None else equations.given
        fixed = equations.block == FIXED
        self.plan = plan = plan_fronts(n, *cliques(equations), fixed, late, given)
        self.n_given = int(given.sum())
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
        self.starts = self.coupling.indptr.astype(np.int64)
        self.rows = self.coupling.indices.astype(np.int32, copy=False)  # one type: compiled once
        rest: Any = coo_array(tril(equations.rest))
        self.block = equations.block[plan.order]
        self.links = Links(equations, place)
        ends = np.stack([place[c] for c in rest.coords])
        ends = np.sort(np.hstack([ends, self.links.pairs()]), axis=0)
        data = np.append(rest.data, np.zeros(ends.shape[1] - rest.nnz))
        self.rest = csc_array((data, (ends[1], ends[0])), shape=(n + 1, n + 1))
        self.rest.sum_duplicates()
        self.links.find_in(self.rest, plan)
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

    def rest_at(self, theta: np.ndarray) -> csc_array:
        """The rest with what parents and children share at these relative standard deviations."""
        if not len(self.links.child):
            return self.rest
        data = self.rest.data.copy()
        precision = theta[self.links.block] ** -2.0
        data[self.links.at] -= precision
        np.add.at(data, self.links.at_parent, precision)
        return csc_array((data, self.rest.indices, self.rest.indptr), shape=self.rest.shape)

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
        rest, eliminated = e.rest_at(self.theta), self._eliminated()
        left: dict[int, np.ndarray] = {}
        log_det = float(np.log(self.diagonal).sum())
        if not COMPILED:
            rest = self._multiplied_out(rest)
        residual = 0.0
        for f, index in enumerate(e.index):
            first, stop = e.plan.first[f], e.plan.first[f + 1]
            k, m = int(stop - first), len(index) - int(stop - first)
            parts = tuple(np.zeros(shape) for shape in ((k, k), (k, m), (m, m)))
            self._local[index] = np.arange(len(index))
            add_columns(parts, self._local, first, rest.indptr, rest.indices, rest.data, self.scale)
            if COMPILED:
                add_cliques(
                    parts, self._local, e.by_front[slice(*e.begins[f : f + 2])], *eliminated
                )
            for child in e.children[f]:
                add_child(parts, left.pop(child), e.at[child])
            pivots, border, over = (part.T for part in parts)
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
                left[f] = over.T
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

    def _multiplied_out(self, rest: csc_array) -> csc_array:
        """The rest less what the eliminated columns explain, unscaled: without numba."""
        e = self.elimination
        weight = diags_array(self.own**2 / self.diagonal)
        product = csc_array(tril(rest - tril(e.coupling @ weight @ e.coupling.T)))
        product.sort_indices()
        self._rest_of_response = product[-1, -1]
        return product

    @cached_property
    def solution(self) -> tuple[np.ndarray, np.ndarray]:
        """Scaled solution: of the eliminated columns, and of the rest in order of elimination.

        A child's is the sum of its own effect and its parent's.
        """
        n = self.elimination.equations.n_rest
        start = np.concatenate([border[-1] for border in self.border] or [np.zeros(0)])
        rest = self.backward(np.append(start, 0.0)[:, None])[:, 0]
        rest[n] = -1.0
        first = -self.own / self.diagonal * (self.elimination.coupling.T @ (self.scale * rest))
        return np.asarray(first), rest[:n]

    @cached_property
    def effects(self) -> tuple[np.ndarray, np.ndarray]:
        """Spherical effects of the eliminated columns, and of the rest in order of elimination."""
        first, rest = self.solution
        e = self.elimination
        return first, e.links.own(self.theta, e.block, rest)

    def coefficients(self) -> tuple[np.ndarray, np.ndarray]:
        """Effects of the eliminated columns, and of the rest in the order they were given."""
        first, rest = self.effects
        out = np.empty(len(rest))
        out[self.elimination.plan.order] = rest * self.scale[:-1]
        return first * self.own, out

    def release(self) -> None:
        """Give back the memory of the fronts; effects that were asked for stay."""
        self.pivots, self.border = [], []

    def keep_singly(self) -> None:
        """Keep the fronts in single precision: enough for draws, in half the memory and time.

        The solution is worked out before.
        """
        _ = self.solution
        for fronts in (self.pivots, self.border):
            for f, front in enumerate(fronts):
                fronts[f] = np.asfortranarray(front, dtype=np.float32)

    def backward(self, right: np.ndarray) -> np.ndarray:
        """Solve L' x = right among the rest; (rest + 1, k), the last row is left alone."""
        e = self.elimination
        kind = self.pivots[0].dtype if self.pivots else float
        trsm = strsm if kind == np.float32 else dtrsm
        out = np.array(right, dtype=kind, order="F")
        out[-1] = 0.0
        for f in range(e.plan.n_fronts - 1, -1, -1):
            first, stop = e.plan.first[f], e.plan.first[f + 1]
            index = e.index[f][stop - first :]
            here = out[first:stop] - self.border[f].T @ out[index]
            out[first:stop] = trsm(1.0, self.pivots[f], here, lower=1, trans_a=1)
        return out

    def root_of_given(self, values: np.ndarray) -> np.ndarray:
        """Return what `backward` turns into these values of the given columns; (given, k)."""
        n = self.elimination.n_given
        last: np.ndarray = self.pivots[-1][-n:, -n:]
        return np.asarray(np.tril(last).T @ values)

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
        squares, crossed = np.zeros(e.equations.n_rest), np.zeros(len(e.links.child))
        for f in range(e.plan.n_fronts - 1, -1, -1):
            first, stop = e.plan.first[f], e.plan.first[f + 1]
            inverse = self._inverse(f, kept)
            squares[first:stop] = np.diag(inverse)[: stop - first]
            self._local[e.index[f]] = np.arange(len(e.index[f]))
            linked = e.links.by_front[slice(*e.links.begins[f : f + 2])]
            ends = self._local[e.links.child[linked]], self._local[e.links.parent[linked]]
            crossed[linked] = inverse[np.maximum(*ends), np.minimum(*ends)]
            if squared is None:
                mine = e.by_front[slice(*e.begins[f : f + 2])]
                sessions += square_sums(inverse.T, self._local, mine, *self._eliminated())
            else:
                sessions += _dot(inverse, self._local, squared, int(first), int(stop))
            if e.children[f]:
                kept[f] = inverse
            parent = int(e.plan.parent[f])
            if parent >= 0 and e.children[parent][0] == f:
                del kept[parent]  # its last child is done
        ratio = e.links.ratio(self.theta, e.block)
        squares[e.links.child] += ratio**2 * squares[e.links.parent] - 2 * ratio * crossed
        np.add.at(total, e.block, squares)
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
        beyond = part_of(kept[int(e.plan.parent[f])].T, e.at[f][:-1]).T
        through = dtrsm(1.0, self.pivots[f], self.border[f][:-1], side=1, lower=1)
        across = dsymm(1.0, beyond, through, lower=1)
        own = dgemm(1.0, through, across, beta=1.0, c=own, trans_a=1, overwrite_c=1)
        return whole_of(own.T, across.T, beyond.T).T

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
