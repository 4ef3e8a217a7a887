"""Which columns are eliminated together: the plan of a sparse Cholesky factorisation.

A front is a small dense matrix: the columns that are eliminated in it (its pivots) and the later
columns that they are connected to (its border). Fronts form a tree; each hands what is left of it
to its parent. Small fronts are merged where that saves more bookkeeping than it costs arithmetic
(Duff and Reid, ACM Trans. Math. Software 9(3), 1983; Ashcraft and Grimes, the same 15(4), 1989).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmark.model.compiled import compiled
from benchmark.model.minimum_degree import minimum_degree

Ints = np.ndarray
# What handling one more front costs, in multiplications: measured as some 40 microseconds.
FRONT_COST = 400_000.0
ENTRY_COST = 30.0  # of one entry handed to the parent, in multiplications
DENSE = 10.0  # a variable in more than this times sqrt(n) cliques goes last


@dataclass(frozen=True)
class Plan:
    """The fronts, in the order in which they are worked.

    Attributes
    ----------
    order : the columns in the order of elimination.
    first : where the pivots of each front begin in it, and the end.
    parent : of each front, -1 for the last ones.
    border_starts, border : the places (in `order`) of each front's border, ascending.
    """

    order: Ints
    first: Ints
    parent: Ints
    border_starts: Ints
    border: Ints

    @property
    def n_fronts(self) -> int:
        """Number of fronts."""
        return len(self.parent)

    def border_of(self, front: int) -> Ints:
        """Places of a front's border."""
        return self.border[self.border_starts[front] : self.border_starts[front + 1]]

    def front_of_cliques(self, starts: Ints, places: Ints) -> Ints:
        """Front in which the first member of each clique is eliminated; -1 for an empty one."""
        least = np.full(len(starts) - 1, -1)
        filled = np.diff(starts) > 0
        least[filled] = np.minimum.reduceat(places, starts[:-1][filled]) if filled.any() else 0
        return np.where(filled, np.searchsorted(self.first, least, side="right") - 1, -1)


def plan_fronts(n: int, starts: Ints, members: Ints, last: Ints, late: Ints, given: Ints) -> Plan:
    """Order n columns and plan their fronts.

    Parameters
    ----------
    starts, members : cliques of columns, as for `minimum_degree`.
    last : True on columns that must go last.
    late : True on columns that go before these, after all others.
    given : True on columns that go after all of these, in the order of their numbers.
    """
    counts = np.bincount(members, minlength=n)
    last = last & ~given
    dense = ~last & ~given & (late | (counts > max(DENSE * np.sqrt(n), 100.0)))
    inner = np.flatnonzero(~(last | dense | given))
    order, first, parent, border = _order_of_inner(starts, members, last | dense | given)
    root = np.concatenate([np.flatnonzero(columns) for columns in (dense, last, given)])
    order = np.concatenate([inner[order], root])
    pivots = np.diff(first)
    if len(root):
        parent = np.append(np.where(parent < 0, len(pivots), parent), -1)
        border = np.append(border + len(root), 0)
        pivots = np.append(pivots, len(root))
    keep, above = _merged(pivots, border, parent)
    return _planned(order, pivots, keep, above, starts, members)


def _order_of_inner(starts: Ints, members: Ints, last: Ints) -> tuple[Ints, ...]:
    """Order the columns that need not go last; numbers are those among them."""
    number = np.cumsum(~last) - 1
    inside = ~last[members]
    clique = np.repeat(np.arange(len(starts) - 1), np.diff(starts))[inside]
    counts = np.bincount(clique, minlength=len(starts) - 1)
    return minimum_degree(
        int((~last).sum()), np.concatenate([[0], np.cumsum(counts)]), number[members[inside]]
    )


@compiled
def _work(pivots: Any, border: Any) -> Any:
    """Multiplications of one front: its factor, and three times as much for the inverse."""
    whole = pivots**3 / 3.0 + pivots * pivots * border + pivots * border * (border + 0.0)
    return 4.0 * whole + ENTRY_COST * border * border + FRONT_COST


