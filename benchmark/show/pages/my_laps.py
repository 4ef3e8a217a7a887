"""What the person signed in has handed in, and what became of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import streamlit as st

from benchmark.show import submitting
from benchmark.show.deed import deed, show_done
from benchmark.show.screen import (
    HAND_IN,
    PAGES,
    cautions,
    md,
    opening,
    store_path,
    told,
)
from benchmark.show.showing_evidence import show_and_take
from benchmark.show.signing_in import actor, who
from benchmark.show.submitting import STATE_WORDS, decision_text, moment
from benchmark.show.words import count_text, shown
from benchmark.store.evidence import SUBMISSION
from benchmark.store.roles import Role, SignIn
from benchmark.store.store import Store
from benchmark.store.submissions import (
    PENDING,
    REFUSED,
    STATES,
    WITHDRAWN,
    Submission,
    body_of,
    submissions,
)

SHOWN, MOST_READ = 10, 1_000_000  # bytes; a larger file is named by its name alone
AGAIN = "To hand it in again: mend it, then go to Hand in laps; a mended file is a new submission."


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
    for one in latest[:SHOWN]:
        show_outcome(one)
    if len(latest) > SHOWN:
        with st.expander(f"The {len(latest) - SHOWN} before these"):
            for one in latest[SHOWN:]:
                show_outcome(one)
    waiting = [one for one in own if one.state == PENDING]
    if waiting:
        show_waiting(waiting)


def show_outcome(one: Submission) -> None:
    """Say in words what became of a file: state, by whom, the whole reason, what can be done."""
    lines = [f"**{one.number}. {md(about_text(one))}**", md(sentence(decision_text(one)))]
    lines.append(md(f"Handed in {moment(one.at)} as {one.file}, {count_text(one.laps, 'lap')}."))
    if one.state in (REFUSED, WITHDRAWN):
        lines.append(AGAIN)
    st.markdown("  \n".join(lines))


def about_text(one: Submission) -> str:
    """Name what was handed in: cars, circuits and days, else the file."""
    small = one.size <= MOST_READ
    return (_about(store_path(), one.number, one.sha256, who()) if small else "") or one.file


@st.cache_data(max_entries=1_000, show_spinner=False)
def _about(_db: Path, number: int, sha256: str, _who: SignIn | None) -> str:  # noqa: ARG001
    """Read what a file is about; bytes of one digest always say the same."""
    with Store.open(_db, who=_who) as store:
        body = body_of(store, number)
    return submitting.about_file(body)


def sentence(text: str) -> str:
    """Write a sentence with its first letter large and a full stop."""
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


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
    show_and_take(SUBMISSION, one.number)
    with st.expander("Take this file back"):
        deed(
            f"withdraw_{one.number}",
            "Take it back",
            ["No steward decides on it any more; you may hand it in again."],
            lambda reason: _withdraw(one.number, reason),
            needs_reason=False,
        )


def _withdraw(number: int, reason: str) -> str:
    submitting.withdraw(store_path(), number, reason=reason, who=who())
    return f"Submission {number} is taken back."


opening("My laps", "Shows what you handed in and what a steward made of it.")
show_done()
with told():
    show_own()
cautions()
