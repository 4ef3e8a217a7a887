"""Lines of the record written out, the latest first: a table would cut the reasons."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import streamlit as st

from benchmark.show.record_words import about_text, action_text
from benchmark.show.screen import points
from benchmark.show.submitting import moment
from benchmark.show.words import count_text
from benchmark.store.record import Line
from benchmark.store.roles import machine_user

LINES_SHOWN = 25  # at once
MACHINE_USER = "the user of the machine"
# An e-mail address as people write it; whoever signs in by a provider is named by one.
ADDRESS = re.compile(r"(?<![^\s,;:<>()\"'])([^\s@,;:<>()\"']+)@[^\s@,;:<>()\"']+")


def show_lines(
    lines: Sequence[Line], taken_back: Mapping[int, int], *, public: bool = False
) -> None:
    """Write lines out, those with a certain word where one is given; some at a time.

    With `public` without the addresses of people.
    """
    told = [line_text(line, taken_back.get(line.number)) for line in reversed(lines)]
    if public:
        told = [without_addresses(text) for text in told]
    word = st.text_input("Find: a car, a file, a person or a word", key="find_line")
    found = [text for text in told if word.strip().casefold() in text.casefold()]
    if not found:
        st.markdown("No line has that.")
        return
    parts = {_part(start, len(found)): start for start in range(0, len(found), LINES_SHOWN)}
    start = 0
    if len(parts) > 1:
        chosen = st.selectbox("Lines to see, the latest first", list(parts), key="part_of_record")
        start = parts[chosen]
    points(found[start : start + LINES_SHOWN])
    if word.strip():
        st.caption(f"{count_text(len(found), 'line')} of {len(told)}.")


def line_text(line: Line, undone_by: int | None = None) -> str:
    """Say a line in full: its number, what, why, by whom and when, and what undid it."""
    what = f"{action_text(line)}: {about_text(line)}."
    why = f" Reason: {line.reason.strip().rstrip('.')}." if line.reason.strip() else ""
    undone = f" Undone by line {undone_by}." if undone_by else ""
    who = f" By {line.who}, {line.role}, {moment(line.at)}."
    return f"Line {line.number}, {what}{why}{who}{undone}"


def without_addresses(text: str) -> str:
    """Leave out e-mail addresses: of `anna@club.example` stays `anna@...`."""
    return ADDRESS.sub(r"\1@...", text)


def without_login(line: Line, named: Collection[str]) -> Line:
    """Leave out the name by which the machine knows its user, unless it is one of `named` people.

    Whoever works alone on a laptop acts under it and never chose it for others to read.
    """
    own = machine_user().name
    return replace(line, who=MACHINE_USER) if line.who == own and own not in named else line


def _part(start: int, count: int) -> str:
    return f"{start + 1} to {min(start + LINES_SHOWN, count)} of {count}"
