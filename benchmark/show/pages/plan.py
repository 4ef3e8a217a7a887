"""How many laps it takes to see a gain, and which designs waste laps."""

from __future__ import annotations

import streamlit as st

from benchmark.answers.plan import plan
from benchmark.show.asking import ask_place
from benchmark.show.next_words import plan_columns, plan_lines, waste_lines
from benchmark.show.screen import (
    cautions,
    md,
    opening,
    part_of,
    points,
    ready_fit,
    show_table,
    told,
)

opening(
    "How many laps to see a gain?",
    "How much back-to-back running, with a part and without it, tells its gain from luck.",
)
kept = ready_fit()
with told():
    where = ask_place(kept)
    fit = part_of(kept, where[0])
    left, middle, right = st.columns(3)
    gain = left.number_input("Gain to be seen, s a lap", 0.05, 20.0, 1.0, 0.05)
    power = middle.slider("Chance of seeing it, %", 50, 95, 80, 5)
    laps = right.number_input("Clean laps a run", 1, 30, 5, 1)
    found = plan(fit, gain, *where, power=power / 100, laps_a_run=int(laps))
    first, *others = plan_lines(found)
    st.markdown(f"### {md(first)}")
    points(others)
    st.subheader("Other lengths of a run")
    show_table(plan_columns(found), "Lengths of a run, one a row")
    st.subheader("What wastes laps")
    points(waste_lines(found))
cautions()
