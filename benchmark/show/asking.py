"""Questions that several pages ask in the same way."""

from __future__ import annotations

import streamlit as st

from benchmark.model.fit import Fit
from benchmark.show.screen import choose


def ask_place(fit: Fit, build: str | None = None) -> tuple[str, str]:
    """Let the visitor choose a circuit and layout, of those where the build has laps if named."""
    runs = fit.runs if build is None else fit.runs[fit.runs["build"] == build]
    left, right = st.columns(2)
    circuits = sorted(runs["circuit"].unique())
    with left:
        circuit = choose("Circuit", circuits, key="circuit") or circuits[0]
    layouts = sorted(runs.loc[runs["circuit"] == circuit, "layout"].unique())
    layouts.sort(key=lambda layout: layout != "full")
    with right:
        layout = choose("Layout", layouts, key="layout") or layouts[0]
    return circuit, layout
