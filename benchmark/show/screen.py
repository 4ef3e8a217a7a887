"""What the pages of the app share: the store's path, the fit, safe text, cautions."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import streamlit as st

from benchmark.errors import BenchmarkError, NoFit, NoStore
from benchmark.model.fit import Fit
from benchmark.show import fit_worker
from benchmark.show.clock import Clock
from benchmark.show.output import Column
from benchmark.show.serving import serving
from benchmark.show.words import CAUTIONS
from benchmark.store.store import Store

PAGES = Path(__file__).parent / "pages"
HAND_IN, LEADERBOARD, METHOD = (
    PAGES / name for name in ("hand_in.py", "leaderboard.py", "method.py")
)
PUNCTUATION = re.compile(r"([!-/:-@\[-`{-~])")


def md(text: object) -> str:
    """Escape text of users, so that Markdown shows it as it is and never fetches or runs it."""
    one_line = " ".join(str(text).split())
    return PUNCTUATION.sub(r"\\\1", one_line)


def opening(title: str, shows: str) -> None:
    """Open a page: its title, and what it shows, in one sentence."""
    st.title(title)
    st.caption(shows)


def store_path() -> Path:
    """Give the store that the app was started on: `--db`, else BENCHMARK_DB, else laps.duckdb."""
    return serving().db


def store_state(path: Path) -> tuple[str, int, int]:
    """Tell one state of the store from another, without opening it: every writer closes it.

    Raises
    ------
    FileNotFoundError
        There is no store yet.
    """
    found = path.stat()
    return str(path.absolute()), found.st_mtime_ns, found.st_size


@st.cache_resource(max_entries=2, show_spinner="Loading the fit")
def _load(state: tuple[str, int, int]) -> tuple[Fit, int]:
    """Load the fit and the version of the laps; shared by all visitors, never changed."""
    with Store.open(state[0]) as store:
        return store.latest_fit(), store.data_version()


@contextmanager
def told() -> Iterator[None]:
    """Show a wrong input or question as its sentence, and stop the page there."""
    try:
        yield
    except BenchmarkError as error:
        st.error(md(error))
        st.stop()


def ready_fit() -> Fit:
    """Give the latest fit; where there is none, say what to do next and stop the page."""
    path = store_path()
    try:
        fit, version = _load(store_state(path))
    except (NoStore, FileNotFoundError):
        _next_step("There are no laps yet. Hand in a lap table, then fit the model to it.")
    except NoFit:
        _next_step("There are laps, but no model has been fitted to them yet. Fit it now.")
    except BenchmarkError as error:
        _next_step(md(error))
    if running := fit_line(path):
        st.caption(f"{running}. What you see rests on the fit before it.")
    elif fit.data_version != version:
        st.info("Laps have come or gone since this fit: fit again to count them.")
        st.page_link(HAND_IN, label="Go to: fit again")
    return fit


def fit_line(path: Path) -> str:
    """Say that a fit is running and how far it is, as Markdown; empty where none is."""
    job = fit_worker.current(path)
    return md(job.sentence()) if job is not None and job.is_running else ""


def _next_step(text: str) -> None:
    running = fit_line(store_path())
    st.info(f"{running}. Come back when it has ended." if running else text)
    st.page_link(HAND_IN, label="Go to: hand in laps and fit")
    cautions()
    st.stop()


@contextmanager
def progress_on_page(what: str) -> Iterator[Callable[[float, str], None]]:
    """Give a function that shows the share done (0 to 1) as a bar, gone when all is done."""
    bar = st.progress(0.0, text=what)
    clock, over = Clock(), False

    def report(done: float, step: str) -> None:
        if over:  # whoever kept the function must not bring the bar back
            return
        share = min(max(done, 0.0), 1.0)
        bar.progress(share, text=f"{what}: {md(step)}{clock.time_left(share)}")

    try:
        yield report
    finally:
        over = True
        bar.empty()


def grid(columns: Sequence[Column]) -> pd.DataFrame:
    """Give columns as a frame for the page's table; whole numbers sort as numbers."""
    return pd.DataFrame({column.heading: _sortable(column.cells) for column in columns})


def _sortable(cells: Sequence[str]) -> Sequence[str] | Sequence[int]:
    return [int(cell) for cell in cells] if all(cell.isdecimal() for cell in cells) else cells


def show_table(columns: Sequence[Column], text: str) -> None:
    """Show a table whose names stay in sight: its builds, else its first column.

    `text` describes it for people who do not see it.
    """
    headings = [column.heading for column in columns]
    name = "Build" if "Build" in headings else headings[0]
    pinned = {name: st.column_config.Column(pinned=True)}
    st.dataframe(grid(columns), hide_index=True, alt=text, column_config=pinned)


def points(sentences: Sequence[str]) -> None:
    """Show sentences as a list, text of users escaped."""
    st.markdown("\n".join(f"- {md(sentence)}" for sentence in sentences))


def cautions() -> None:
    """Show the cautions that every answer carries."""
    with st.expander("Cautions: an estimate, no target to drive to", expanded=False):
        points(CAUTIONS)


def choose(
    label: str,
    options: Sequence[str],
    *,
    key: str,
    all_of: bool = False,
) -> str | None:
    """Let the visitor choose; the choice stands in the address, so a link opens the same view.

    With `all_of`, nothing chosen means all, and comes back as None.
    """
    return st.selectbox(
        label,
        options,
        index=None if all_of else 0,
        placeholder="all",
        key=key,
        bind="query-params",
    )
