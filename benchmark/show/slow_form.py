"""The part of a page where laps that look slow are shown, and a person says what they were."""

from __future__ import annotations

import pandas as pd
import streamlit as st
from streamlit.elements.lib.column_types import ColumnConfig

from benchmark.intake.laptable import LapFile
from benchmark.intake.slow_laps import SLOW, Proposal, with_kinds
from benchmark.show.handing_in import slow_proposals
from benchmark.show.screen import store_path
from benchmark.show.words import count_text
from benchmark.trade.classes import LAP_KINDS
from benchmark.trade.timing import format_lap_time

RULE = (
    "A lap looks slow where it took over 1.07 times the second quickest lap of its run, or of that "
    "build's and driver's laps at the place on the tyre: a rule of ours. Out laps, in laps, "
    "warm-up and traffic do; only timed laps count."
)


def confirm_slow(lap_file: LapFile, key: str) -> LapFile:
    """Show the laps that look slow; give the file with their kinds as a person confirmed them."""
    proposals = slow_proposals(store_path(), lap_file)
    if not proposals:
        return lap_file
    st.markdown(f"**{count_text(len(proposals), 'lap')} handed in as timed look slow.**")
    st.caption(RULE)
    edited = st.data_editor(
        frame_of(proposals),
        hide_index=True,
        disabled=["Row", "Build", "Session", "Run", "Lap", "Time", "Looks slow"],
        column_config={"Kind": kind_column()},
        key=f"slow_{key}",
    )
    kinds = dict(zip(edited["Row"].tolist(), edited["Kind"].tolist(), strict=True))
    if not st.checkbox(
        f"I have looked at them: mark {count_text(len(proposals), 'lap')} as column Kind says",
        key=f"slow_seen_{key}",
    ):
        st.caption("Until you say so they stay timed laps.")
        return lap_file
    return with_kinds(lap_file, kinds)


def frame_of(proposals: list[Proposal]) -> pd.DataFrame:
    """Give the proposals as a table whose last column can be changed."""
    return pd.DataFrame(
        {
            "Row": [one.row for one in proposals],
            "Build": [one.build for one in proposals],
            "Session": [one.session for one in proposals],
            "Run": [one.run for one in proposals],
            "Lap": [one.lap for one in proposals],
            "Time": [format_lap_time(one.lap_time_s) for one in proposals],
            "Looks slow": [why_slow(one) for one in proposals],
            "Kind": [SLOW] * len(proposals),
        }
    )


def why_slow(proposal: Proposal) -> str:
    """Say by how much a lap is over what it is held against."""
    over = proposal.lap_time_s / proposal.reference_s - 1
    return f"{over:.0%} over {format_lap_time(proposal.reference_s)}"


def kind_column() -> ColumnConfig:
    """Give the column in which the kind of a lap is chosen."""
    return st.column_config.SelectboxColumn("Kind", options=list(LAP_KINDS), required=True)
