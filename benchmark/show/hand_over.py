"""The end of handing in: what may be stored at once, what a steward looks at first.

On a laptop everything is stored at once. In a club what a person below steward hands in waits for a
steward, and this says so before the button; a steward chooses.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from benchmark.errors import BenchmarkError, FaultyFile, NoStore
from benchmark.intake.laptable import LapFile
from benchmark.show.by_state import by_state
from benchmark.show.faults import show_faults
from benchmark.show.handing_in import add_file, added_lines
from benchmark.show.screen import md, store_path
from benchmark.show.serving import serving
from benchmark.show.showing_evidence import take_evidence
from benchmark.show.signing_in import actor, who, why_not
from benchmark.show.submitting import as_one_file, handed_in_text, submit
from benchmark.show.words import count_text
from benchmark.store.handing_in import LONGEST_CONTACT, LONGEST_NOTE
from benchmark.store.handing_in import MOST_BYTES as MOST_HANDED_IN
from benchmark.store.roles import Role
from benchmark.store.settings import VISITORS_HAND_IN, YES, settings
from benchmark.store.store import Store

OUTING = "outing"
STORE, WAIT = "Store now", "Let a steward look at it first"
WAITS = (
    "A steward looks at it before it counts. Until then it is in no board and no fit. "
    "What became of it stands under My laps."
)
VISITOR_WAITS = (
    "A steward looks at it before it counts. Until then it is in no board and no fit. "
    "Leave a way to reach you: without signing in you cannot look up what became of it."
)


@dataclass(frozen=True)
class Sheet:
    """A lap table without a fault of its own, ready to be stored or handed in.

    `body` is the file that it was read from; kinds of laps may have been confirmed since.
    """

    lap_file: LapFile
    body: bytes


def waits_for_a_steward() -> bool:
    """Tell whether what the person of this page hands in is looked at by a steward first."""
    return serving().club and actor().role < Role.STEWARD


def why_no_laps() -> str:
    """Say why the person of this page can neither store nor hand in laps; else nothing."""
    if not waits_for_a_steward():
        return why_not("add")
    return why_not("hand_in") or _why_no_visitor()


def largest_upload() -> int | None:
    """Give the size that a file may have where stewards look first [MB]; else the server's."""
    return MOST_HANDED_IN // 1_000_000 if waits_for_a_steward() else None


def may_wait(lap_file: LapFile, error: FaultyFile, show: Callable[..., None] = show_faults) -> bool:
    """Show the faults of a file that cannot be stored; tell whether it may wait for a steward.

    What contradicts the store may: the steward decides. A fault of the file has to be mended first.
    `show` shows them.
    """
    waits = waits_for_a_steward() and not lap_file.faults
    if waits:
        show(error.faults, "it contradicts the store, so a steward has to decide")
    else:
        show(error.faults)
    return waits


def hand_over(sheets: Sequence[Sheet], *, key: str) -> None:
    """Offer to store the sheets, or to hand them in to the stewards, and do so when asked to.

    `key` tells this part of the page from others.
    """
    if not serving().club:
        _offer_storing(sheets, key)
    elif waits_for_a_steward():
        _offer_handing_in(sheets, key)
    elif _choice(key) == STORE:
        _offer_storing(sheets, key)
    else:
        _offer_handing_in(sheets, key)


def _choice(key: str) -> str:
    return st.radio(
        "What is to become of it", (STORE, WAIT), key=f"hand_over_{key}", horizontal=True
    )


def _what(sheets: Sequence[Sheet], key: str) -> str:
    return "this outing" if key == OUTING else count_text(len(sheets), "file")


def _offer_storing(sheets: Sequence[Sheet], key: str) -> None:
    if refused := why_not("add"):
        st.info(md(refused))
        return
    label = f"Store {_what(sheets, key)}" if sheets else "Nothing to store"
    if st.button(label, type="primary", disabled=not sheets):
        for sheet in sheets:
            _store(sheet)


def _store(sheet: Sheet) -> None:
    """Store one file, whole or not at all, and say what came of it."""
    try:
        added = add_file(store_path(), sheet.lap_file, who())
    except FaultyFile as error:
        st.markdown(f"**{md(sheet.lap_file.name)}**")
        show_faults(error.faults)
    else:
        st.success(md("; ".join(added_lines(sheet.lap_file.name, added))))


def _offer_handing_in(sheets: Sequence[Sheet], key: str) -> None:
    st.info(VISITOR_WAITS if actor().role < Role.ENTRANT else WAITS)
    contact = st.text_input(
        "How the stewards reach you (they alone see it; may stay empty)",
        max_chars=LONGEST_CONTACT,
        key=f"contact_{key}",
    )
    note = st.text_area(
        "What the stewards should know (may stay empty)", max_chars=LONGEST_NOTE, key=f"note_{key}"
    )
    files = take_evidence("Evidence (may stay empty)", key=f"evidence_{key}")
    label = f"Hand in {_what(sheets, key)}" if sheets else "Nothing to hand in"
    if not st.button(label, type="primary", disabled=not sheets):
        return
    for sheet in sheets:
        _hand_in(sheet, contact, note, files)


def _hand_in(sheet: Sheet, contact: str, note: str, files: Sequence[tuple[str, bytes]]) -> None:
    """Hand in one file, whole or not at all, and say what came of it."""
    name = md(sheet.lap_file.name)
    try:
        lap_file, body = as_one_file(sheet.lap_file, sheet.body)
        texts = {"contact": contact, "note": note}
        handed = submit(store_path(), lap_file, body, attached=files, who=who(), **texts)
    except BenchmarkError as error:
        st.error(f"{name} was not handed in: {md(error)}")
    else:
        said = md(handed_in_text(handed))
        st.success(said) if handed.is_new else st.info(said)


def _why_no_visitor() -> str:
    """Say why a visitor may not hand in; nothing where the owner allows it or it is no visitor."""
    if actor().role >= Role.ENTRANT:
        return ""
    if visitors_hand_in():
        return ""
    if who() is None:
        return "This club takes files from people who have signed in: sign in first."
    return "Your name has no role here yet: ask an owner of the club to make you an entrant."


def visitors_hand_in() -> bool:
    """Tell whether an owner lets people hand in who have no role in the club."""
    return by_state(_visitors_hand_in, store_path())


def _visitors_hand_in(db: Path) -> bool:
    try:
        with Store.open(db) as store:
            return settings(store)[VISITORS_HAND_IN] == YES
    except NoStore:
        return False
