"""The stewards' desk: what waits, and every ruling with its reason."""

from __future__ import annotations

import streamlit as st

from benchmark.show.deed import show_done
from benchmark.show.screen import PAGES, cautions, md, opening, told
from benchmark.show.serving import serving
from benchmark.show.signing_in import who, why_not
from benchmark.show.steward_correction import show_correction
from benchmark.show.steward_laps import show_laps
from benchmark.show.steward_names import show_names
from benchmark.show.steward_protests import show_protests
from benchmark.show.steward_queue import show_queue
from benchmark.show.steward_record import show_record
from benchmark.show.steward_settings import show_settings

PARTS = {
    "Queue": show_queue,
    "Laps": show_laps,
    "Names": show_names,
    "Specification": show_correction,
    "Protests": show_protests,
    "Record": show_record,
    "Settings": show_settings,
}

opening("Steward", "Shows what waits for a decision, and takes rulings: each is put on the record.")
show_done()
if refused := why_not("accept"):
    st.info(md(refused))
    if serving().club and who() is None:
        st.markdown("**Sign in first.**")
        st.page_link(PAGES / "account.py", label="Go to: sign in")
else:
    part = st.segmented_control(
        "What to do", list(PARTS), default="Queue", required=True, key="desk", bind="query-params"
    )
    with told():
        PARTS[part or "Queue"]()
cautions()
