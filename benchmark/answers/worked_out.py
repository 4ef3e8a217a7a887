"""What is worked out once for a large fit and kept with it, so that asking costs no second time."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from benchmark.answers import kept_board, seen_steps
from benchmark.answers.leaderboard import board_of
from benchmark.model.fit import Fit

Told = Callable[[float, str], None]


def worked_out(fit: Fit, told: Told = lambda *_: None) -> dict[str, Mapping[str, np.ndarray]]:
    """Work out what answers need of the whole fit; arrays by name, by what `Fit.kept` calls them.

    Parameters
    ----------
    told : takes the share done (0 to 1) and what is being done.
    """
    out: dict[str, Mapping[str, np.ndarray]] = {"gains": seen_steps.as_arrays(fit)}
    places = list(fit.circuits.index)
    for k, (circuit, layout) in enumerate(places):
        told(k / len(places), f"board of {circuit}")
        board = board_of(fit, circuit, layout)
        if kept_board.is_worth_keeping(board):
            out[kept_board.name_of(circuit, layout)] = kept_board.as_arrays(board)
    return out
