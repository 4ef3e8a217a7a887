"""What the pages of the app share: the store's path, the fit, safe text, cautions."""

from __future__ import annotations

import hashlib
import pickle
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import altair as alt
import pandas as pd
import streamlit as st

from benchmark.errors import BenchmarkError, NoFit, NoStore, StoreBusy
from benchmark.model.fit import Fit, KeptFit
from benchmark.model.fit_part import PartOfFit
from benchmark.show import fit_worker
from benchmark.show.by_state import StoreState, store_state
from benchmark.show.clock import Clock
from benchmark.show.output import Column
from benchmark.show.serving import serving
from benchmark.show.signing_in import why_not
from benchmark.show.words import CAUTIONS, shown
from benchmark.store.opening import PATIENCE_S
from benchmark.store.store import Store

PAGES = Path(__file__).parent / "pages"
HAND_IN, LEADERBOARD, METHOD = (
    PAGES / name for name in ("hand_in.py", "leaderboard.py", "method.py")
)
PUNCTUATION = re.compile(r"([!-/:-@\[-`{-~])")


def md(text: object) -> str:
    """Escape text of users, so that Markdown shows it as it is and never fetches or runs it."""
    one_line = shown(" ".join(str(text).split()))
    return PUNCTUATION.sub(r"\\\1", one_line)


def opening(title: str, shows: str) -> None:
    """Open a page: its title, and what it shows, in one sentence."""
    st.title(title)
    st.caption(shows)


def store_path() -> Path:
    """Give the store that the app was started on: `--db`, else BENCHMARK_DB, else laps.duckdb."""
    return serving().db


# How answers are kept: a fit never changes, so its name stands for it.
BY_FIT: dict[str | type[Any], Callable[[Any], Any]] = {
    kind: lambda fit: fit.fit_id for kind in (Fit, PartOfFit)
}
PARTS_KEPT = 8  # of large fits, each some tens of megabytes
BUSY_PATIENCE_S = 2.0  # where there is something to show meanwhile
_last_seen: dict[str, tuple[str, int]] = {}  # what the latest look at a store gave


@st.cache_resource(max_entries=16, show_spinner=False)
def _look(state: StoreState) -> tuple[str, int]:
    """Give the digest of the latest fit and the version of the laps in this state of the store."""
    known = state[0] in _last_seen
    with Store.open(state[0], patience_s=BUSY_PATIENCE_S if known else PATIENCE_S) as store:
        _last_seen[state[0]] = store.latest_fit_digest(), store.data_version()
    return _last_seen[state[0]]


@st.cache_resource(max_entries=2, show_spinner="Loading the fit")
def _load(path: str, digest: str) -> KeptFit:  # noqa: ARG001 - it tells one fit from the next
    """Open the fit once for all visitors; it is never changed."""
    with Store.open(path) as store:
        return store.open_fit()


def _fit_and_version(path: Path) -> tuple[KeptFit, int]:
    """Give the fit and the version of the laps, of a moment ago where another process writes."""
    state = store_state(path)
    try:
        digest, version = _look(state)
    except StoreBusy:
        if state[0] not in _last_seen:
            raise
        digest, version = _last_seen[state[0]]
    return _load(state[0], digest), version


@contextmanager
def told() -> Iterator[None]:
    """Show a wrong input or question as its sentence, and stop the page there."""
    try:
        yield
    except BenchmarkError as error:
        st.error(md(error))
        st.stop()


@st.cache_resource(max_entries=PARTS_KEPT, show_spinner=False)
def _part(
    fit_id: str,  # noqa: ARG001 - it tells one fit from the next
    circuit: str | None,
    builds: tuple[str, ...],
    drivers: tuple[str, ...],
    _kept: KeptFit,
) -> Fit:
    return _kept.part(circuit, builds, drivers)


def part_of(
    kept: KeptFit,
    circuit: str | None,
    builds: tuple[str, ...] = (),
    drivers: tuple[str, ...] = (),
) -> Fit:
    """Give what answers at a circuit, and about these builds and drivers, need of the fit.

    It is read once for all visitors, until others have been asked about.
    """
    if isinstance(kept, Fit):
        return kept
    with told():
        return _part(kept.fit_id, circuit, builds, drivers, kept)


