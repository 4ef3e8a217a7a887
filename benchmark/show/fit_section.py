"""The part of a page where the model is fitted: offer, progress, outcome."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import streamlit as st

from benchmark.errors import NoStore
from benchmark.show import fit_worker
from benchmark.show.by_state import StoreState, store_state
from benchmark.show.fit_job import Job, State
from benchmark.show.screen import LEADERBOARD, md, points, store_path, told
from benchmark.show.signing_in import who, why_not
from benchmark.show.words import count_text
from benchmark.store.store import Store

LOOK_AGAIN_S = 2.0


def show_fit() -> None:
    """Offer to fit the stored laps, show how far a fit is, and say what came of it.

    Whoever may not fit reads how the fit stands and who may.
    """
    refused = why_not("fit")
    st.subheader("The fit of the model" if refused else "2. Fit the model")
    st.markdown(
        "Fitting works out from all counted laps how quick each car is at equal conditions. It "
        "takes from some seconds to a few minutes, and goes on when you leave this page."
    )
    path = store_path()
    counted, fitted, is_fitted = store_status(path)
    if not counted:
        way_on = "" if refused else ": store a lap table first"
        st.markdown(f"There are no counted laps to fit yet{way_on}.")
        if refused:
            st.caption(md(refused))
        return
    job = fit_worker.current(path)
    if job is not None and job.is_running:
        show_running()
        return
    if job is not None and (is_fitted or job.state is not State.DONE):
        show_outcome(job)
    since = "laps have come or gone since the latest fit" if fitted else "not yet fitted"
    state = "the latest fit rests on them" if is_fitted else since
    st.markdown(f"{count_text(counted, 'counted lap')} in the store, {state}.")
    if refused:
        st.caption(md(refused))
        return
    if st.button("Fit again" if is_fitted else "Fit now", type=_urgency(is_fitted=is_fitted)):
        fit_worker.start(path, who())
        st.rerun()


def store_status(path: Path) -> tuple[int, bool, bool]:
    """Give the number of counted laps, whether there is a fit, and whether it rests on just those.

    The store is asked once for all visitors, until it changes.
    """
    try:
        return _status(store_state(path))
    except (NoStore, FileNotFoundError):
        return 0, False, False


@st.cache_data(max_entries=16, show_spinner=False)
def _status(state: StoreState) -> tuple[int, bool, bool]:
    with Store.open(state[0]) as store:
        fits = store.fits()
        is_fitted = not fits.empty and int(fits["data_version"].iloc[0]) == store.data_version()
        return store.counted(), not fits.empty, is_fitted


@st.fragment(run_every=LOOK_AGAIN_S)
def show_running() -> None:
    """Show how far the fit is, again and again until it ends; it can be stopped."""
    path = store_path()
    job = fit_worker.current(path)
    if job is None or not job.is_running:
        st.rerun()
        return
    st.progress(job.done, text=md(job.sentence()))
    if why_not("fit"):
        return
    if st.button("Stop the fit"):
        with told():
            fit_worker.stop(path, who())
        st.caption("It stops at its next step.")


def show_outcome(job: Job) -> None:
    """Say what came of the latest fit."""
    if job.state is State.DONE:
        st.success("Fitted.")
        points(job.told)
        st.page_link(LEADERBOARD, label="Go to: the leaderboard")
    elif job.state is State.STOPPED:
        st.info("The latest fit was stopped; the one kept last stands.")
    elif job.state is State.LOST:
        st.warning("The process of the latest fit ended before the fit did: fit again.")
    else:
        st.error(f"The latest fit failed: {md(' '.join(job.told))}")


def _urgency(*, is_fitted: bool) -> Literal["primary", "secondary"]:
    return "secondary" if is_fitted else "primary"
