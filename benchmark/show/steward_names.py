"""Merging two names of one car or one driver."""

from __future__ import annotations

import json

import streamlit as st

from benchmark.errors import BadQuestion
from benchmark.intake.names import alike
from benchmark.show.deed import deed
from benchmark.show.screen import md, points, store_path
from benchmark.show.signing_in import who
from benchmark.show.words import count_text, shown
from benchmark.store.rulings import merge
from benchmark.store.store import Store

KINDS = {"Car": "build", "Driver": "driver"}
MERGED = "just_merged"
TRIED = "to see what it would change"


def show_names() -> None:
    """Propose names that look alike, and merge two that the steward chooses."""
    thing = st.radio("Names of", list(KINDS), key="names_of", horizontal=True)
    kind = KINDS[thing]
    with Store.open(store_path()) as store:
        names = store.names(kind)
    groups = alike(names)
    found = f"{count_text(len(groups), 'group')} of names that look" if groups else "No names look"
    st.markdown(f"### {found} alike, among {len(names)}.")
    if groups:
        points([" · ".join(group) for group in groups])
        st.caption("They differ only by case, blanks, marks or letters that look the same.")
    if len(names) < 2:
        return
    # After a merge both stay empty: what comes next is another question.
    merged = st.session_state.get(MERGED, 0)
    first, second = (None, None)
    if groups and not merged:
        first, second = (names.index(name) for name in groups[0][:2])
    left, right = st.columns(2)
    with left:
        gone = st.selectbox(
            "Name that is given up",
            names,
            index=first,
            placeholder="choose a name",
            format_func=shown,
            key=f"gone_{kind}_{merged}",
        )
    with right:
        kept = st.selectbox(
            "Name that stays",
            names,
            index=second,
            placeholder="choose a name",
            format_func=shown,
            key=f"kept_{kind}_{merged}",
        )
    if gone is None or kept is None or gone == kept:
        st.caption("Choose two names.")
        return
    show_merge(kind, gone, kept)


def show_merge(kind: str, gone: str, kept: str) -> None:
    """Show what merging would change, or every fact that stands against it; then merge."""
    try:
        with Store.open(store_path(), write=True, who=who()) as store:
            would_be = merge(store, kind, (gone, kept), reason=TRIED, try_only=True)
    except BadQuestion as error:
        first, *facts = str(error).splitlines()
        st.error(md(first))
        points(facts)
        return
    counts = json.loads(would_be.after)
    changes = [
        f"{count_text(counts['runs_moved'], 'run')} of {gone} become runs of {kept}.",
        f"Sheets that say {gone} are read as {kept} from now on.",
        "It can be undone under Record.",
    ]
    if counts.get("runs_joined"):
        both = count_text(counts["runs_joined"], "run")
        laps = count_text(counts["laps_set_aside"], "lap")
        changes.insert(1, f"{both} that both have alike become one; {laps} are set aside, kept.")
    deed(
        f"merge_{kind}",
        "Merge the two names",
        changes,
        lambda reason: _merge(kind, gone, kept, reason),
    )


def _merge(kind: str, gone: str, kept: str, reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        line = merge(store, kind, (gone, kept), reason=reason)
    st.session_state[MERGED] = line.number
    return f"{gone} is {kept} now (line {line.number} of the record). Fit again to answer from it."
