"""The kept claims on the claim page: their verdicts then and now, and the evidence of each."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from benchmark.answers.claim_text import claim_from_text
from benchmark.model.fit import KeptFit
from benchmark.show.by_state import by_state
from benchmark.show.claim_list import recheck_columns, recheck_frame
from benchmark.show.claiming import recheck
from benchmark.show.screen import show_table, store_path
from benchmark.show.showing_evidence import show_and_take
from benchmark.show.words import shown
from benchmark.store.claims import kept_claims
from benchmark.store.evidence import CLAIM
from benchmark.store.store import Store


def show_kept(fit: KeptFit) -> None:
    """Show the kept claims, checked again when asked to, and what supports one of them."""
    with st.expander("Kept claims: their verdicts then and now, their evidence"):
        titles: dict[str, int] = by_state(_titles, store_path())
        if not titles:
            st.markdown("No claim has been kept yet.")
            return
        if st.button("Check the kept claims again"):
            checks = recheck(store_path(), fit)
            show_table(recheck_columns(recheck_frame(checks)), "Kept claims with their verdicts")
        chosen = st.selectbox("Claim whose evidence to see", list(titles), key="kept_claim")
        show_and_take(CLAIM, titles[chosen])


def _titles(db: Path) -> dict[str, int]:
    """Name each kept claim by its car, place and time, the latest first, and give its number."""
    with Store.open(db) as store:
        kept = kept_claims(store)
    return {_title(one.claim_no, one.subject): one.claim_no for one in reversed(kept)}


def _title(number: int, subject: str) -> str:
    texts = claim_from_text(subject).texts
    about = ", ".join(texts.get(name, "") for name in ("build", "circuit", "lap_time", "date"))
    return shown(f"{number}: {about}")
