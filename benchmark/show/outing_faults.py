"""The faults of the outing form, named by its fields: there is no file, so there are no rows."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from benchmark.errors import Fault
from benchmark.intake.columns import BY_NAME
from benchmark.show.screen import points
from benchmark.show.words import count_text
from benchmark.trade.classes import AREAS

MOST_SHOWN = 100
# What the form calls a field, where that is not the noun of its column.
LABELS = {
    "tyre_category": "Tyre",
    "start_time": "Start of the session",
    "date": "Date of the outing",
    "run": "Outing within the session",
    "tyre_heat_cycles": "Heat cycles before",
    "lap_time": "Lap times",
    "metar": "Weather report (METAR)",
    **{f"mod_{area}": f"{area.capitalize()} level" for area in AREAS},
}


def show_outing_faults(
    faults: Sequence[Fault], outcome: str = "this outing cannot be stored yet"
) -> None:
    """Show every fault with its field, and what comes of them."""
    st.error(f"{count_text(len(faults), 'fault')}: {outcome}.")
    points([by_field(fault) for fault in faults[:MOST_SHOWN]])
    if len(faults) > MOST_SHOWN:
        st.caption(f"The first {MOST_SHOWN} of {len(faults):,} are shown.")


def by_field(fault: Fault) -> str:
    """Say a fault as the form has it: the field, what stands in it, what to do.

    One of a trace is no field's: it is told with the file's name, as on a command line.
    """
    column = BY_NAME.get(fault.column)
    if column is None and fault.column not in LABELS:
        return str(fault)
    noun = fault.column if column is None else column.noun
    field = LABELS.get(fault.column) or f"{noun[:1].upper()}{noun[1:]}"
    place = "" if fault.row is None else f", lap in place {fault.row}"
    quoted = not fault.value or fault.message.startswith('"')  # then it names the part at fault
    value = "" if quoted else f' "{fault.value}"'
    return f"{field}{place}:{value} {fault.message}"
