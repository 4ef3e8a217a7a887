"""What was decided in this club, by whom, when and why: for everybody to read."""

from __future__ import annotations

import streamlit as st

from benchmark.show.record_list import show_lines, without_login
from benchmark.show.screen import cautions, opening, store_path, told
from benchmark.show.words import count_text
from benchmark.store.people import people
from benchmark.store.rulings import undone
from benchmark.store.store import Store


def show_record() -> None:
    """Show every line, the latest first, addresses of people left out."""
    with Store.open(store_path()) as store:
        lines, taken_back = store.record(), undone(store)
        named = {person.name for person in people(store)}
    lines = [without_login(line, named) for line in lines]
    st.markdown(f"### {count_text(len(lines), 'line')} on record, the latest first.")
    if not lines:
        return
    show_lines(lines, taken_back, public=True)
    st.caption(
        f"Last hash: {lines[-1].hash}. Each line follows from the one before: whoever keeps this "
        "hash sees it when the record was written anew."
    )


opening("Record", "Shows what was decided about laps, cars, files and people, and why.")
with told():
    show_record()
cautions()
