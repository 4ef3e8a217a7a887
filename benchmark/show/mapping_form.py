"""The part of a page where a user says once which column of a foreign sheet is which."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from benchmark.errors import BenchmarkError, Fault, FaultyFile
from benchmark.intake.columns import BY_NAME, COLUMNS
from benchmark.intake.foreign_sheet import Sheet, look_at_sheet
from benchmark.intake.mapping import (
    ENCODINGS,
    ISO_DATE,
    ISO_TIME,
    LAST_HEADER_LINE,
    ColumnMapping,
    make_mapping,
    parse_mapping,
)
from benchmark.intake.source import WholeFile
from benchmark.intake.units import UNITS
from benchmark.intake.usual_names import proposed_column, proposed_columns
from benchmark.show.by_state import by_state
from benchmark.show.handing_in import read_file
from benchmark.show.mappings import keep, kept
from benchmark.show.screen import md, points, store_path
from benchmark.show.signing_in import who, why_not
from benchmark.show.words import count_text

DATES, TIMES = "Dates are written", "Times of day are written"
SAME = "the same for all laps"
NOT_THERE = "not in the sheet"
PREVIEW_ROWS = 10
FIELDS = {"date_format": DATES, "time_format": TIMES, "header_line": "Header on line"}
# What a message calls a key of the mapping, and what the form calls its field.
PATTERNS = {
    "the mapping's date_format": f'"{DATES}" above',
    "the mapping's time_format": f'"{TIMES}" above',
    "the mapping's encoding": '"Encoding" above',
}
LAP_TIME_UNIT = (
    "Times such as 1:46.308 or 106.308 are read with s. Choose ms or min only where the sheet has "
    "plain numbers of milliseconds or minutes."
)
NAME = "mapping"


def choose_mapping() -> ColumnMapping | None:
    """Ask whether the files are lap tables or foreign sheets; None is lap tables."""
    known = {one.name: one.body for one in by_state(kept, store_path())}
    if not known:
        return None
    lap_tables = "lap tables"
    name = st.selectbox(
        "The files are",
        [lap_tables, *known],
        format_func=lambda one: one if one == lap_tables else f"foreign sheets, mapping {one}",
        key="read_mapping",
    )
    return parse_mapping(known[name], f"mapping {name}") if name in known else None


def show_mapping_form() -> None:
    """Take a foreign sheet, ask for its columns, show what they become, and keep the mapping."""
    told = "A sheet with other columns than a lap table: say once which is which"
    if why_not("keep_mapping"):
        st.caption(
            f"{told} and download that as a mapping. A steward can keep it by name, for the tab "
            "Lap tables; benchmark submit --mapping reads a sheet through the file."
        )
    else:
        st.caption(
            f"{told} and keep that by name. Then choose the mapping under Lap tables, or use "
            "benchmark import --mapping."
        )
    upload = st.file_uploader("A foreign sheet, CSV", type=["csv", "txt", "tsv"], key="foreign")
    if upload is None:
        return
    data = _ask_form()
    try:
        sheet = _look(upload, data)
    except WholeFile as whole:
        fault = Fault(upload.name, None, whole.column, whole.value[:80], whole.message)
        st.error(md(in_form_words(str(fault))))
        return
    st.dataframe(_head(sheet), hide_index=True, alt="The first records of the sheet")
    _ask_columns(sheet, data)
    try:
        mapping = make_mapping(data, NAME)
    except FaultyFile as error:
        st.markdown("**Still to say:**")
        points([_still(fault) for fault in error.faults])
        return
    _preview(upload, mapping)
    _offer(mapping)


def _still(fault: Fault) -> str:
    """Say a fault of the mapping in the words of this form."""
    table, _, name = fault.column.partition(".")
    if table == "columns" and not fault.value and name in BY_NAME:
        return f"{_label(name)}: choose the column of the sheet, or {SAME}"
    ours, _, word = name.partition(".")
    field = _label(ours) if ours in BY_NAME else FIELDS.get(fault.column, fault.column)
    theirs = f', their word "{word}"' if word else ""
    value = f' "{fault.value}"' if fault.value else ""
    return f"{field}{theirs}:{value} {fault.message}"


def _label(name: str) -> str:
    """Give what a column of the lap table is called on the page."""
    return "Tyre category" if name == "tyre_category" else BY_NAME[name].noun.capitalize()


def _ask_form() -> dict[str, Any]:
    """Ask how the text is written."""
    first, second, third, fourth = st.columns(4)
    with first:
        encoding = st.selectbox("Encoding", ENCODINGS, key="map_encoding")
    with second:
        line = st.number_input(
            "Header on line (0: none)", 0, LAST_HEADER_LINE, 1, key="map_header",
            help="Blank lines are not counted.",
        )  # fmt: skip
    with third:
        day = st.text_input(
            DATES, ISO_DATE, key="map_dates_as", help="Such as DD.MM.YYYY or M/D/YY."
        )
    with fourth:
        clock = st.text_input(
            TIMES,
            ISO_TIME,
            key="map_times_as",
            help="Such as HH:mm or h:mm A.",
        )
    return {"encoding": encoding, "header_line": int(line), "date_format": day.strip(),
            "time_format": clock.strip()}  # fmt: skip


def _look(upload: UploadedFile, data: dict[str, Any]) -> Sheet:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "upload"
        path.write_bytes(upload.getbuffer())
        how = ColumnMapping({}, encoding=data["encoding"], header_line=data["header_line"])
        return look_at_sheet(path, how)


def _head(sheet: Sheet) -> pd.DataFrame:
    """Give the first records, each column under its position and name."""
    names = [f"{place}. {name}" for place, name in enumerate(sheet.header, start=1)]
    width = len(names)
    cells = [(record + [""] * width)[:width] for record in sheet.records]
    return pd.DataFrame(cells, columns=names)


def _ask_columns(sheet: Sheet, data: dict[str, Any]) -> None:
    """Ask where each column of the lap table comes from; optional ones only where wanted."""
    columns: dict[str, str | int] = {}
    fixed: dict[str, str] = {}
    units: dict[str, str] = {}
    values: dict[str, dict[str, str]] = {}
    needed = [column.name for column in COLUMNS if column.needed]
    more = st.multiselect(
        "Further columns of the lap table that the sheet has",
        [column.name for column in COLUMNS if not column.needed],
        [name for name in proposed_columns(sheet.header) if not BY_NAME[name].needed],
        format_func=_label,
        key="map_more",
    )
    places = {f"{n}. {name}": n for n, name in enumerate(sheet.header, start=1)}
    for name in [*needed, *more]:
        left, right = st.columns(2)
        source = left.selectbox(
            _label(name),
            [NOT_THERE, SAME, *places],
            index=_guess(name, sheet),
            key=f"map_{name}",
        )
        if source == SAME:
            fixed[name] = right.text_input("Value for all laps", key=f"map_fixed_{name}")
        elif source != NOT_THERE:
            columns[name] = _by_name(places[source], sheet, data["header_line"])
            _ask_turning(name, right, units, values)
    data |= {"columns": columns, "fixed": fixed, "units": units, "values": values}


def _guess(name: str, sheet: Sheet) -> int:
    """Propose the column that is plainly this one, else nothing."""
    place = proposed_column(name, sheet.header)
    return 0 if place is None else 2 + place


def _by_name(place: int, sheet: Sheet, header_line: int) -> str | int:
    """Keep a column by its name, so that next time it may stand elsewhere; else by position."""
    name = sheet.header[place - 1]
    names = [one.lower() for one in sheet.header]
    return name if header_line and name and names.count(name.lower()) == 1 else place


def _ask_turning(
    name: str, place: Any, units: dict[str, str], values: dict[str, dict[str, str]]
) -> None:
    """Ask for the unit of a quantity, or for other words of a choice."""
    what = BY_NAME[name]
    if what.unit in UNITS:
        unit = place.selectbox(
            "Its unit",
            list(UNITS[what.unit]),
            key=f"map_unit_{name}",
            help=LAP_TIME_UNIT if name == "lap_time" else None,
        )
        if unit != what.unit:
            units[name] = unit
    elif what.choices:
        text = place.text_input(
            f"Their words for {', '.join(what.choices)}", key=f"map_words_{name}",
            placeholder="Semi = semi-slick; Road = touring",
        )  # fmt: skip
        words = [pair.partition("=") for pair in text.split(";") if pair.strip()]
        if words:
            values[name] = {theirs.strip(): ours.strip() for theirs, _, ours in words}


def _preview(upload: UploadedFile, mapping: ColumnMapping) -> None:
    """Show the laps that the sheet gives through the mapping, or its faults."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "upload"
        path.write_bytes(upload.getbuffer())
        found = read_file(path, lambda *_: None, name=upload.name, mapping=mapping)
    if found.faults:
        st.warning(f"{count_text(len(found.faults), 'fault')} through this mapping:")
        told = told_once(found.faults)
        points(told[:PREVIEW_ROWS])
        if len(told) > PREVIEW_ROWS:
            st.caption(f"The first {PREVIEW_ROWS} kinds of {len(told):,} are shown.")
        return
    laps = found.laps.head(PREVIEW_ROWS).dropna(axis=1, how="all")
    st.dataframe(laps, alt="The first laps through the mapping")
    st.caption(f"The first {len(laps)} of {count_text(found.run_laps.num_rows, 'lap')}.")


