"""Questions that several pages ask in the same way."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from benchmark.model.fit import KeptFit
from benchmark.show.screen import choose, part_of


def ask_place(fit: KeptFit, build: str | None = None) -> tuple[str, str]:
    """Let the visitor choose a circuit and layout, of those where the build has laps if named."""
    places = fit.circuits.index if build is None else _places_of(fit, build)
    left, right = st.columns(2)
    circuits = sorted(places.unique(0))
    with left:
        circuit = choose("Circuit", circuits, key="circuit") or circuits[0]
    layouts = sorted({own for place, own in places if place == circuit})
    layouts.sort(key=lambda layout: layout != "full")
    with right:
        layout = choose("Layout", layouts, key="layout") or layouts[0]
    return circuit, layout


def _places_of(kept: KeptFit, build: str) -> pd.MultiIndex:
    """Give the circuits and layouts where a build has laps."""
    fit = part_of(kept, None, (build,))
    own = fit.runs.iloc[fit.lookup.runs_of("build", build)]
    return pd.MultiIndex.from_frame(own[["circuit", "layout"]].drop_duplicates())
