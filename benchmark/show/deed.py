"""An act that is put on the record: what it will change is shown first, then the reason is asked.

What came of it stands on top of the page that is drawn next, so that nothing is done twice by a
page that still shows the state of before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import streamlit as st

from benchmark.errors import BenchmarkError, FaultyFile
from benchmark.show.screen import md, points

DONE = "deed_done"
LONGEST_REASON = 500


def show_done() -> None:
    """Say what the act before this drawing of the page came to."""
    done = st.session_state.pop(DONE, None)
    if done:
        st.success(md(done))


def deed(
    key: str,
    label: str,
    changes: Sequence[str],
    act: Callable[[str], str],
    *,
    needs_reason: bool = True,
) -> None:
    """Show what an act would change, ask for the reason, and do it when the button is pressed.

    Parameters
    ----------
    key : tells this act from others; one per thing that it is about.
    label : the words on the button.
    changes : what it will change, one sentence each.
    act : takes the reason and gives what came of it, in a sentence.
    """
    st.markdown("**What it will change**")
    points(changes)
    with st.form(f"deed_{key}"):
        optional = "" if needs_reason else " (may stay empty)"
        reason = st.text_input(
            f"Reason, for the record that everybody can read{optional}",
            max_chars=LONGEST_REASON,
            key=f"reason_{key}",
        )
        if not st.form_submit_button(label, type="primary"):
            return
    if needs_reason and not reason.strip():
        st.error("Write the reason, then press again: nothing was changed.")
        return
    try:
        done = act(reason)
    except FaultyFile as error:
        st.error(f"Nothing was changed: {md(error.faults[0])}.")
    except BenchmarkError as error:
        st.error(f"Nothing was changed: {md(error)}.")
    else:
        st.session_state[DONE] = done
        st.rerun()