@compiled
def _merged(pivots: Ints, border: Ints, parent: Ints) -> Any:
    """Merge fronts into their parents where that is less work.

    Returns the front that each one ends in, and the parent of those that stay.
    """
    n = len(pivots)
    into = np.arange(n)
    size, above = pivots.astype(np.float64), parent.copy()
    children = np.full(n, -1)  # first child
    sibling = np.full(n, -1)
    for f in range(n):
        if parent[f] >= 0:
            sibling[f] = children[parent[f]]
            children[parent[f]] = f
    for f in range(n):
        c = children[f]
        while c >= 0:
            apart = _work(size[c], border[c] + 0.0) + _work(size[f], border[f] + 0.0)
            if _work(size[c] + size[f], border[f] + 0.0) < apart:
                size[f] += size[c]
                into[c] = f
            c = sibling[c]
    for f in range(n - 1, -1, -1):
        if into[f] != f:
            into[f] = into[into[f]]
    for f in range(n):
        if into[f] == f and above[f] >= 0:
            above[f] = into[above[f]]
    return into, above


@compiled
def _postorder(into: Ints, parent: Ints) -> Ints:
    """Number the fronts that stay so that the whole of a subtree comes before its parent."""
    n = len(into)
    children, sibling = np.full(n, -1), np.full(n, -1)
    roots = -1
    for f in range(n - 1, -1, -1):
        if into[f] != f:
            continue
        if parent[f] >= 0:
            sibling[f] = children[parent[f]]
            children[parent[f]] = f
        else:
            sibling[f] = roots
            roots = f
    number, count = np.full(n, -1), 0
    stack = np.empty(n, dtype=np.int64)
    while roots >= 0:
        depth = 1
        stack[0] = roots
        while depth > 0:
            f = stack[depth - 1]
            if children[f] >= 0:
                stack[depth] = children[f]
                children[f] = sibling[children[f]]
                depth += 1
            else:
                number[f] = count
                count += 1
                depth -= 1
        roots = sibling[roots]
    return number


def _planned(
    order: Ints, pivots: Ints, into: Ints, above: Ints, starts: Ints, members: Ints
) -> Plan:
    """Number columns and fronts in their final order and find the borders."""
    number = _postorder(into, above)
    front = number[into[np.repeat(np.arange(len(pivots)), pivots)]]
    final = np.argsort(front, kind="stable")
    order = order[final]
    stays = np.flatnonzero(number >= 0)
    n_fronts = len(stays)
    parent = np.full(n_fronts, -1)
    inside = above[stays] >= 0
    parent[number[stays[inside]]] = number[above[stays[inside]]]
    first = np.concatenate([[0], np.cumsum(np.bincount(front, minlength=n_fronts))])
    plan = Plan(order, first, parent, np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int64))
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    places = place[members]
    home = plan.front_of_cliques(starts, places)
    by_front = np.argsort(home, kind="stable")
    by_front = by_front[np.searchsorted(home[by_front], 0) :]
    begins = np.searchsorted(home[by_front], np.arange(n_fronts + 1))
    border_starts, border = _borders(first, parent, starts, places, begins, by_front)
    border = border[: border_starts[-1]]
    of_front = np.repeat(np.arange(n_fronts), np.diff(border_starts))
    border = border[np.lexsort((border, of_front))]
    return Plan(order, first, parent, border_starts, border)


@compiled
def _borders(
    first: Ints, parent: Ints, starts: Ints, places: Ints, begins: Ints, cliques: Ints
) -> Any:
    """Collect each front's border, in any order, from its cliques and its children's borders.

    Returns where each border begins, and the end; and the borders, with room behind them.
    """
    n_fronts = len(parent)
    mark = np.full(first[-1] + 1, -1)
    out = np.empty(max(4 * len(places), 1024), dtype=np.int64)
    ends = np.zeros(n_fronts + 1, dtype=np.int64)
    children, sibling = np.full(n_fronts, -1), np.full(n_fronts, -1)
    for f in range(n_fronts):
        if parent[f] >= 0:
            sibling[f] = children[parent[f]]
            children[parent[f]] = f
    for f in range(n_fronts):
        stop = first[f + 1]
        begin = ends[f]
        free = begin
        if begin + first[-1] > len(out):
            longer = np.empty(2 * len(out) + first[-1], dtype=np.int64)
            for s in range(begin):
                longer[s] = out[s]
            out = longer
        for t in range(begins[f], begins[f + 1]):
            e = cliques[t]
            for s in range(starts[e], starts[e + 1]):
                if places[s] >= stop and mark[places[s]] != f:
                    mark[places[s]] = f
                    out[free] = places[s]
                    free += 1
        c = children[f]
        while c >= 0:
            for s in range(ends[c], ends[c + 1]):
                if out[s] >= stop and mark[out[s]] != f:
                    mark[out[s]] = f
                    out[free] = out[s]
                    free += 1
            c = sibling[c]
        ends[f + 1] = free
    return ends, out
