"""What an owner sets for the whole club."""

from __future__ import annotations

import streamlit as st

from benchmark.show.deed import deed
from benchmark.show.screen import md, store_path
from benchmark.show.signing_in import who, why_not
from benchmark.store.settings import NO, VISITORS_HAND_IN, YES, change_setting, settings
from benchmark.store.store import Store


def show_settings() -> None:
    """Show whether visitors may hand in, and let an owner change it."""
    with Store.open(store_path()) as store:
        now = settings(store)[VISITORS_HAND_IN]
    st.markdown(f"### Visitors {'may' if now == YES else 'may not'} hand in files.")
    st.markdown("A visitor is somebody who has not signed in. What they hand in waits as all does.")
    if refused := why_not("settings"):
        st.info(md(refused))
        return
    to = NO if now == YES else YES
    verb = "may" if to == YES else "may no longer"
    deed(
        f"visitors_{to}",
        f"Visitors {verb} hand in",
        [f"Somebody who is not signed in {verb} hand in a file for a steward."],
        lambda reason: _change(to, reason),
    )


def _change(to: str, reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        change_setting(store, VISITORS_HAND_IN, to, reason=reason)
    return f"Visitors {'may' if to == YES else 'may not'} hand in files."
