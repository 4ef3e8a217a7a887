"""What each step of parts, tyres and drivers buys at a circuit."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from benchmark.answers.entries import basis, reference
from benchmark.answers.gains import gains
from benchmark.answers.ladders import typical_lap_s
from benchmark.model.fit import Fit
from benchmark.show.asking import ask_place
from benchmark.show.gains_figures import gains_chart
from benchmark.show.gains_words import gains_columns, gains_sentence, step_text
from benchmark.show.output import records, to_spreadsheet_csv
from benchmark.show.screen import (
    cautions,
    md,
    opening,
    part_of,
    points,
    ready_fit,
    show_chart,
    show_table,
    told,
)
from benchmark.show.words import place_text, reference_text
from benchmark.trade.classes import LEVELS_TOLD


@st.cache_data(max_entries=32, show_spinner="Comparing the steps")
def ask_gains(_fit: Fit, fit_id: str, where: tuple[str, str]) -> pd.DataFrame:  # noqa: ARG001
    """Answer once for each fit and place."""
    return gains(_fit, *where)


opening(
    "What buys pace?",
    "How many seconds a lap each step of parts, tyre or driver is worth at a circuit, estimated "
    "from all cars.",
)
kept = ready_fit()
with told():
    where = ask_place(kept)
    fit = part_of(kept, where[0])
    table = ask_gains(fit, fit.fit_id, where)
st.markdown(f"### {md(gains_sentence(table, *where, typical_lap_s(fit, *where, 'dry')))}")
st.caption(
    f"Each row is a step from one level to another (parts: {LEVELS_TOLD}) and what it changes a "
    "lap by, the rest staying as it was. Where a bar crosses nought, the step may as well hurt. "
    f"Builds are counted in {fit.counted_in}."
)
single = st.toggle("Only steps with cars seen before and after them", value=True, key="seen")
seen = (table["builds_from"] > 0) & (table["builds_to"] > 0)
shown = table[seen].reset_index(drop=True) if single else table
if shown.empty:
    st.info("No step was seen at both ends yet.")
else:
    show_chart(gains_chart, shown, text="Gain of each step with its interval; table below")
    doubtful = shown[shown["aliased_with"].notna()]
    if len(doubtful):
        st.subheader("What the laps cannot tell apart")
        points([f"{step_text(r)}: {r['warning']}." for r in doubtful.to_dict("records")[:8]])
    st.subheader("All steps")
    show_table(gains_columns(shown), "The steps, one a row")
    stated = reference(fit, *where)
    st.download_button(
        "Download as CSV",
        lambda: to_spreadsheet_csv(
            records(table, basis(fit, stated)), [*table, *basis(fit, stated)]
        ),
        file_name=f"gains {place_text(*where)}.csv",
        mime="text/csv",
        on_click="ignore",
    )
    with st.expander("What this rests on"):
        points([f"At: {reference_text(stated)}.", *fit.warnings])
cautions()
