"""Lines of the record as a table: what and why first, so that a narrow screen shows them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import streamlit as st

from benchmark.show.output import Column
from benchmark.show.record_words import about_text, action_text
from benchmark.show.screen import grid
from benchmark.show.submitting import moment
from benchmark.store.record import Line

# An e-mail address as people write it; whoever signs in by a provider is named by one.
ADDRESS = re.compile(r"(?<![^\s,;:<>()\"'])([^\s@,;:<>()\"']+)@[^\s@,;:<>()\"']+")


def show_lines(
    lines: Sequence[Line], taken_back: Mapping[int, int], *, public: bool = False
) -> None:
    """List lines of the record in words; with `public` without the addresses of people."""
    columns = [
        Column("What", [what_text(line) for line in lines]),
        Column("Reason", [line.reason for line in lines]),
        Column("Who", [f"{line.who}, {line.role}" for line in lines]),
        Column("When", [moment(line.at) for line in lines]),
        Column("Line", [str(line.number) for line in lines]),
        Column("Undone", [_undone(taken_back.get(line.number)) for line in lines]),
    ]
    if public:
        columns = [
            Column(column.heading, [without_addresses(cell) for cell in column.cells])
            for column in columns
        ]
    st.dataframe(
        grid(columns),
        hide_index=True,
        alt="The record, the latest line first",
        column_config={
            "What": st.column_config.Column(width=190),
            "Reason": st.column_config.Column(width=160),
        },
    )


def what_text(line: Line) -> str:
    """Say what was done, and about what."""
    return f"{action_text(line)}: {about_text(line)}"


def line_text(line: Line) -> str:
    """Say a line in full: what, why, by whom, when."""
    why = f" Reason: {line.reason.rstrip('.')}." if line.reason else ""
    return f"{what_text(line)}.{why} {line.who}, {line.role}, {moment(line.at)}, line {line.number}"


def without_addresses(text: str) -> str:
    """Leave out e-mail addresses: of `anna@club.example` stays `anna@...`."""
    return ADDRESS.sub(r"\1@...", text)


def _undone(by: int | None) -> str:
    return f"by line {by}" if by else ""
