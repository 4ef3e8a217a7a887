"""Striking laps of an entry, and putting them back."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from benchmark.show.deed import deed
from benchmark.show.output import Column
from benchmark.show.screen import md, show_table, store_path
from benchmark.show.signing_in import who
from benchmark.show.words import count_text, lap_text, shown
from benchmark.store.finding import FoundLap, laps_of
from benchmark.store.store import Store

STRIKE, PUT_BACK = "Strike laps", "Put laps back"


def show_laps() -> None:
    """Let the steward choose an entry and a day, then laps to strike or put back."""
    path = store_path()
    with Store.open(path) as store:
        builds = store.names("build")
    if not builds:
        st.markdown("### There are no laps yet.")
        return
    build = st.selectbox("Entry", builds, format_func=shown, key="laps_build")
    with Store.open(path) as store:
        laps = laps_of(store, build)
    struck = sum(lap.struck_by is not None for lap in laps)
    st.markdown(
        f"### {count_text(len(laps), 'lap')} of this entry, {struck or 'none'} of them struck."
    )
    days = list(dict.fromkeys((lap.date, lap.circuit) for lap in laps))
    day = st.selectbox("Day", days, format_func=lambda at: shown(f"{at[0]}, {at[1]}"), key="day")
    of_day = [lap for lap in laps if (lap.date, lap.circuit) == day]
    show_table(
        [
            Column("Lap", [named(lap) for lap in of_day]),
            Column("Time", [lap_text(lap.lap_time_s) for lap in of_day]),
            Column("Kind", [lap.lap_kind for lap in of_day]),
            Column("Driver", [lap.driver for lap in of_day]),
            Column("Struck", [_struck(lap) for lap in of_day]),
        ],
        "The laps of this entry on this day",
    )
    show_choice(build, of_day)


def show_choice(build: str, laps: Sequence[FoundLap]) -> None:
    """Let the steward choose what to do with which laps, and do it."""
    way = st.radio("What to do", (STRIKE, PUT_BACK), key="laps_way", horizontal=True)
    may = [lap for lap in laps if (lap.struck_by is None) == (way == STRIKE)]
    if not may:
        st.caption("No lap of this day is struck." if way == PUT_BACK else "All laps are struck.")
        return
    chosen = choose_laps(may, key=f"laps_{way}_{build}_{may[0].date}_{may[0].circuit}")
    if not chosen:
        st.caption("Tick one lap or more.")
        return
    then = "counts no more" if way == STRIKE else "counts again"
    changes = [f"{build}, {named(lap)}, {lap_text(lap.lap_time_s)}: {then}." for lap in chosen]
    changes.append("Each lap is a line of the record; fit again to answer from what counts then.")
    label = f"{'Strike' if way == STRIKE else 'Put back'} {count_text(len(chosen), 'lap')}"
    deed(f"laps_{way}", label, changes, lambda reason: _rule(way, chosen, reason))


def choose_laps(laps: Sequence[FoundLap], key: str) -> list[FoundLap]:
    """Let the steward tick laps one by one: a name that is typed could choose others than meant."""
    return [
        lap
        for lap in laps
        if st.checkbox(
            md(f"{named(lap)}: {lap_text(lap.lap_time_s)}, {lap.lap_kind}"),
            key=f"{key}_{lap.layout}_{lap.session}_{lap.run}_{lap.lap}",
        )
    ]


def named(lap: FoundLap) -> str:
    """Name a lap within its day."""
    layout = "" if lap.layout == "full" else f"{lap.layout}, "
    return f"{layout}{lap.session}, run {lap.run}, lap {lap.lap}"


def _struck(lap: FoundLap) -> str:
    return f"by {lap.struck_by}: {lap.why_struck}" if lap.struck_by else ""


def _rule(way: str, laps: Sequence[FoundLap], reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        decide = store.strike if way == STRIKE else store.unstrike
        for lap in laps:
            decide(lap.key, reason=reason)
    done = "struck" if way == STRIKE else "put back"
    told = "; ".join(named(lap) for lap in laps)
    counted = count_text(len(laps), "lap")
    return f"{counted} of {laps[0].build} {done}: {told}. Fit again to answer from what counts now."
