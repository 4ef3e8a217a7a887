"""Regions of a large sport: circuits that share builds, fitted together and apart from others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

FEW_OF_A_KIND = 2_000  # laps; more are those of a dozen sessions at least


@dataclass(frozen=True)
class Met:
    """Which circuits have how many laps, and how many builds any two of them share.

    Attributes
    ----------
    circuits : names, sorted.
    laps : of each circuit, (circuits,).
    shared : builds with laps at both of two circuits, its own builds on the diagonal,
        (circuits, circuits).
    facts : laps of each circuit of each kind that the model has an effect for, such as those on a
        wet track, (circuits, kinds).
    """

    circuits: list[str]
    laps: np.ndarray
    shared: np.ndarray
    facts: np.ndarray


def regions_of(met: Met, most_laps: int) -> list[np.ndarray]:
    """Part the circuits into regions of no more laps than asked for, but for single circuits.

    Circuits that share the larger part of their builds come together first (average linkage: Sokal
    and Michener, University of Kansas Science Bulletin 38, 1958, as scipy has it).

    Returns
    -------
    Places of each region's circuits, ascending; regions in the order of their first circuit.
    """
    n = len(met.circuits)
    if n == 1:
        return [np.zeros(1, dtype=np.int64)]
    fewer = np.minimum.outer(np.diag(met.shared), np.diag(met.shared))
    apart = 1 - met.shared / np.maximum(fewer, 1)
    np.fill_diagonal(apart, 0)
    tree = linkage(squareform(apart, checks=False), "average")
    laps = np.append(met.laps.astype(float), np.zeros(n - 1))
    for k, (left, right) in enumerate(tree[:, :2].astype(np.int64)):
        laps[n + k] = laps[left] + laps[right]
    number = fcluster(tree, float(most_laps), "monocrit", monocrit=laps[n:])
    first = np.unique(number, return_index=True)[1]
    return [np.flatnonzero(number == number[k]) for k in np.sort(first)]


def learning_circuits(
    met: Met, regions: list[np.ndarray], laps: int, rng: np.random.Generator
) -> np.ndarray:
    """Choose the circuits that what all cars share is learnt from; their places, ascending.

    Regions at random until they have so many laps. Then, for the kind of lap that these lack most,
    the circuit with most of it, and so on, until there are enough of every kind or twice so many
    laps in all: an effect learnt from no lap would be unknown everywhere, however well others tell
    it.
    """
    order = rng.permutation(len(regions))
    counts = np.array([met.laps[regions[k]].sum() for k in order])
    enough = int(np.searchsorted(np.cumsum(counts), laps)) + 1
    chosen = np.zeros(len(met.circuits), dtype=bool)
    chosen[np.concatenate([regions[k] for k in order[:enough]])] = True
    wanted = np.minimum(met.facts.sum(axis=0), FEW_OF_A_KIND)
    left = max(2 * laps, int(met.laps[chosen].sum())) - int(met.laps[chosen].sum())
    while True:
        more = np.where(chosen[:, None] | (met.laps[:, None] > left), 0, met.facts)
        have = met.facts[chosen].sum(axis=0)
        lacking = np.flatnonzero((have < wanted) & (more.max(axis=0, initial=0) > 0))
        if not len(lacking):
            break
        kind = lacking[np.argmin(have[lacking] / wanted[lacking])]
        best = int(np.argmax(more[:, kind]))
        chosen[best] = True
        left -= int(met.laps[best])
    return np.flatnonzero(chosen)
