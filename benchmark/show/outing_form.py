"""The form for one outing: what was driven, by whom, in which weather, and the laps as pasted."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

import pandas as pd
import streamlit as st

from benchmark.errors import FaultyFile
from benchmark.intake.columns import BY_NAME
from benchmark.intake.fixes import MAX_BYTES
from benchmark.intake.laptable import LapFile
from benchmark.intake.outing import Outing, OutingLap, from_pasted, make_outing
from benchmark.intake.slow_laps import SLOW
from benchmark.show.by_state import store_state
from benchmark.show.claiming import TraceFile
from benchmark.show.handing_in import slow_proposals
from benchmark.show.outing import (
    FIRST_OF_TRACE,
    TracedOuting,
    called,
    filled,
    passed_over_lines,
    pasted_laps,
    proposed_columns,
    traced_laps,
    understood,
)
from benchmark.show.outing_faults import show_outing_faults
from benchmark.show.outing_known import known_layouts, known_names, known_of
from benchmark.show.screen import points, show_table, store_path
from benchmark.show.slow_form import RULE, kind_column, why_slow
from benchmark.show.words import count_text
from benchmark.trade.classes import (
    AREAS,
    DRIVER_LEVELS,
    INDUCTIONS,
    LEVELS,
    LEVELS_TOLD,
    SURFACES,
    TIMINGS,
    TYRE_CATEGORIES,
)

Texts = dict[str, str | None]
StoreIt = Callable[[str, LapFile, bytes], None]
WEATHER = ("air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps", "altitude_m")
PASTED, TRACED = "lap times pasted as text", "a trace (GPX or NMEA)"
EXAMPLE = "out 2:10.3\n1:46.308\n1:45,9\n1'46\"100 traffic\nin 2:21"
METAR = "METAR ZZZZ 210930Z 24004KT CAVOK 12/08 Q1018"


def show_outing(store_it: StoreIt) -> None:
    """Ask for one outing, show how it is understood, and hand it on when asked to.

    `store_it` takes its name, its laps and the lap table that was made of it, as CSV.
    """
    st.caption("Needed: circuit, session, build, model, driver, tyre and laps.")
    texts, known = ask_what()
    metar = ask_weather(texts)
    ask_specification(texts, known)
    try:
        facts, words = filled(texts, {}, metar)
        points(words)
        laps = ask_laps(facts)
        if not laps:
            return
        made = with_kinds_confirmed(facts, laps)
    except FaultyFile as error:
        show_outing_faults(error.faults)
        return
    store_it(called(facts), made.lap_file, made.body)


def ask_what() -> tuple[Texts, dict[str, str]]:
    """Ask where, when, which car and who; a known build brings its latest record."""
    names = known_names()
    first, second, third = st.columns(3)
    texts: Texts = {}
    with first:
        texts["circuit"] = _name("Circuit", names["circuit"], "outing_circuit")
        layouts = known_layouts(texts["circuit"])
        texts["layout"] = _name("Layout", layouts, "outing_layout", first=True)
        texts["surface"] = _choice("Surface", SURFACES, "outing_surface", "dry")
    with second:
        texts["date"] = str(st.date_input("Date of the outing", date.today(), key="outing_date"))
        texts["session"] = st.text_input("Session, such as S1", "S1", key="outing_session")
        texts["start_time"] = st.text_input("Start of the session, HH:MM", key="outing_start")
        texts["run"] = st.text_input("Outing within the session", "1", key="outing_run")
    with third:
        build = texts["build"] = _name("Build", names["build"], "outing_build")
        known = known_of(texts)
        texts["model"] = _name(
            "Model", names["model"], f"outing_model_{build}", known=known.get("model")
        )
        driver = texts["driver"] = _name("Driver", names["driver"], "outing_driver")
        known = known_of(texts)
        level = known.get("driver_level")
        texts["driver_level"] = _choice(
            "Driver level", DRIVER_LEVELS, f"outing_level_{driver}", level
        )
    tyre, cycles, timing, evidence = st.columns(4)
    with tyre:
        texts["tyre_category"] = _choice(
            "Tyre",
            TYRE_CATEGORIES,
            f"outing_tyre_{build}",
            known.get("tyre_category"),
            none="choose: it is needed",
        )
    with cycles:
        texts["tyre_heat_cycles"] = st.text_input("Heat cycles before", key="outing_cycles")
    with timing:
        texts["timing"] = _choice("Timing", TIMINGS, "outing_timing", None)
    with evidence:
        texts["evidence"] = st.text_input(
            "Evidence, where it is kept",
            key="outing_evidence",
            help="The address of a page, or the name of a file that you keep. It is written into "
            "the lap table and holds no file: what a club's stewards should see is attached below "
            "when you hand in.",
        )
    return texts, known


def ask_weather(texts: Texts) -> str | None:
    """Ask for the weather, typed or as a METAR; what is typed wins."""
    known = known_of({"circuit": texts["circuit"]})
    with st.expander("Weather: typed, or from a METAR"):
        metar = st.text_area(
            "Weather report (METAR) of the hour, pasted", placeholder=METAR, key="outing_metar"
        )
        st.caption("What is typed below wins. The METAR's pressure needs the circuit's altitude.")
        columns = st.columns(3)
        for place, name in enumerate(WEATHER):
            what = BY_NAME[name]
            value = known.get(name, "")
            with columns[place % 3]:
                label = f"{what.noun.capitalize()}, {what.unit}"
                key = f"outing_{name}_{texts['circuit'] if value else ''}"
                texts[name] = st.text_input(label, value, key=key)
    return metar


def ask_specification(texts: Texts, known: Mapping[str, str]) -> None:
    """Ask for the specification, as the build's latest record has it until it is changed."""
    build = texts["build"]
    with st.expander("Specification: from the build's latest record, change what is new"):
        st.caption(f"{LEVELS_TOLD}.")
        columns = st.columns(3)
        levels = [str(level) for level in LEVELS]
        for place, area in enumerate(AREAS):
            name = f"mod_{area}"
            with columns[place % 3]:
                label = f"{area.capitalize()} level"
                texts[name] = _choice(label, levels, f"outing_{name}_{build}", known.get(name))
        with columns[0]:
            induction = known.get("induction")
            key = f"outing_induction_{build}"
            texts["induction"] = _choice("Induction", INDUCTIONS, key, induction)
        with columns[1]:
            grade, key = known.get("treadwear", ""), f"outing_treadwear_{build}"
            texts["treadwear"] = st.text_input("Treadwear grade", grade, key=key)


