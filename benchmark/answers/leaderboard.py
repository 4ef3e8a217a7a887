"""Who is quickest as timed, who at equal conditions, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers import kept_board
from benchmark.answers.entries import (
    adjustment,
    builds_of,
    check_choices,
    check_level,
    check_place,
    entries_of,
    reference_rows,
    runs_in_scope,
)
from benchmark.answers.quickest import laps_here, quickest_of_each
from benchmark.answers.reasons import Note, best_notes, compare
from benchmark.model.fit import Fit
from benchmark.model.posterior import middle_and_interval, p_fastest, rank_sets

FEW_LAPS = 3  # up to here the board says how little a place rests on; our choice
MOST_ASKED = ("conditions", "dry", 0.9)  # adjustment, surface and level of a board that is kept
FIELDS = (
    "rank",
    "build",
    "model",
    "class",
    "driver",
    "tyre_category",
    "best_s",
    "adjusted_s",
    "low_s",
    "high_s",
    "rank_low",
    "rank_high",
    "p_fastest",
    "laps",
    "raw_rank",
    "best_date",
    "best_driver",
    "best_tyre_category",
    "conditions_worth_s",
    "best_note",
    "notes",
)


def leaderboard(
    fit: Fit,
    circuit: str,
    layout: str = "full",
    *,
    adjust: str = "conditions",
    model: str | None = None,
    in_class: str | None = None,
    tyre: str | None = None,
    surface: str = "dry",
    level: float = 0.9,
) -> pd.DataFrame:
    """Rank the entries at one circuit and layout.

    Parameters
    ----------
    fit : the fitted store.
    circuit, layout : where; two layouts never compare.
    adjust : what is made equal: `conditions`, `conditions,tyre` or `conditions,tyre,driver`.
    model, in_class, tyre : keep entries whose model, class and latest tyre category is this.
    surface : `dry`, `damp` or `wet`; only laps on it put an entry on the board.
    level : probability that an interval and a set of ranks hold.

    Returns
    -------
    One row an entry, quickest first, with the columns of `FIELDS`. Times are in seconds;
    `adjusted_s` is the posterior median of a clean lap at the reference, `rank` orders it and
    `raw_rank` orders `best_s`. `rank_low` to `rank_high` are the ranks that stay plausible, taken
    within joint draws, so that what two entries share cancels. An empty choice has no rows.

    Raises
    ------
    BadQuestion
        An unknown circuit, layout, model, class, tyre category, surface or adjustment, or an
        illegal level.
    """
    check_place(fit, circuit, layout)
    check_choices(fit, model=model, in_class=in_class, tyre=tyre, surface=surface)
    check_level(level)
    filters = {"model": model, "class": in_class, "tyre_category": tyre}
    if not any(filters.values()) and (adjustment(adjust), surface, level) == MOST_ASKED:
        kept = fit.kept(kept_board.name_of(circuit, layout))
        if kept is not None:
            return kept_board.from_arrays(kept)
    return board_of(fit, circuit, layout, adjust, filters, surface, level)


def board_of(
    fit: Fit,
    circuit: str,
    layout: str,
    adjust: str = MOST_ASKED[0],
    filters: Mapping[str, str | None] = MappingProxyType({}),
    surface: str = MOST_ASKED[1],
    level: float = MOST_ASKED[2],
) -> pd.DataFrame:
    """Work a board out; `filters` are by column of the entries, all else as in `leaderboard`."""
    runs = runs_in_scope(fit, circuit, layout, surface)
    entries = entries_of(fit, builds_of(fit, runs), surface)
    entries = _chosen(entries, filters)
    if entries.empty:
        return pd.DataFrame(columns=list(FIELDS))
    rows = reference_rows(entries, circuit, layout, surface=surface, adjust=adjustment(adjust))
    best, counts = _best_laps(fit, runs, entries["build"])
    board = entries.assign(laps=counts, notes=_notes(entries["notes"], counts))
    compared = compare(fit, best, rows)
    adjusted = _adjusted(compared.log_time, level)
    notes = best_notes(best, rows, compared, adjusted["adjusted_s"])
    timed = _as_timed(best, notes)
    return _ranked(board.assign(**adjusted, **timed))


def _notes(notes: pd.Series, counts: np.ndarray) -> list[str]:
    """Add to each entry's notes where its place rests on next to no lap of its own."""
    few = [
        f"only {n} counted {'lap' if n == 1 else 'laps'} here, so its place rests mostly on its "
        "laps elsewhere and on what cars like it do"
        if n <= FEW_LAPS
        else ""
        for n in counts
    ]
    return ["; ".join(filter(None, both)) for both in zip(notes, few, strict=True)]


def _chosen(entries: pd.DataFrame, filters: Mapping[str, str | None]) -> pd.DataFrame:
    for column, wanted in filters.items():
        if wanted is not None:
            entries = entries[entries[column] == wanted]
    return entries.reset_index(drop=True)


def _best_laps(fit: Fit, runs: np.ndarray, builds: pd.Series) -> tuple[pd.DataFrame, np.ndarray]:
    """Each build's quickest lap and its number of laps, in the order of `builds`."""
    laps = laps_here(fit, runs)
    code, number = fit.lookup.codes("build")
    counts = np.bincount(code[laps.of_run], minlength=len(number))
    best = quickest_of_each(fit, laps).set_index("build").loc[builds].reset_index()
    return best, counts[[number[build] for build in builds]]


def _adjusted(log_time: np.ndarray, level: float) -> dict[str, np.ndarray]:
    """The time at the reference with its interval [s], and what joint draws say of the ranks."""
    middle, low, high = middle_and_interval(log_time, level)
    rank_low, rank_high = rank_sets(log_time, level)
    return {
        "adjusted_s": np.exp(middle),
        "low_s": np.exp(low),
        "high_s": np.exp(high),
        "rank_low": rank_low,
        "rank_high": rank_high,
        "p_fastest": p_fastest(log_time),
    }


def _as_timed(best: pd.DataFrame, notes: list[Note]) -> dict[str, Any]:
    """The quickest lap, whatever it ran then, and what made it differ."""
    return {
        "best_s": best["lap_time_s"].to_numpy(dtype=float),
        "best_date": best["date"].astype(str).str[:10].to_numpy(),
        "best_driver": best["driver"].to_numpy(),
        "best_tyre_category": best["tyre_category"].to_numpy(),
        "conditions_worth_s": [note.conditions_worth_s for note in notes],
        "best_note": [note.words or None for note in notes],
    }


def _ranked(board: pd.DataFrame) -> pd.DataFrame:
    """Order by the adjusted time; entries with equal times share the better rank."""
    for rank, time_s in (("rank", "adjusted_s"), ("raw_rank", "best_s")):
        board[rank] = board[time_s].rank(method="min").astype(int)
    return board.sort_values(["rank", "build"])[list(FIELDS)].reset_index(drop=True)
