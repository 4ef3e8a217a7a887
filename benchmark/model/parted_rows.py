"""Rows of a large regression, their columns parted by how they are worked with."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.sparse import block_array, csc_array, csr_array, diags_array

from benchmark.model.mixed_equations import FIXED
from benchmark.model.sparse_equations import Equations

MANY = 0.02  # columns that more than this share of the rows has are held densely


class PartedRows:
    """Columns that are eliminated first, others that few rows have, and those that many have.

    Parameters
    ----------
    x : rows by columns.
    blocks : block of each column, FIXED for an ordinary coefficient, (columns,).
    n_blocks : how many blocks there are.
    parent : for a column whose rows all have one same column of another block, that column, -1
        for others, (columns,).

    Attributes
    ----------
    first, some, dense : the columns of each part. First go those of the largest block whose columns
        never meet in one row.
    sparse : first and some, ascending.
    groups, features : the rows, of sparse and of dense columns.
    """

    def __init__(self, x: csr_array, blocks: np.ndarray, n_blocks: int, parent: np.ndarray) -> None:
        self.x, self.blocks, self.n_blocks = x, blocks, n_blocks
        whole = csc_array(x)
        column = np.arange(x.shape[1])
        # A parent reaches the rows through its children, however many there are.
        is_parent = np.isin(column, parent)
        often = (np.diff(whole.indptr) > MANY * x.shape[0]) & ~is_parent
        self.sparse, self.dense = column[~often], column[often]
        self.groups: Any = csr_array(whole[:, self.sparse])
        self.features = whole[:, self.dense].toarray()
        shut_out = often | is_parent | (parent >= 0)
        self.first_block = _independent(x, blocks, shut_out, n_blocks)
        first = (blocks == self.first_block) & ~often
        self.first, self.some = column[first], column[~first & ~often]
        self._first: Any = csc_array(whole[:, self.first])
        some: Any = csc_array(whole[:, self.some] @ diags_array(1.0 - is_parent[self.some]))
        some.eliminate_zeros()
        self._some: Any = csr_array(some)
        self.rest = np.concatenate([self.some, self.dense])
        place = np.full(len(column), -1)
        place[self.rest] = np.arange(len(self.rest))
        parent = parent[self.rest]
        self._parent = np.where(parent >= 0, place[parent], -1)

    def equations(self, y: np.ndarray, weight: np.ndarray, late: np.ndarray) -> Equations:
        """Multiply out, with a response and a weight for each row.

        `late` is True on columns that join parts of the rows which have little else in common.
        """
        w = diags_array(weight)
        dense = np.column_stack([self.features, y])
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
        )

    def placed(self, first: np.ndarray, rest: np.ndarray) -> np.ndarray:
        """Put coefficients in the order of the columns, (columns, k)."""
        out = np.empty((len(self.blocks), first.shape[1]))
        out[self.first], out[self.rest] = first, rest
        return out


def _independent(x: csr_array, blocks: np.ndarray, shut_out: np.ndarray, n_blocks: int) -> int:
    """Return the largest block whose columns never meet in one row."""
    best, size = 0, -1
    for k in range(n_blocks):
        mine = (blocks == k) & (blocks != FIXED)
        if not mine.sum() > size or (shut_out & mine).any():
            continue
        if (np.asarray(abs(x).sign() @ mine.astype(float)) <= 1).all():
            best, size = k, int(mine.sum())
    return best
