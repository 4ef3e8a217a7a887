"""Evidence on a page: a picture is shown after it was drawn anew, all else is a download."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from benchmark.errors import BenchmarkError
from benchmark.intake.evidence import MOST_BYTES, PICTURES, kind_of, shown_picture
from benchmark.show.screen import md, store_path
from benchmark.show.signing_in import who, why_not
from benchmark.show.submitting import moment
from benchmark.show.words import count_text
from benchmark.store.evidence import ADD, Evidence, add_evidence, evidence, read_evidence
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


def size_text(size: int) -> str:
    """Write a size in bytes, kB or MB."""
    if size < 1000:
        return count_text(size, "byte")
    return f"{size / 1000:,.0f} kB" if size < 1_000_000 else f"{size / 1e6:,.1f} MB"


def take_evidence(label: str, key: str) -> list[tuple[str, bytes]]:
    """Ask for files of evidence; give the name and bytes of those of a kind that is taken.

    Of each other file it is said at once why it would be left out: the uploader's own refusal is
    a mark that is soon overlooked.
    """
    uploads = st.file_uploader(
        f"{label}: PDF, PNG, JPEG, CSV, GPX or NMEA, {MOST_BYTES // 1_000_000} MB each",
        accept_multiple_files=True,
        max_upload_size=MOST_BYTES // 1_000_000,
        key=key,
    )
    taken = []
    for upload in uploads or []:
        body = upload.getvalue()
        try:
            kind_of(body, name=upload.name)
        except BenchmarkError as error:
            st.error(f"Left out: {md(error)}.")
        else:
            taken.append((upload.name, body))
    return taken


def show_and_take(about: str, number: int) -> None:
    """Show the evidence of a submission or a kept claim, and take more where the person may."""
    place = st.container()
    if refused := why_not(ADD):
        st.caption(md(refused))
    else:
        _add_files(about, number)
    with Store.open(store_path(), who=who()) as store:
        files = evidence(store, about, number)
    with place:
        show_evidence(files)


def _add_files(about: str, number: int) -> None:
    with st.form(f"more_{about}_{number}", clear_on_submit=True):
        files = take_evidence("More evidence", key=f"more_files_{about}_{number}")
        if not st.form_submit_button("Add the evidence"):
            return
    for name, body in files:
        try:
            with Store.open(store_path(), write=True, who=who()) as store:
                add_evidence(store, about, number, body, name=name)
        except BenchmarkError as error:
            st.error(md(error))
        else:
            st.success(f"{md(name)} was added.")


@st.cache_data(max_entries=64, show_spinner=False)
def _drawn(sha256: str, _body: bytes, _kind: str) -> bytes:  # noqa: ARG001 - the digest is the key
    """Draw a picture anew once: one of 50 million pixels takes most of a second."""
    return shown_picture(_body, _kind)


def _show(one: Evidence) -> None:
    told = f"{KINDS[one.kind]}, {size_text(one.size)}, by {one.who}, {moment(one.at)}"
    told = f"{one.name}: {told}" if one.name else told
    st.markdown(md(told))
    try:
        with Store.open(store_path(), who=who()) as store:
            body = read_evidence(store, one)
        if one.kind in PICTURES:
            st.image(_drawn(one.sha256, body, one.kind), alt=told)
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
