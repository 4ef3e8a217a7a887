"""A fill-reducing order of elimination: approximate minimum degree on cliques.

The graph is handed in as cliques ("elements"): all variables of one element meet each other, as
those of one session do. Each step eliminates the variable with the fewest neighbours; its elements
become one. Variables with the same neighbours are merged and go out together.

Amestoy, Davis and Duff, SIAM J. Matrix Analysis 17(4), 1996, for the degree bound, absorption of
elements, mass elimination and merging; written anew for graphs made of cliques only.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from benchmark.model.compiled import compiled

Ints = np.ndarray


def minimum_degree(n: int, starts: Ints, members: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Order n variables of a graph given as cliques.

    Parameters
    ----------
    starts, members : element e holds the variables `members[starts[e]:starts[e + 1]]`.

    Returns
    -------
    order : the variables, those of one step next to each other.
    first : where each step begins in `order`, and the end.
    parent : the later step that each step's neighbours are handed to, -1 for none.
    border : how many variables each step leaves connected.
    """
    n_elements = len(starts) - 1
    counts = np.diff(starts)
    by_variable = np.argsort(members, kind="stable")
    owners = np.repeat(np.arange(n_elements), counts)[by_variable]
    of_variable = np.concatenate([[0], np.cumsum(np.bincount(members, minlength=n))])
    n_pivots, pivots, representative, parent, border = _eliminate(
        n, starts.astype(np.int64), members.astype(np.int64), of_variable, owners.astype(np.int64)
    )
    pivots = pivots[:n_pivots]
    step_of = np.full(n, -1)
    step_of[pivots] = np.arange(len(pivots))
    step = step_of[_roots(representative)]
    order = np.argsort(step, kind="stable")
    first = np.concatenate([[0], np.cumsum(np.bincount(step, minlength=len(pivots)))])
    above = parent[pivots]
    return order, first, np.where(above < 0, -1, step_of[above]), border[pivots]


@compiled
def _roots(representative: Ints) -> Ints:
    """Follow each merged variable to the one that stands for it."""
    root = np.arange(len(representative))
    for i in range(len(representative)):
        k = i
        while representative[k] != k:
            k = representative[k]
        root[i] = k
    return root


