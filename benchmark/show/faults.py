"""The faults of a file as a page shows them."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import streamlit as st

from benchmark.errors import Fault
from benchmark.show.screen import points
from benchmark.show.words import count_text, shown

WRITTEN_OUT, MOST_SHOWN = 5, 1000


def show_faults(
    faults: Sequence[Fault], outcome: str = "nothing of this file can be stored"
) -> None:
    """Show every fault with its place, as the command line does in words, and what comes of it."""
    st.error(f"{count_text(len(faults), 'fault')}: {outcome}.")
    points([f"{fault}." for fault in faults[:WRITTEN_OUT]])
    if len(faults) > WRITTEN_OUT:
        _show_table(faults)
    st.caption("Row 1 is the first lap after the header; blank lines are not counted.")


def _show_table(faults: Sequence[Fault]) -> None:
    first = faults[:MOST_SHOWN]
    table = {
        "What is wrong and what to do": [shown(fault.message) for fault in first],
        "Row": ["whole file" if fault.row is None else str(fault.row) for fault in first],
        "Column": [shown(fault.column) for fault in first],
        "Value": [shown(fault.value) for fault in first],
    }
    st.dataframe(pd.DataFrame(table), hide_index=True, alt="The faults of the file, one a row")
    if len(faults) > len(first):
        st.caption(f"The first {MOST_SHOWN:,} of {len(faults):,} are shown.")
