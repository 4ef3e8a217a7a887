"""A leaderboard for people: the columns that the terminal, the page and the report share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from benchmark.model.fit import Fit
from benchmark.show.output import Column
from benchmark.show.words import (
    MISSING,
    lap_text,
    leader_sentence,
    moved_text,
    movers,
    percent,
    places_text,
    range_text,
    reference_text,
    worth_text,
)


def board_columns(board: pd.DataFrame, level: float = 0.9) -> list[Column]:
    """Give the table that people read: both ranks side by side, times as m:ss.sss."""
    rows = board.to_dict("records")

    def cells(heading: str, text: Any, *, right: bool = True) -> Column:
        return Column(heading, [str(text(row)) for row in rows], right)

    return [
        cells("Place, equal", lambda row: row["rank"]),
        cells("Place, timed", lambda row: row["raw_rank"]),
        cells("Moved", lambda row: moved_text(row["raw_rank"], row["rank"]), right=False),
        cells("Build", lambda row: row["build"], right=False),
        cells("Adjusted lap", lambda row: lap_text(row["adjusted_s"])),
        cells(f"{100 * level:.0f} % interval", lambda row: range_text(row["low_s"], row["high_s"])),
        cells("Best lap", lambda row: lap_text(row["best_s"])),
        cells("Weather made best lap", lambda row: worth_text(row["conditions_worth_s"])),
        cells("Plausible places", lambda row: places_text(row["rank_low"], row["rank_high"])),
        cells("Chance of being quickest", lambda row: _chance(row, len(rows))),
        cells("Counted laps", lambda row: row["laps"]),
        cells("Model", lambda row: row["model"], right=False),
        cells("Class", lambda row: row["class"], right=False),
        cells("Driver", lambda row: _name(row["driver"]), right=False),
        cells("Tyre", lambda row: _name(row["tyre_category"]), right=False),
    ]


HELP = {
    "Place, equal": "Place by the adjusted lap: conditions made equal.",
    "Place, timed": "Place by the best lap as timed, whatever the day was like.",
    "Moved": "Places won or lost when conditions are made equal.",
    "Adjusted lap": "The clean lap expected of this entry on the reference day.",
    "Best lap": "The quickest counted lap, whatever was fitted and whoever drove.",
    "Weather made best lap": "What air and track temperature that day were worth, against the "
    "reference day.",
    "Plausible places": "The places that the data leave open.",
}


def _chance(row: Mapping[str, Any], entries: int) -> str:
    return "only entry" if entries == 1 else percent(row["p_fastest"])


def _name(value: object) -> str:
    return value if isinstance(value, str) else MISSING


def board_lines(
    board: pd.DataFrame, stated: Mapping[str, Any], fit: Fit, where: tuple[str, str], level: float
) -> tuple[str, list[tuple[str, str]], list[str]]:
    """Give the words around a leaderboard: the answer, who moves and why, what it rests on."""
    rests_on = [
        f"Adjusted to: {reference_text(stated)}.",
        f"Fit {fit.fit_id} ({fit.mode} mode) on {fit.laps_used:,} counted laps. {fit.mode_note}",
        *_unrecorded(board),
        *fit.warnings,
    ]
    return leader_sentence(board, *where, level), movers(board), rests_on


def _unrecorded(board: pd.DataFrame) -> list[str]:
    """Entries whose specification was not recorded in full, as the fit words it."""
    noted = board[board["notes"].astype(str).str.len().gt(0) & board["notes"].notna()]
    return [f"{row['build']}: {row['notes']}." for row in noted.to_dict("records")]
