"""Questions that several pages ask in the same way."""

from __future__ import annotations

import streamlit as st

from benchmark.model.fit import KeptFit
from benchmark.show.screen import choose


def ask_place(fit: KeptFit, build: str | None = None) -> tuple[str, str]:
    """Let the visitor choose a circuit and layout, of those where the build has laps if named."""
    places = list(fit.circuits.index) if build is None else fit.places_of(build)
    left, right = st.columns(2)
    circuits = sorted({circuit for circuit, _ in places})
    with left:
        circuit = choose("Circuit", circuits, key="circuit") or circuits[0]
    layouts = sorted({own for place, own in places if place == circuit})
    layouts.sort(key=lambda layout: layout != "full")
    with right:
        layout = choose("Layout", layouts, key="layout") or layouts[0]
    return circuit, layout
