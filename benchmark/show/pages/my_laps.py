"""What the person signed in has handed in, and what became of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import streamlit as st

from benchmark.errors import BenchmarkError
from benchmark.intake.evidence import ENDINGS, MOST_BYTES
from benchmark.show import submitting
from benchmark.show.deed import deed, show_done
from benchmark.show.output import Column
from benchmark.show.screen import (
    HAND_IN,
    PAGES,
    cautions,
    md,
    opening,
    show_table,
    store_path,
    told,
)
from benchmark.show.showing_evidence import show_evidence
from benchmark.show.signing_in import actor, who
from benchmark.show.submitting import STATE_WORDS, decision_text, moment
from benchmark.show.words import count_text, shown
from benchmark.store.evidence import SUBMISSION, add_evidence, evidence
from benchmark.store.roles import Role
from benchmark.store.store import Store
from benchmark.store.submissions import PENDING, STATES, Submission, submissions


def show_own() -> None:
    """Show the person's own files with their states, and what can still be done with them."""
    me = actor()
    if me.role < Role.ENTRANT:
        st.markdown("Sign in to see what you handed in.")
        st.page_link(PAGES / "account.py", label="Go to: sign in")
        return
    with Store.open(store_path(), who=who()) as store:
        own = [one for one in submissions(store) if one.who == me.name]
    show_answer(own)
    if not own:
        st.page_link(HAND_IN, label="Go to: hand in laps")
        return
    latest = list(reversed(own))
    show_table(
        [
            Column("No.", [str(one.number) for one in latest]),
            Column("File", [one.file for one in latest]),
            Column("Laps", [str(one.laps) for one in latest]),
            Column("Handed in", [moment(one.at) for one in latest]),
            Column("What became of it", [decision_text(one) for one in latest]),
        ],
        "What you handed in, the latest first",
    )
    waiting = [one for one in own if one.state == PENDING]
    if waiting:
        show_waiting(waiting)


def show_answer(own: Sequence[Submission]) -> None:
    """Say first how many wait, were accepted, refused or taken back."""
    counts = Counter(one.state for one in own)
    parts = [f"{counts[state]} {STATE_WORDS[state]}" for state in STATES if counts[state]]
    of_all = f"{count_text(len(own), 'file')} handed in: {', '.join(parts)}."
    st.markdown(f"### {of_all if own else 'You have handed in nothing yet.'}")


def show_waiting(waiting: Sequence[Submission]) -> None:
    """Let the person add evidence to a file that waits, or take it back."""
    st.subheader("A file that waits")
    named = {shown(f"{one.number}: {one.file}"): one for one in waiting}
    one = named[st.selectbox("File", list(named), key="own")]
    with Store.open(store_path(), who=who()) as store:
        files = evidence(store, SUBMISSION, one.number)
    show_evidence(files)
    add_files(one)
    with st.expander("Take this file back"):
        deed(
            f"withdraw_{one.number}",
            "Take it back",
            ["No steward decides on it any more; you may hand it in again."],
            lambda reason: _withdraw(one.number, reason),
            needs_reason=False,
        )


def add_files(one: Submission) -> None:
    """Take more evidence for a file that waits."""
    with st.form(f"more_{one.number}", clear_on_submit=True):
        uploads = st.file_uploader(
            "More evidence: a timing sheet, a picture or a trace",
            type=[ending.removeprefix(".") for ending in (*ENDINGS.values(), ".jpeg", ".txt")],
            accept_multiple_files=True,
            max_upload_size=MOST_BYTES // 1_000_000,
        )
        if not st.form_submit_button("Add the evidence"):
            return
    for upload in uploads:
        try:
            with Store.open(store_path(), write=True, who=who()) as store:
                add_evidence(store, SUBMISSION, one.number, upload.getvalue(), name=upload.name)
        except BenchmarkError as error:
            st.error(md(error))
        else:
            st.success(f"{md(upload.name)} was added.")


def _withdraw(number: int, reason: str) -> str:
    submitting.withdraw(store_path(), number, reason=reason, who=who())
    return f"Submission {number} is taken back."


opening("My laps", "Shows what you handed in and what a steward made of it.")
show_done()
with told():
    show_own()
cautions()
