"""Answers laid out as pages to print or send."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from benchmark.model.fit import Fit
from benchmark.show.board import board_columns, board_lines
from benchmark.show.figures import board_alt, board_chart, svg
from benchmark.show.report import Report, Section
from benchmark.show.words import place_text


def board_sheet(
    board: pd.DataFrame,
    stated: Mapping[str, Any],
    fit: Fit,
    where: tuple[str, str],
    *,
    level: float = 0.9,
) -> Report:
    """Lay out a leaderboard as a page to print or send."""
    answer, moved, rests_on = board_lines(board, stated, fit, where, level)
    told = [" ".join(words).strip() for words in moved]
    sections = [Section("What equal conditions change", points=told)] if told else []
    if not board.empty:
        picture = svg(board_chart(board, level))
        sections.append(Section("Picture", picture=picture, picture_alt=board_alt(board)))
        sections.append(Section("Table", table=board_columns(board, level)))
    title = f"Leaderboard, {place_text(*where)}"
    return Report(title, answer, sections, rests_on)