def ready_fit() -> KeptFit:
    """Open the latest fit; where there is none, say what to do next and stop the page."""
    path = store_path()
    try:
        fit, version = _fit_and_version(path)
    except (NoStore, FileNotFoundError):
        _next_step(_no_laps())
    except NoFit:
        _next_step(_no_fit(path))
    except BenchmarkError as error:
        _next_step(md(error))
    if running := fit_line(path):
        st.caption(f"{running}. What you see rests on the fit before it.")
    elif fit.data_version != version:
        refused = why_not("fit")
        st.info(f"Laps have come or gone since this fit: {_fit_again(refused)}")
        if not refused:
            st.page_link(HAND_IN, label="Go to: fit again")
    return fit


def _no_laps() -> str:
    way_on = "Hand in a lap table"
    return (
        f"There are no laps yet. {way_on}{'.' if why_not('fit') else ', then fit the model to it.'}"
    )


def _no_fit(path: Path) -> str:
    """Say why there is no fit: there is nothing to fit, or nobody has fitted it yet."""
    with told(), Store.open(path) as store:
        counted = store.counted()
    if not counted:
        return _no_laps()
    refused = why_not("fit")
    way_on = md(refused) if refused else "Fit it now."
    return f"There are laps, but no model has been fitted to them yet. {way_on}"


def _fit_again(refused: str) -> str:
    return (
        f"they count after the next fit. {md(refused)}" if refused else "fit again to count them."
    )


def fit_line(path: Path) -> str:
    """Say that a fit is running and how far it is, as Markdown; empty where none is."""
    job = fit_worker.current(path)
    return md(job.sentence()) if job is not None and job.is_running else ""


def _next_step(text: str) -> None:
    running = fit_line(store_path())
    st.info(f"{running}. Come back when it has ended." if running else text)
    where = "hand in laps" if why_not("fit") else "hand in laps and fit"
    st.page_link(HAND_IN, label=f"Go to: {where}")
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
    if all(cell.isdecimal() for cell in cells):
        return [int(cell) for cell in cells]
    return [shown(cell) for cell in cells]


def show_table(columns: Sequence[Column], text: str) -> None:
    """Show a table whose names stay in sight: its builds, else its first column.

    `text` describes it for people who do not see it.
    """
    headings = [column.heading for column in columns]
    name = "Build" if "Build" in headings else headings[0]
    pinned = {name: st.column_config.Column(pinned=True)}
    st.dataframe(grid(columns), hide_index=True, alt=text, column_config=pinned)


def show_chart(
    make: Callable[..., alt.TopLevelMixin], *about: object, text: str, **sizes: int
) -> None:
    """Show the chart that `make` draws of these answers; `text` describes it for who cannot see.

    It is drawn once for all visitors: drawing and checking it takes longer than all the rest of a
    page. Only the chart's description as data is kept, under the digest of what it shows.
    """
    digest = hashlib.sha256(pickle.dumps((about, sizes))).hexdigest()
    spec = _drawn(f"{make.__module__}.{make.__qualname__}", digest, make, about, sizes)
    st.vega_lite_chart(spec, alt=text)


@st.cache_data(max_entries=256, show_spinner=False)
def _drawn(
    name: str,  # noqa: ARG001 - it tells one kind of chart from the next
    digest: str,  # noqa: ARG001
    _make: Callable[..., alt.TopLevelMixin],
    _about: Sequence[object],
    _sizes: dict[str, int],
) -> dict[str, Any]:
    """Give the chart as Vega-Lite, without the sizes that Altair's own theme would give it."""
    spec = _make(*_about, **_sizes).to_dict(validate=False)  # tests hold charts to the schema
    view = spec.get("config", {}).get("view", {})
    for size in ("continuousWidth", "continuousHeight"):
        view.pop(size, None)
    return spec


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