def told_once(faults: Sequence[Fault]) -> list[str]:
    """Say each fault of a column once, with the number of rows, the first of them and its value."""
    same: dict[tuple[str, str], list[Fault]] = {}
    for fault in faults:
        same.setdefault((fault.column, fault.message), []).append(fault)
    return [_with_rows(alike) for alike in same.values()]


def in_form_words(message: str) -> str:
    """Name the form's fields where a message names the keys of a mapping."""
    for key, field in PATTERNS.items():
        message = message.replace(key, field)
    return message


def _with_rows(alike: Sequence[Fault]) -> str:
    first = alike[0]
    message = in_form_words(first.message)
    rows = f"row {first.row}" if first.row is not None else "the whole sheet"
    if len(alike) > 1:
        rows = f"in {count_text(len(alike), 'row')}, the first {rows}"
    return f'{first.column}, {rows}, "{first.value}": {message}'


def _offer(mapping: ColumnMapping) -> None:
    """Offer to keep the mapping, and to take it away as a file."""
    st.download_button(
        "Download as TOML", mapping.to_toml(), "mapping.toml", "text/plain", on_click="ignore"
    )
    if refused := why_not("keep_mapping"):
        st.info(md(refused))
        return
    name = st.text_input("Keep this mapping as", key="map_name")
    if st.button("Keep the mapping", disabled=not name.strip()):
        try:
            keep(store_path(), name, mapping, who())
        except BenchmarkError as error:
            st.error(md(error))
        else:
            use = f'benchmark import --mapping "{name.strip()}" FILE'
            st.success(md(f"Kept as {name.strip()}: choose it under Lap tables, or use {use}."))
