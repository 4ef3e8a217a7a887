"""Filling fronts: the entries of the equations put into small dense matrices.

Compiled where numba is installed. Without it the eliminated columns are multiplied out by scipy
beforehand (`sparse_cholesky.Elimination`), so that these loops see the rest of the equations only.
A front is held in three parts: `pivots` (k, k), `border` (k, m) and `left` (m, m), of which the
upper halves count: the transposes of what LAPACK works on. Seen so, an array of whatever size is
stored row by row to numba, which compiles each loop once; one of a single column in Fortran's order
would be of another kind.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from benchmark.model.compiled import COMPILED, compiled

Array = np.ndarray


@compiled
def add_columns(
    parts: Any, local: Array, first: Any, starts: Array, rows: Array, values: Array, scale: Array
) -> None:
    """Add the scaled entries of the front's own columns; `local` is where a place stands in it."""
    pivots, border, _ = parts
    k = pivots.shape[0]
    for j in range(k):
        own = scale[first + j]
        for t in range(starts[first + j], starts[first + j + 1]):
            i = local[rows[t]]
            value = own * scale[rows[t]] * values[t]
            if i < k:
                pivots[min(i, j), max(i, j)] += value
            else:
                border[j, i - k] += value


@compiled
def add_cliques(
    parts: Any,
    local: Array,
    mine: Array,
    starts: Array,
    rows: Array,
    values: Array,
    scale: Array,
    own: Array,
    diagonal: Array,
) -> None:
    """Take off what each eliminated column of this front explains: an outer product each.

    The rows of a column ascend, so both loops run along the rows of the front.
    """
    pivots, border, left = parts
    k = pivots.shape[0]
    at = np.empty(len(local), dtype=np.int64)
    value = np.empty(len(local))
    for e in mine:
        begin = starts[e]
        n = starts[e + 1] - begin
        inside = 0
        for s in range(n):
            at[s] = local[rows[begin + s]]
            value[s] = scale[rows[begin + s]] * values[begin + s]
            inside += at[s] < k
        by_all = own[e] * own[e] / diagonal[e]
        for t in range(inside):
            by, j = by_all * value[t], at[t]
            for s in range(t, inside):
                pivots[j, at[s]] -= by * value[s]
            for s in range(inside, n):
                border[j, at[s] - k] -= by * value[s]
        for t in range(inside, n):
            by, j = by_all * value[t], at[t] - k
            for s in range(t, n):
                left[j, at[s] - k] -= by * value[s]


@compiled
def add_child(parts: Any, child: Array, at: Array) -> None:
    """Add what a child front left over; `at` is where its border stands in this front."""
    pivots, border, left = parts
    k = pivots.shape[0]
    for b in range(len(at)):
        j = at[b]
        for a in range(b, len(at)):
            i = at[a]
            if i < k:
                pivots[j, i] += child[b, a]
            elif j < k:
                border[j, i - k] += child[b, a]
            else:
                left[j - k, i - k] += child[b, a]


@compiled
def part_of(inverse: Array, at: Array) -> Array:
    """Return some rows and columns of a symmetric matrix; upper halves."""
    m = len(at)
    out = np.empty((m, m))
    for b in range(m):
        for a in range(b, m):
            out[b, a] = inverse[at[b], at[a]]
    return out


@compiled
def whole_of(own: Array, across: Array, beyond: Array) -> Array:
    """Join the parts of a front's inverse, the border's with the opposite sign; upper halves."""
    k, m = own.shape[0], beyond.shape[0]
    out = np.empty((k + m, k + m))
    for j in range(k):
        for i in range(j, k):
            out[j, i] = own[j, i]
        for i in range(m):
            out[j, k + i] = -across[j, i]
    for j in range(m):
        for i in range(j, m):
            out[k + j, k + i] = beyond[j, i]
    return out


@compiled
def square_sums(
    inverse: Array,
    local: Array,
    mine: Array,
    starts: Array,
    rows: Array,
    values: Array,
    scale: Array,
    own: Array,
    diagonal: Array,
) -> Any:
    """Return the summed diagonal of the inverse over the eliminated columns of one front."""
    total = 0.0
    m = inverse.shape[0]
    at = np.empty(len(local), dtype=np.int64)
    value = np.empty(len(local))
    for e in mine:
        begin = starts[e]
        n = starts[e + 1] - begin
        for s in range(n):
            at[s] = local[rows[begin + s]]
            value[s] = scale[rows[begin + s]] * values[begin + s]
        if n > 0 and at[n - 1] >= m:  # the response
            n -= 1
        through = 0.0
        for t in range(n):
            j = at[t]
            inner = 0.5 * inverse[j, j] * value[t]
            for s in range(t + 1, n):
                inner += inverse[j, at[s]] * value[s]
            through += 2.0 * value[t] * inner
        total += 1 / diagonal[e] + through * (own[e] / diagonal[e]) ** 2
    return total


def _add_columns_plainly(
    parts: Any, local: Array, first: int, starts: Array, rows: Array, values: Array, scale: Array
) -> None:
    pivots, border, _ = parts
    k = len(pivots)
    entries = slice(starts[first], starts[first + k])
    j = np.repeat(np.arange(k), np.diff(starts[first : first + k + 1]))
    i = local[rows[entries]]
    value = values[entries] * scale[rows[entries]] * scale[first + j]
    inside = i < k
    np.add.at(pivots, (np.minimum(i, j)[inside], np.maximum(i, j)[inside]), value[inside])
    np.add.at(border, (j[~inside], i[~inside] - k), value[~inside])


def _add_child_plainly(parts: Any, child: Array, at: Array) -> None:
    pivots, border, left = parts
    k = len(pivots)
    n = int(np.searchsorted(at, k))
    up, down = at[:n], at[n:] - k
    upper = np.triu(child)
    pivots[np.ix_(up, up)] += upper[:n, :n]
    border[np.ix_(up, down)] += upper[:n, n:]
    left[np.ix_(down, down)] += upper[n:, n:]


def _part_of_plainly(inverse: Array, at: Array) -> Array:
    return np.asarray(inverse[np.ix_(at, at)])


def _whole_of_plainly(own: Array, across: Array, beyond: Array) -> Array:
    return np.block([[own, -across], [np.zeros_like(across.T), beyond]])


if not COMPILED:
    part_of, whole_of = _part_of_plainly, _whole_of_plainly
    add_columns, add_child = _add_columns_plainly, _add_child_plainly
