"""Hand in lap tables: every fault is shown before anything is stored; then fit."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from benchmark.errors import FaultyFile
from benchmark.intake.laptable import COLUMNS, Column, LapFile
from benchmark.intake.mapping import ColumnMapping
from benchmark.show.alike import names_to_ask
from benchmark.show.first_laps import show_first_laps
from benchmark.show.fit_section import show_fit
from benchmark.show.hand_over import Sheet, hand_over, largest_upload, may_wait, why_no_laps
from benchmark.show.handing_in import added_lines, check_file, read_file
from benchmark.show.mapping_form import choose_mapping, show_mapping_form
from benchmark.show.outing_faults import show_outing_faults
from benchmark.show.outing_form import show_outing
from benchmark.show.screen import (
    PAGES,
    cautions,
    md,
    opening,
    points,
    progress_on_page,
    store_path,
    told,
)
from benchmark.show.serving import serving
from benchmark.show.signing_in import who, why_not
from benchmark.show.slow_form import confirm_slow

MOST_QUESTIONS = 20


def read_upload(upload: UploadedFile, mapping: ColumnMapping | None = None) -> LapFile:
    """Read an upload once; its text goes through a file of ours that is gone afterwards."""
    kept: dict[str, LapFile] = st.session_state.setdefault("read_uploads", {})
    if st.session_state.get("read_through") != mapping:
        kept.clear()
        st.session_state["read_through"] = mapping
    if upload.file_id not in kept:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "upload"
            path.write_bytes(upload.getbuffer())
            with progress_on_page("Checking") as report:
                kept[upload.file_id] = read_file(path, report, name=upload.name, mapping=mapping)
    return kept[upload.file_id]


def forget_uploads(still_there: set[str]) -> None:
    """Let go of files that the visitor has taken away."""
    kept: dict[str, LapFile] = st.session_state.get("read_uploads", {})
    for gone in set(kept) - still_there:
        del kept[gone]


def show_preview(upload: UploadedFile, lap_file: LapFile) -> LapFile | None:
    """Show what storing this file would do; give it with the kinds of laps as confirmed.

    None is a file that can neither be stored nor wait for a steward.
    """
    st.markdown(f"**{md(upload.name)}**")
    if not lap_file.faults:
        lap_file = confirm_slow(lap_file, upload.file_id)
    try:
        would_be = check_file(store_path(), lap_file)
    except FaultyFile as error:
        return lap_file if may_wait(lap_file, error) else None
    show_look_alikes(lap_file)
    for line in added_lines(upload.name, would_be, checked_only=True):
        st.markdown(md(line))
    show_first_laps(lap_file.laps)
    return lap_file


def show_look_alikes(lap_file: LapFile) -> None:
    """Ask about names that look like known ones; they are stored as they stand."""
    for asked in names_to_ask(store_path(), lap_file)[:MOST_QUESTIONS]:
        st.warning(md(asked))


def store_outing(name: str, lap_file: LapFile, body: bytes) -> None:
    """Show what storing an outing would do, and store it when asked to; `body` is it as CSV."""
    try:
        would_be = check_file(store_path(), lap_file)
    except FaultyFile as error:
        if not may_wait(lap_file, error, show_outing_faults):
            return
    else:
        show_look_alikes(lap_file)
        points(added_lines(name, would_be, checked_only=True))
    st.download_button("Download as a lap table", body, "outing.csv", "text/csv", on_click="ignore")
    hand_over([Sheet(lap_file, body)], key="outing")


def show_upload() -> None:
    """Take files, show what each would do, and store the good ones when asked to."""
    mapping = choose_mapping()
    uploads = st.file_uploader(
        "Lap tables, CSV or Parquet" if mapping is None else "Foreign sheets, CSV",
        type=["csv", "txt", "tsv", "parquet"],
        accept_multiple_files=True,
        max_upload_size=largest_upload(),
    )
    forget_uploads({upload.file_id for upload in uploads or []})
    read = [(upload, read_upload(upload, mapping)) for upload in uploads or []]
    good = [(upload, shown) for upload, laps in read if (shown := show_preview(upload, laps))]
    if not uploads:
        return
    hand_over([Sheet(lap_file, upload.getvalue()) for upload, lap_file in good], key="files")


def show_columns() -> None:
    """Explain the lap table, column by column, with an empty one to fill in."""
    with st.expander("What a lap table looks like"):
        st.markdown("One row is one lap, with a header row of column names in any order.")
        table = {
            "Column": [column.name for column in COLUMNS],
            "Needed": ["yes" if column.needed else "no" for column in COLUMNS],
            "What it holds": [column.meaning for column in COLUMNS],
            "If missing": [_if_missing(column) for column in COLUMNS],
        }
        st.dataframe(pd.DataFrame(table), hide_index=True, alt="The columns of a lap table")
        header = ",".join(column.name for column in COLUMNS) + "\n"
        st.download_button(
            "Download an empty lap table", header, "laps.csv", "text/csv", on_click="ignore"
        )


def _if_missing(column: Column) -> str:
    if column.needed:
        return "a fault"
    return column.default or (
        f"{column.absent} without the column" if column.absent else "not recorded"
    )


def show_ways_of_handing_in() -> None:
    """Take laps as tables, as one outing, or as a sheet of other columns."""
    st.subheader("1. Check and store laps" if not why_not("fit") else "Check and hand in laps")
    tables, outing, sheet = st.tabs(["Lap tables", "One outing", "A foreign sheet"])
    with tables:
        show_upload()
        show_columns()
    with outing:
        show_outing(store_outing)
    with sheet:
        show_mapping_form()


def show_way_in(refused: str) -> None:
    """Say before anything is uploaded why nothing can be handed in, and how one may."""
    st.info(md(refused))
    if serving().club and who() is None:
        st.page_link(PAGES / "account.py", label="Go to: sign in")


opening(
    "Hand in laps",
    "Takes in laps: all is checked first, and nothing is stored before you say so.",
)
with told():
    if refused := why_no_laps():
        show_way_in(refused)
        show_columns()
    else:
        show_ways_of_handing_in()
    show_fit()
cautions()
