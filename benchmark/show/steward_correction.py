"""Correcting what the runs of a car say of its specification, tyres and driver, day by day."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from benchmark.errors import BadQuestion
from benchmark.intake.columns import BY_NAME
from benchmark.show.deed import deed
from benchmark.show.output import Column
from benchmark.show.screen import md, show_table, store_path
from benchmark.show.signing_in import who
from benchmark.show.words import MISSING, count_text, shown
from benchmark.store.finding import laps_of
from benchmark.store.known import CORRECTABLE
from benchmark.store.rulings import Correction, correct
from benchmark.store.store import Store

TRIED = "to see what it would change"
RUNS_SHOWN = 200


def show_correction() -> None:
    """Let the steward choose a car, days and facts, see each run that changes, and correct them."""
    path = store_path()
    with Store.open(path) as store:
        builds = store.names("build")
    if not builds:
        st.markdown("### There are no laps yet.")
        return
    build = st.selectbox("Entry", builds, format_func=shown, key="correct_build")
    with Store.open(path) as store:
        days = sorted({lap.date for lap in laps_of(store, build)})
    st.markdown(f"### {md(build)} ran on {count_text(len(days), 'day')}: {days[0]} to {days[-1]}.")
    left, right = st.columns(2)
    first = left.selectbox("First day", days, key=f"first_{build}")
    last = right.selectbox("Last day", days, index=len(days) - 1, key=f"last_{build}")
    chosen = st.multiselect("What is wrong", CORRECTABLE, format_func=fact_text, key="facts")
    facts = {fact: ask(fact) for fact in chosen}
    if not facts:
        st.caption("Choose what is wrong, then write what is right.")
        return
    show_change(Correction(build, facts, first, last))


def fact_text(fact: str) -> str:
    """Name a fact of a run: tyre category, level of engine."""
    return fact.replace("mod_", "level of ").replace("_", " ")


def ask(fact: str) -> str:
    """Ask for the right value of a fact; empty is not recorded."""
    column = BY_NAME[fact]
    label = f"The right {fact_text(fact)}"
    if not column.choices:
        return st.text_input(label, key=f"right_{fact}")
    options = [*([] if column.needed else [""]), *column.choices]
    return st.selectbox(
        label, options, format_func=lambda text: text or MISSING, key=f"right_{fact}"
    )


def show_change(what: Correction) -> None:
    """Show each run that would change, from what to what; then correct them."""
    try:
        with Store.open(store_path(), write=True, who=who()) as store:
            would_be = correct(store, what, reason=TRIED, try_only=True)
    except BadQuestion as error:
        st.info(md(error))
        return
    before = json.loads(would_be.before)["runs"]
    show_runs(before, json.loads(would_be.after)["set"])
    changes = [
        f"{count_text(len(before), 'run')} of {what.build} as listed above; the laps stay.",
        "It can be undone under Record.",
    ]
    deed("correct", "Correct these runs", changes, lambda reason: _correct(what, reason))


def show_runs(before: Sequence[Mapping[str, Any]], now: Mapping[str, Any]) -> None:
    """List the runs that change."""
    first = before[:RUNS_SHOWN]
    columns = [
        Column("Day", [run["date"] for run in first]),
        Column("Circuit", [run["circuit"] for run in first]),
        Column("Session", [f"{run['session']}, run {run['run']}" for run in first]),
    ]
    for fact, value in now.items():
        noun = fact_text(fact).capitalize()
        columns.append(Column(f"{noun} so far", [_told(run[fact]) for run in first]))
        columns.append(Column(f"{noun} then", [_told(value)] * len(first)))
    show_table(columns, "The runs that change")
    if len(before) > len(first):
        st.caption(f"The first {len(first)} of {len(before)} are shown.")


def _told(value: object) -> str:
    return MISSING if value is None else str(value)


def _correct(what: Correction, reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        line = correct(store, what, reason=reason)
    runs = count_text(json.loads(line.after)["runs"], "run")
    return f"{runs} corrected (line {line.number} of the record). Fit again to answer from it."
