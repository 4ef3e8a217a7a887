"""The mixed-model equations of a large store, as sums: what `model.sparse_cholesky` factorises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import coo_array, csc_array, tril

from benchmark.model.fronts import Plan
from benchmark.model.mixed_equations import FIXED


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
    parent : column of the rest that each one's effect is added to, -1 for none, (rest,). What is
        a parent has no sums of its own.
    late : True on columns of the rest that join parts of the rows which have little else in
        common: eliminated before these parts they would tie all of them together, (rest,).
    given : True on columns of the rest whose values draws may be given: they go last of all,
        (rest,).
    """

    diagonal: np.ndarray
    coupling: csc_array
    rest: csc_array
    first_block: int
    block: np.ndarray
    n_blocks: int
    n_rows: float
    parent: np.ndarray | None = None
    late: np.ndarray | None = None
    given: np.ndarray | None = None

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


class Links:
    """Children and parents among the columns, by their places in the order of elimination.

    Attributes
    ----------
    child, parent : places of each pair, (links,).
    block : the child's block.
    at, at_parent : where the pair, and the parent's diagonal, stand in the data of the rest.
    """

    def __init__(self, equations: Equations, place: np.ndarray) -> None:
        parent = equations.parent
        child = np.flatnonzero(parent >= 0) if parent is not None else np.zeros(0, dtype=np.int64)
        self.child = place[child]
        self.parent = place[parent[child]] if parent is not None else self.child
        self.block = equations.block[child]
        self.at = self.at_parent = self.child
        self.by_front = self.begins = self.child

    def pairs(self) -> np.ndarray:
        """Both ends of each link, and of each parent with itself, (2, 2 links)."""
        return np.hstack([[self.child, self.parent], [self.parent, self.parent]])

    def find_in(self, rest: csc_array, plan: Plan) -> None:
        """Look up where the links stand, and in which front their first end is eliminated."""
        if not len(self.child):
            self.begins = np.zeros(plan.n_fronts + 1, dtype=np.int64)
            return
        size = rest.shape[0]
        column = np.repeat(np.arange(size), np.diff(rest.indptr))
        stands = column * size + rest.indices
        low, high = np.minimum(self.child, self.parent), np.maximum(self.child, self.parent)
        self.at = np.searchsorted(stands, low * size + high)
        self.at_parent = np.searchsorted(stands, self.parent * (size + 1))
        front = np.searchsorted(plan.first, low, side="right") - 1
        self.by_front = np.argsort(front, kind="stable")
        self.begins = np.searchsorted(front[self.by_front], np.arange(plan.n_fronts + 1))

    def ratio(self, theta: np.ndarray, block: np.ndarray) -> np.ndarray:
        """The parent's standard deviation over the child's, (links,)."""
        return np.asarray(theta[block[self.parent]] / theta[self.block])

    def own(self, theta: np.ndarray, block: np.ndarray, rest: np.ndarray) -> np.ndarray:
        """Take the parents' spherical effects off the sums that the children stand for."""
        out = rest.copy()
        ratio = self.ratio(theta, block).reshape(-1, *[1] * (rest.ndim - 1))
        out[self.child] -= ratio * rest[self.parent]
        return out


def cliques(equations: Equations) -> tuple[np.ndarray, np.ndarray]:
    """Columns of the rest that meet: those of each eliminated column, and pairs in the rest."""
    n = equations.n_rest
    coupling = equations.coupling
    inside = coupling.indices < n
    before = np.concatenate([[0], np.cumsum(inside)])
    counts = np.diff(before[coupling.indptr])
    pairs: Any = coo_array(tril(equations.rest[:n, :n], -1))
    ends = [np.stack(pairs.coords).T]
    if equations.parent is not None:
        child = np.flatnonzero(equations.parent >= 0)
        ends.append(np.column_stack([child, equations.parent[child]]))
    twos = np.concatenate(ends)
    alone = np.arange(n)  # every column is in some clique
    members = np.concatenate([coupling.indices[inside], twos.ravel(), alone])
    lengths = np.concatenate([counts, np.full(len(twos), 2), np.ones(n, dtype=np.int64)])
    return np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64), members.astype(np.int64)