def ask_laps(facts: dict[str, str]) -> list[OutingLap]:
    """Ask for the laps and show each as it was understood; its kind can be changed.

    Raises
    ------
    FaultyFile
        A lap was not understood.
    """
    source = st.radio("Laps from", [PASTED, TRACED], horizontal=True, key="outing_source")
    if source == TRACED:
        return _from_trace(facts)
    text = st.text_area(
        "Lap times, one a line or separated by blanks",
        placeholder=EXAMPLE,
        height=160,
        key="outing_laps",
        help="1:46.308, 1:46,308, 1'46\"308, 1m46.308s or 106.308; lap numbers before or after; "
        "words such as out, in, slow, traffic, off, yellow.",
    )
    first = st.number_input(
        "Number of the first lap, where none are written", 1, 9999, 1, key="outing_first"
    )
    if not text.strip():
        return []
    pasted = pasted_laps(text, int(first))
    points(passed_over_lines(pasted))
    if pasted.faults or not pasted.laps:
        if pasted.laps:
            show_table(understood(pasted), "The laps as they were understood")
        raise FaultyFile(pasted.faults) if pasted.faults else _nothing()
    said = [lap.question or lap.note for lap in pasted.laps]
    return _kinds(facts, from_pasted(pasted), [lap.text for lap in pasted.laps], said)


def _nothing() -> FaultyFile:
    try:
        make_outing({}, [])
    except FaultyFile as error:
        return error
    raise AssertionError("an outing without laps was taken")


