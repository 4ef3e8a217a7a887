"""How the numbers come about, what their words mean, and the cautions."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from benchmark.show.screen import opening, points
from benchmark.show.words import CAUTIONS, WORDS

METHOD = Path(__file__).parent.parent / "method.md"

opening(
    "Method and cautions",
    "How the numbers come about, what their words mean, and what they must not be used for.",
)
st.subheader("Cautions")
points(CAUTIONS)
st.subheader("What the words mean")
points([f"{word}: {meaning}" for word, meaning in WORDS])
if METHOD.exists():
    st.markdown(METHOD.read_text(encoding="utf-8").replace("## ", "### ", 1))