@compiled
def _eliminate(n: Any, starts: Ints, members: Ints, of_variable: Ints, owners: Ints) -> Any:
    """Eliminate all variables; element `n_elements + p` is the one that pivot p leaves."""
    n_elements = len(starts) - 1
    size = n_elements + n
    lists = np.empty(2 * len(members) + n + 1, dtype=np.int64)
    for s in range(len(members)):
        lists[s] = members[s]
    free = len(members)
    position = np.zeros(size, dtype=np.int64)
    length = np.zeros(size, dtype=np.int64)
    weight = np.zeros(size, dtype=np.int64)  # variables of an element, merged ones counted
    alive = np.zeros(size, dtype=np.bool_)
    for e in range(n_elements):
        position[e], length[e] = starts[e], starts[e + 1] - starts[e]
        weight[e], alive[e] = length[e], length[e] > 1
    nv = np.ones(n, dtype=np.int64)
    representative = np.arange(n)
    own = owners.copy()
    own_length, degree = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    head = np.full(n + 1, -1)
    after, before = np.full(n, -1), np.full(n, -1)
    for i in range(n):
        total = 0
        for t in range(of_variable[i], of_variable[i + 1]):
            total += weight[owners[t]] - 1
        own_length[i] = of_variable[i + 1] - of_variable[i]
        degree[i] = min(total, n - 1)
        _insert(head, after, before, degree[i], i)
    mark = np.full(n, -1)
    seen, outside = np.full(size, -1), np.zeros(size, dtype=np.int64)
    bucket, chain = np.full(n + 1, -1), np.full(n, -1)
    key = np.zeros(n, dtype=np.int64)
    pivots = np.empty(n, dtype=np.int64)
    parent, border = np.full(n, -1), np.zeros(n, dtype=np.int64)
    n_pivots, left, least = 0, n, 0
    while left > 0:
        while head[least] < 0:
            least += 1
        p = head[least]
        _remove(head, after, before, least, p)
        needed = 0
        for t in range(of_variable[p], of_variable[p] + own_length[p]):
            needed += length[own[t]] if alive[own[t]] else 0
        if free + needed > len(lists):
            free = _compact(lists, free, position, length, alive)
        begin = free
        mark[p] = p
        reach = 0
        for t in range(of_variable[p], of_variable[p] + own_length[p]):
            e = own[t]
            if not alive[e]:
                continue
            for s in range(position[e], position[e] + length[e]):
                i = lists[s]
                if nv[i] > 0 and mark[i] != p:
                    mark[i] = p
                    _remove(head, after, before, degree[i], i)
                    lists[free] = i
                    free += 1
                    reach += nv[i]
            alive[e] = False
            if e >= n_elements:
                parent[e - n_elements] = p
        # What each other element has outside the new one.
        for s in range(begin, free):
            i = lists[s]
            for t in range(of_variable[i], of_variable[i] + own_length[i]):
                e = own[t]
                if alive[e]:
                    if seen[e] != p:
                        seen[e], outside[e] = p, weight[e]
                    outside[e] -= nv[i]
        pivots[n_pivots] = p
        n_pivots += 1
        left -= nv[p]
        for s in range(begin, free):
            i = lists[s]
            kept, total, code = of_variable[i], 0, 0
            for t in range(of_variable[i], of_variable[i] + own_length[i]):
                e = own[t]
                if not alive[e]:
                    continue
                if outside[e] == 0:
                    alive[e] = False
                    if e >= n_elements:
                        parent[e - n_elements] = p
                    continue
                own[kept] = e
                kept += 1
                total += outside[e]
                code += e
            own_length[i] = kept - of_variable[i]
            if own_length[i] == 0:  # knows nobody else: goes out in the same step
                reach -= nv[i]
                left -= nv[i]
                nv[i] = 0
                representative[i] = p
                continue
            own[kept] = n_elements + p
            own_length[i] += 1
            degree[i] = total
            key[i] = code % (n + 1)
            chain[i] = bucket[key[i]]
            bucket[key[i]] = i
        for s in range(begin, free):
            i = lists[s]
            if nv[i] > 0:
                _merge(bucket[key[i]], chain, nv, representative, own, of_variable, own_length)
                bucket[key[i]] = -1
        end = begin
        for s in range(begin, free):
            i = lists[s]
            if nv[i] > 0:
                lists[end] = i
                end += 1
                degree[i] = min(degree[i] + reach - nv[i], left - nv[i])
                _insert(head, after, before, degree[i], i)
                least = min(least, degree[i])
        free = end
        e = n_elements + p
        position[e], length[e], weight[e] = begin, end - begin, reach
        alive[e] = reach > 0
        nv[p] = 0
        border[p] = reach
    return n_pivots, pivots, representative, parent, border


@compiled
def _insert(head: Ints, after: Ints, before: Ints, degree: Any, i: Any) -> None:
    """Put a variable at the head of the list of its degree."""
    after[i], before[i] = head[degree], -1
    if head[degree] >= 0:
        before[head[degree]] = i
    head[degree] = i


@compiled
def _remove(head: Ints, after: Ints, before: Ints, degree: Any, i: Any) -> None:
    """Take a variable out of the list of its degree."""
    if before[i] >= 0:
        after[before[i]] = after[i]
    else:
        head[degree] = after[i]
    if after[i] >= 0:
        before[after[i]] = before[i]


@compiled
def _compact(lists: Ints, free: Any, position: Ints, length: Ints, alive: Ints) -> Any:
    """Move the lists of living elements together; returns where the free space begins.

    Each list's first entry makes room for a note whose list it is, so that one walk finds the
    lists in the order in which they stand.
    """
    for e in range(len(alive)):
        if alive[e]:
            first = lists[position[e]]
            lists[position[e]] = -1 - e
            position[e] = first
    end, at = 0, 0
    while at < free:
        e = -1 - lists[at]
        if e < 0:
            at += 1
            continue
        lists[end] = position[e]
        for s in range(1, length[e]):
            lists[end + s] = lists[at + s]
        position[e] = end
        end += length[e]
        at += length[e]
    return end


@compiled
def _merge(
    i: Any,
    chain: Ints,
    nv: Ints,
    representative: Ints,
    own: Ints,
    of_variable: Ints,
    own_length: Ints,
) -> None:
    """Merge the variables of one bucket that have the same elements."""
    while i >= 0:
        if nv[i] > 0:
            j = chain[i]
            while j >= 0:
                if nv[j] > 0 and own_length[i] == own_length[j]:
                    same = True
                    for t in range(own_length[i]):
                        if own[of_variable[i] + t] != own[of_variable[j] + t]:
                            same = False
                            break
                    if same:
                        nv[i] += nv[j]
                        nv[j] = 0
                        representative[j] = i
                j = chain[j]
        i = chain[i]
