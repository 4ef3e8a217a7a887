"""Evidence on a page: a picture is shown after it was drawn anew, all else is a download."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from benchmark.errors import BenchmarkError
from benchmark.intake.evidence import PICTURES, shown_picture
from benchmark.show.screen import md, store_path
from benchmark.show.signing_in import who
from benchmark.show.submitting import moment
from benchmark.store.evidence import Evidence, read_evidence
from benchmark.store.store import Store

KINDS = {
    "pdf": "PDF",
    "png": "picture (PNG)",
    "jpeg": "picture (JPEG)",
    "csv": "table (CSV)",
    "gpx": "trace (GPX)",
    "nmea": "trace (NMEA)",
}


def show_evidence(files: Sequence[Evidence]) -> None:
    """Show each file of evidence, with a way to take it away."""
    st.markdown(f"**Evidence: {len(files)}**" if files else "**No evidence**")
    for one in files:
        _show(one)


def _show(one: Evidence) -> None:
    told = f"{KINDS[one.kind]}, {one.size / 1000:,.0f} kB, by {one.who}, {moment(one.at)}"
    st.markdown(md(told))
    try:
        with Store.open(store_path(), who=who()) as store:
            body = read_evidence(store, one)
        if one.kind in PICTURES:
            st.image(shown_picture(body, one.kind), alt=told)
    except BenchmarkError as error:
        st.error(md(error))
        return
    # No kind that a browser would open by itself: it is saved, never shown or run.
    st.download_button(
        f"Download {one.safe_name}",
        body,
        one.safe_name,
        "application/octet-stream",
        key=f"evidence_{one.number}",
        on_click="ignore",
    )
