"""Correcting what the runs of a car say of its specification, tyres and driver, day by day."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import streamlit as st

from benchmark.errors import BadQuestion
from benchmark.intake.columns import BY_NAME
from benchmark.show.deed import deed
from benchmark.show.output import Column
from benchmark.show.screen import md, points, show_table, store_path
from benchmark.show.signing_in import who
from benchmark.show.words import MISSING, count_text, shown
from benchmark.store.finding import facts_of, laps_of
from benchmark.store.known import CORRECTABLE
from benchmark.store.rulings import Correction, correct
from benchmark.store.store import Store
from benchmark.trade.classes import LEVEL_WORDS

TRIED = "to see what it would change"
RUNS_SHOWN = 200
CHOOSE, NOT_RECORDED = "choose", "not recorded: the known value is taken out"
LEVELS = {str(level): word for level, word in enumerate(LEVEL_WORDS)}


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
    show_facts(build, first, last)
    chosen = st.multiselect("What is wrong", CORRECTABLE, format_func=fact_text, key="facts")
    facts = {fact: value for fact in chosen if (value := ask(fact)) is not None}
    if not chosen or len(facts) < len(chosen):
        st.caption("Choose what is wrong, then what is right for each.")
        return
    show_change(Correction(build, facts, first, last))


def show_facts(build: str, first: date, last: date) -> None:
    """Show what the runs of these days say now, each fact with its values."""
    with Store.open(store_path()) as store:
        now = facts_of(store, build, first, last)
    st.markdown("**What the runs of these days say now**")
    points([f"{fact_text(fact)}: {values_text(fact, values)}" for fact, values in now.items()])


def values_text(fact: str, values: Sequence[tuple[object, int]]) -> str:
    """Write the values of a fact; where they differ, each with its runs."""
    if len(values) == 1:
        return value_text(fact, values[0][0])
    told = [f"{value_text(fact, value)} ({count_text(runs, 'run')})" for value, runs in values]
    return ", ".join(told) or "no run in these days"


def value_text(fact: str, value: object) -> str:
    """Write a value of a fact, a level with its meaning."""
    if value is None:
        return MISSING
    meaning = LEVELS.get(str(value)) if fact.startswith("mod_") else None
    return f"{value} {meaning}" if meaning else str(value)


def fact_text(fact: str) -> str:
    """Name a fact of a run: tyre category, level of engine."""
    return fact.replace("mod_", "level of ").replace("_", " ")


def ask(fact: str) -> str | None:
    """Ask for the right value of a fact; empty is not recorded, None is not answered yet."""
    column = BY_NAME[fact]
    label = f"The right {fact_text(fact)}"
    if column.choices:
        return st.selectbox(
            label,
            [*column.choices, *([] if column.needed else [""])],
            index=None,
            placeholder=CHOOSE,
            format_func=lambda text: value_text(fact, text) if text else NOT_RECORDED,
            key=f"right_{fact}",
        )
    right = st.text_input(label, key=f"right_{fact}").strip()
    if right or column.needed:
        return right or None
    return "" if st.checkbox(NOT_RECORDED.capitalize(), key=f"wipe_{fact}") else None


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
    ]
    for fact, value in now.items():
        noun = fact_text(fact).capitalize()
        columns.append(Column(f"{noun} so far", [value_text(fact, run[fact]) for run in first]))
        columns.append(Column(f"{noun} then", [value_text(fact, value)] * len(first)))
    columns.append(Column("Circuit", [run["circuit"] for run in first]))
    columns.append(Column("Session", [f"{run['session']}, run {run['run']}" for run in first]))
    show_table(columns, "The runs that change")
    if len(before) > len(first):
        st.caption(f"The first {len(first)} of {len(before)} are shown.")


def _correct(what: Correction, reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        line = correct(store, what, reason=reason)
    runs = count_text(json.loads(line.after)["runs"], "run")
    return f"{runs} corrected (line {line.number} of the record). Fit again to answer from it."
