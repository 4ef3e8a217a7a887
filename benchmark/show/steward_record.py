"""The record of the store, and undoing a line of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import streamlit as st

from benchmark.errors import BadQuestion
from benchmark.show.deed import deed
from benchmark.show.output import to_spreadsheet_csv
from benchmark.show.record_list import show_lines
from benchmark.show.record_words import about_text, action_text
from benchmark.show.screen import md, store_path
from benchmark.show.signing_in import who
from benchmark.show.words import count_text, shown
from benchmark.store.record import Line
from benchmark.store.rulings import undo, undone
from benchmark.store.store import Store

TRIED = "to see whether it can be undone"


def show_record() -> None:
    """Show the record, the latest line first, and undo one that can be undone."""
    with Store.open(store_path(), who=who()) as store:
        lines, taken_back = store.record(), undone(store)
    whole = "each follows from the one before" if lines else "nothing was decided yet"
    st.markdown(f"### {count_text(len(lines), 'line')} on record; {whole}.")
    if not lines:
        return
    latest = list(reversed(lines))
    show_lines(lines, taken_back)
    st.caption(
        f"Last hash: {lines[-1].hash}. Publish it, and nobody can write the record anew unseen."
    )
    fields = list(asdict(lines[0]))
    st.download_button(
        "Download the record (CSV)",
        to_spreadsheet_csv([asdict(line) for line in lines], fields),
        "record.csv",
        "text/csv",
        on_click="ignore",
    )
    show_undo([line for line in latest if line.number not in taken_back and line.action != "undo"])


def show_undo(lines: Sequence[Line]) -> None:
    """Let the steward choose a line, see whether it can be undone, and undo it."""
    st.subheader("Undo a line")
    if not lines:
        st.caption("There is no line that could be undone.")
        return
    line = st.selectbox(
        "Line",
        list(lines),
        format_func=lambda one: shown(f"{one.number}: {action_text(one)}, {about_text(one)}"),
        key="undo_line",
    )
    try:
        with Store.open(store_path(), write=True, who=who()) as store:
            undo(store, line.number, reason=TRIED, try_only=True)
    except BadQuestion as error:
        st.info(md(error))
        return
    changes = [
        f"Line {line.number} ({action_text(line)}: {about_text(line)}) is taken back.",
        "The line stays on record; a further line says that it was undone.",
    ]
    deed(f"undo_{line.number}", "Undo this line", changes, lambda why: _undo(line.number, why))


def _undo(number: int, reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        made = undo(store, number, reason=reason)
    return f"Line {number} is undone by line {made.number}. Fit again to answer from what counts."