def _from_trace(facts: dict[str, str]) -> list[OutingLap]:
    upload = st.file_uploader(
        "Trace of the outing, GPX 1.1 or NMEA 0183",
        type=["gpx", "nmea", "txt", "log"],
        max_upload_size=MAX_BYTES // 1_000_000,
        key="outing_trace",
    )
    first, second = st.columns(2)
    with first:
        line = st.text_input(
            "Ends of the timing line: lat,lon,lat,lon; the stored one where empty",
            key="outing_line",
        )
    with second:
        number = st.number_input(
            "Number of the first lap", 1, 9999, FIRST_OF_TRACE, key="outing_first_traced",
            help="A trace that begins in the pits meets the line at the end of lap 1, the out lap.",
        )  # fmt: skip
    if upload is None or not facts.get("circuit"):
        return []
    where = facts["circuit"], facts.get("layout", "full")
    found = _traced(_state(), upload.name, upload.getvalue(), line, *where, int(number))
    points(found.words)
    show_table(proposed_columns(found), "The laps that the trace proposes")
    facts.setdefault("timing", "gps")
    said = ["; ".join(lap.faults) for lap in found.traced]
    return _kinds(facts, found.laps, [upload.name] * len(found.laps), said)


@st.cache_resource(max_entries=8, show_spinner="Finding the laps of the trace")
def _traced(
    state: object,  # noqa: ARG001  it is part of what the answer is remembered by
    name: str,
    data: bytes,
    line: str,
    circuit: str,
    layout: str,
    first: int,
) -> TracedOuting:
    """Find the laps once for each trace, line and state of the store."""
    file = TraceFile(name, data, line.strip() or None)
    return traced_laps(store_path(), file, circuit, layout, first)


def _kinds(
    facts: dict[str, str], laps: list[OutingLap], texts: list[str], said: list[str]
) -> list[OutingLap]:
    """Show the laps in a table whose kinds can be changed; slow ones are proposed."""
    rough = make_outing(facts, laps).lap_file
    slow = {one.row: why_slow(one) for one in slow_proposals(store_path(), rough)}
    if rough.faults:
        slow = {}
    table = pd.DataFrame(
        {
            "Lap": [lap.lap for lap in laps],
            "Time": [lap.lap_time for lap in laps],
            "Kind": [lap.lap_kind for lap in laps],
            "Looks slow": [slow.get(row, "") for row in range(1, len(laps) + 1)],
            "As pasted": [" ".join(text.split())[:60] for text in texts],
            "Look at": said,
        }
    )
    marked = False
    if slow:
        marked = st.checkbox(
            f"Mark as slow what looks slow: {count_text(len(slow), 'lap')}", key="outing_slow"
        )
        st.caption(RULE)
        if marked:
            at = [row - 1 for row in slow]
            table.loc[at, "Kind"] = SLOW
    key = hashlib.sha256(repr((laps, marked)).encode("utf-8", "replace")).hexdigest()[:16]
    edited = st.data_editor(
        table,
        hide_index=True,
        disabled=[name for name in table.columns if name != "Kind"],
        column_config={"Kind": kind_column()},
        key=f"outing_kinds_{key}",
    )
    st.caption("The laps as they were understood. Column Kind can be changed.")
    kinds = edited["Kind"].tolist()
    return [replace(lap, lap_kind=str(kind)) for lap, kind in zip(laps, kinds, strict=True)]


def with_kinds_confirmed(facts: Mapping[str, str], laps: list[OutingLap]) -> Outing:
    """Make the outing of the laps as they stand in the table.

    Raises
    ------
    FaultyFile
        A field cannot be taken; each fault names it.
    """
    made = make_outing(facts, laps)
    if made.lap_file.faults:
        raise FaultyFile(made.lap_file.faults)
    return made


def _state() -> object:
    try:
        return store_state(store_path())
    except FileNotFoundError:
        return None


def _name(
    label: str, options: list[str], key: str, *, first: bool = False, known: str | None = None
) -> str | None:
    """Ask for a name that may be new."""
    preset = (
        0 if first else options.index(known) if known is not None and known in options else None
    )
    return st.selectbox(
        label,
        options,
        index=preset,
        key=key,
        accept_new_options=True,
        placeholder="choose, or write a new one",
    )


def _choice(
    label: str, options: Sequence[str], key: str, known: str | None, *, none: str = "left open"
) -> str | None:
    """Ask for one of a few words; `none` stands there until one is chosen."""
    index = _place(known, options)
    return st.selectbox(label, options, index=index, key=key, placeholder=none)


def _place(known: str | None, options: Sequence[str]) -> int | None:
    return list(options).index(known) if known is not None and known in options else None
