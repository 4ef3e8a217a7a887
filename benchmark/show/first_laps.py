"""The first laps of a file as they were read: what people compare with a timing sheet first."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from benchmark.show.screen import md
from benchmark.show.words import count_text, lap_text, shown

FIRST_SEEN = ("build", "driver", "lap", "lap_time")
NEXT_SEEN = ("date", "session", "run", "lap_kind")
SHOWN = 20


def show_first_laps(laps: pd.DataFrame) -> None:
    """Show the first laps; what is the same in all of them stands in one line above."""
    first = laps.head(SHOWN).dropna(axis=1, how="all").rename(columns={"lap_time_s": "lap_time"})
    if first.empty:
        return
    first = first.assign(lap_time=first["lap_time"].map(lap_text))
    texts = first.select_dtypes(exclude="number").columns
    first = first.assign(**{name: first[name].map(_cell) for name in texts})
    order = [name for name in (*FIRST_SEEN, *NEXT_SEEN) if name in first]
    first = first[[*order, *first.columns.difference(order, sort=False)]]
    same = same_in_all(first)
    if same:
        st.markdown(f"The same in all of these: {md('; '.join(same.values()))}.")
    st.dataframe(first.drop(columns=list(same)), alt="The first laps as they were read")
    st.caption(
        f"The first {len(first)} of {count_text(len(laps), 'lap')} as they were read; columns "
        "without a value left out."
    )


def same_in_all(first: pd.DataFrame) -> dict[str, str]:
    """Give the columns that say the same in every row, with what they say, but for the first seen.

    One row alone is shown whole.
    """
    if len(first) < 2:
        return {}
    others = [name for name in first.columns if name not in FIRST_SEEN]
    return {
        name: f"{name} {shown(first[name].iloc[0])}"
        for name in others
        if first[name].nunique(dropna=False) == 1
    }


def _cell(value: object) -> str:
    return "" if value is None or value != value else shown(value)
