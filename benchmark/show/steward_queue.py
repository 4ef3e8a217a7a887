"""The stewards' queue: what waits, each file with its laps and faults, and the decision on it."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from benchmark.errors import FaultyFile
from benchmark.show import submitting
from benchmark.show.alike import names_to_ask
from benchmark.show.deed import deed
from benchmark.show.faults import show_faults
from benchmark.show.first_laps import show_first_laps
from benchmark.show.output import Column
from benchmark.show.screen import md, progress_on_page, show_table, store_path
from benchmark.show.showing_evidence import show_and_take
from benchmark.show.signing_in import who
from benchmark.show.submitting import Looked, decision_text, moment, waiting_text, would_be_text
from benchmark.show.words import count_text, shown
from benchmark.store.evidence import SUBMISSION
from benchmark.store.store import Store
from benchmark.store.submissions import PENDING, Submission, body_of, submissions

ACCEPT, CORRECT, REFUSE = "Accept it", "Accept a corrected file in its place", "Refuse it"
LOOKED_AT = "looked_at"
DECIDED_SHOWN, MOST_QUESTIONS = 100, 20


def show_queue() -> None:
    """Show how many wait and since when, then the one that is looked at."""
    with Store.open(store_path(), who=who()) as store:
        found = submissions(store)
    waiting = [one for one in found if one.state == PENDING]
    st.markdown(f"### {md(waiting_text(waiting))}")
    show_decided_meanwhile(found)
    if waiting:
        show_waiting(waiting)
    show_decided([one for one in reversed(found) if one.state != PENDING])


def show_decided_meanwhile(found: Sequence[Submission]) -> None:
    """Say that somebody else has decided on the file that this page showed: a press came late."""
    number = st.session_state.pop(LOOKED_AT, None)
    for one in found:
        if one.number == number and one.state != PENDING:
            st.warning(f"Submission {number} was decided meanwhile: {md(decision_text(one))}.")


def show_waiting(waiting: Sequence[Submission]) -> None:
    """List what waits, let the steward choose one, and show it with its decision."""
    show_table(
        [
            Column("No.", [str(one.number) for one in waiting]),
            Column("Handed in", [moment(one.at) for one in waiting]),
            Column("By", [one.who for one in waiting]),
            Column("File", [one.file for one in waiting]),
            Column("Laps", [str(one.laps) for one in waiting]),
        ],
        "The files that wait for a decision, the oldest first",
    )
    named = {f"{one.number}: {one.file}, by {one.who}": one for one in waiting}
    chosen = st.selectbox("File to look at", [shown(name) for name in named], key="submission")
    one = {shown(name): one for name, one in named.items()}[chosen]
    st.session_state[LOOKED_AT] = one.number
    st.subheader(f"Submission {one.number}")
    looked = look(one.number)
    show_looked(looked)
    st.divider()
    show_decision(looked)


def look(number: int, corrected: tuple[str, bytes] | None = None) -> Looked:
    """Look at a submission, or at a corrected file in its place, as the store is now."""
    with progress_on_page("Checking") as report:
        return submitting.look(store_path(), number, corrected=corrected, who=who(), report=report)


def show_looked(looked: Looked) -> None:
    """Show what was handed in: by whom, what it would bring, its first laps, its evidence."""
    one = looked.submission
    facts = [("File", one.file), ("Handed in", f"{moment(one.at)}, by {one.who}")]
    facts += [("Contact", one.contact)] if one.contact else []
    facts += [("Note", one.note)] if one.note else []
    st.markdown("\n".join(f"- {label}: {md(text)}" for label, text in facts))
    show_laps(looked)
    show_and_take(SUBMISSION, one.number)
    with Store.open(store_path(), who=who()) as store:
        body = body_of(store, one.number)
    st.download_button(
        "Download the file as it was handed in",
        body,
        f"submission-{one.number}.{'parquet' if body[:4] == b'PAR1' else 'csv'}",
        "application/octet-stream",
        on_click="ignore",
        help="As it came: a spreadsheet may run what stands in it as a formula.",
    )


def show_laps(looked: Looked) -> None:
    """Show what a file would bring, its first laps, and every fault of it."""
    if looked.faults:
        show_faults(looked.faults, "it cannot be accepted as it is")
    else:
        for line in would_be_text(looked):
            st.markdown(md(line))
        for asked in names_to_ask(store_path(), looked.lap_file)[:MOST_QUESTIONS]:
            st.warning(md(asked))
    show_first_laps(looked.lap_file.laps)


def show_decision(looked: Looked) -> None:
    """Let the steward choose what to do, see what it changes, give a reason, and do it."""
    number = looked.submission.number
    ways = (CORRECT, REFUSE) if looked.faults else (ACCEPT, CORRECT, REFUSE)
    way = st.radio("Decision", ways, key=f"way_{number}_{len(ways)}", horizontal=True)
    if way == ACCEPT:
        deed(
            f"accept_{number}",
            "Accept this file",
            [*would_be_text(looked), "The fit has to be made again to count these laps."],
            lambda reason: _accept(looked, reason),
            needs_reason=False,
        )
    elif way == CORRECT:
        show_correction(looked)
    else:
        deed(
            f"refuse_{number}",
            "Refuse this file",
            [
                "No lap is added; the file is kept.",
                f"{looked.submission.who} sees the reason.",
            ],
            lambda reason: _refuse(number, reason),
        )


def show_correction(looked: Looked) -> None:
    """Take a corrected file, show what it would bring, and accept it in place of the other."""
    number = looked.submission.number
    upload = st.file_uploader(
        "The corrected lap table, CSV or Parquet",
        type=["csv", "txt", "tsv", "parquet"],
        key=f"corrected_{number}",
    )
    if upload is None:
        st.caption("Download the file above, mend it, and hand the mended one in here.")
        return
    body = upload.getvalue()
    try:
        mended = look(number, (upload.name, body))
    except FaultyFile as error:
        show_faults(error.faults, "the corrected file cannot be read")
        return
    show_laps(mended)
    if not mended.faults:
        deed(
            f"correct_{number}",
            "Accept the corrected file",
            [*would_be_text(mended), "Both files are kept: the one handed in, and this one."],
            lambda reason: _accept(mended, reason, body),
        )


def show_decided(decided: Sequence[Submission]) -> None:
    """List what was decided, the latest first."""
    if not decided:
        return
    with st.expander(f"Decided so far: {len(decided)}"):
        first = decided[:DECIDED_SHOWN]
        show_table(
            [
                Column("No.", [str(one.number) for one in first]),
                Column("By", [one.who for one in first]),
                Column("File", [one.file for one in first]),
                Column("What became of it", [decision_text(one) for one in first]),
            ],
            "The files that were decided on, the latest first",
        )
        st.caption("A decision is undone under Record: the file then waits again.")


def _accept(looked: Looked, reason: str, corrected: bytes | None = None) -> str:
    number = looked.submission.number
    st.session_state.pop(LOOKED_AT, None)
    taken = submitting.accept(store_path(), looked, reason=reason, corrected=corrected, who=who())
    return (
        f"Submission {number} is accepted: {count_text(taken.added.laps_added, 'lap')} added. "
        "Fit again to count them."
    )


def _refuse(number: int, reason: str) -> str:
    st.session_state.pop(LOOKED_AT, None)
    submitting.refuse(store_path(), number, reason=reason, who=who())
    return f"Submission {number} is refused."
