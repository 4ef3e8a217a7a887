"""Rows of a large regression, their columns parted by how they are worked with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from scipy.sparse import block_array, csc_array, csr_array, diags_array

from benchmark.model.mixed_equations import FIXED
from benchmark.model.sparse_equations import Equations


@dataclass(frozen=True)
class Rows:
    """Rows of a regression, its columns in two parts.

    Attributes
    ----------
    groups : columns that few rows have, such as indicators, sparse, (rows, columns).
    features : columns that most rows have, dense, (rows, columns); they come last.
    """

    groups: csr_array
    features: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.features), self.groups.shape[1] + self.features.shape[1]

    def __getitem__(self, chosen: np.ndarray) -> Self:
        return type(self)(csr_array(self.groups[chosen]), self.features[chosen])


class PartedRows:
    """Rows whose groups are parted further: columns eliminated first, and the others.

    Parameters
    ----------
    rows : of the regression.
    blocks : block of each column, FIXED for an ordinary coefficient, (columns,).
    n_blocks : how many blocks there are.
    parent : for a group's column whose rows all have one same column of another block, that column,
        -1 for others, (columns,).

    Attributes
    ----------
    first, rest : the columns of each part. First go those of the largest block whose columns never
        meet in one row.
    """

    def __init__(self, rows: Rows, blocks: np.ndarray, n_blocks: int, parent: np.ndarray) -> None:
        self.rows, self.blocks, self.n_blocks = rows, blocks, n_blocks
        n_groups = rows.groups.shape[1]
        column = np.arange(n_groups)
        # A parent reaches the rows through its children, however many there are.
        is_parent = np.isin(column, parent)
        shut_out = is_parent | (parent[:n_groups] >= 0)
        self.first_block = _independent(rows.groups, blocks[:n_groups], shut_out, n_blocks)
        first = blocks[:n_groups] == self.first_block
        self.first, some = column[first], column[~first]
        groups = csc_array(rows.groups)
        self._first: Any = csc_array(groups[:, self.first])
        left: Any = csc_array(groups[:, some] @ diags_array(1.0 - is_parent[some]))
        left.eliminate_zeros()
        self._some: Any = csr_array(left)
        self.rest = np.concatenate([some, np.arange(n_groups, rows.shape[1])])
        place = np.full(rows.shape[1], -1)
        place[self.rest] = np.arange(len(self.rest))
        parent = parent[self.rest]
        self._parent = np.where(parent >= 0, place[parent], -1)

    def equations(
        self, y: np.ndarray, weight: np.ndarray, late: np.ndarray, given: np.ndarray | None = None
    ) -> Equations:
        """Multiply out, with a response and a weight for each row.

        `late` is True on columns that join parts of the rows which have little else in common,
        `given` on those whose values draws may be given.
        """
        w = diags_array(weight)
        dense = np.column_stack([self.rows.features, y])
        weighted = weight[:, None] * dense
        some, first = csc_array(w @ self._some), self._first
        across = csc_array(some.T @ dense)
        rest = block_array(
            [[some.T @ self._some, across], [across.T, csc_array(weighted.T @ dense)]]
        )
        coupling = block_array([[some.T @ first], [csc_array((first.T @ weighted).T)]])
        return Equations(
            np.asarray(first.power(2).T @ weight),
            csc_array(coupling),
            csc_array(rest),
            self.first_block,
            self.blocks[self.rest],
            self.n_blocks,
            float(weight.sum()),
            self._parent,
            late[self.rest],
            None if given is None else given[self.rest],
        )

    def placed(self, first: np.ndarray, rest: np.ndarray) -> np.ndarray:
        """Put coefficients in the order of the columns, (columns, k)."""
        out = np.empty((len(self.blocks), first.shape[1]))
        out[self.first], out[self.rest] = first, rest
        return out


def _independent(groups: csr_array, blocks: np.ndarray, shut_out: np.ndarray, n_blocks: int) -> int:
    """Return the largest block whose columns never meet in one row."""
    best, size = 0, -1
    for k in range(n_blocks):
        mine = (blocks == k) & (blocks != FIXED)
        if not mine.sum() > size or (shut_out & mine).any():
            continue
        if (np.asarray(abs(groups).sign() @ mine.astype(float)) <= 1).all():
            best, size = k, int(mine.sum())
    return best
