"""What was decided in this club, by whom, when and why: for everybody to read."""

from __future__ import annotations

import streamlit as st

from benchmark.show.record_table import line_text, show_lines, without_addresses
from benchmark.show.screen import cautions, opening, points, store_path, told
from benchmark.show.words import count_text
from benchmark.store.rulings import undone
from benchmark.store.store import Store

WRITTEN_OUT, LINES_SHOWN = 10, 200  # a table cuts long reasons: the latest are written out


def show_record() -> None:
    """Show the latest lines, addresses of people left out."""
    with Store.open(store_path()) as store:
        lines, taken_back = store.record(), undone(store)
    st.markdown(f"### {count_text(len(lines), 'line')} on record, the latest first.")
    if not lines:
        return
    latest = lines[: -WRITTEN_OUT - 1 : -1]
    points([without_addresses(line_text(line)) for line in latest])
    show_lines(list(reversed(lines))[:LINES_SHOWN], taken_back, public=True)
    if len(lines) > LINES_SHOWN:
        st.caption(f"The latest {LINES_SHOWN} are shown.")
    st.caption(
        f"Last hash: {lines[-1].hash}. Each line follows from the one before: whoever keeps this "
        "hash sees it when the record was written anew."
    )


opening("Record", "Shows what was decided about laps, cars, files and people, and why.")
with told():
    show_record()
cautions()
