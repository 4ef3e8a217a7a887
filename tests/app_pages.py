"""The app through Streamlit's runner: open a page, read it, press what is on it."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

from app import CLUB_PAGES, PAGES, STEWARD_PAGE
from benchmark.show import signing_in
from benchmark.store.served import CLUB, SERVED
from tests.clubs import As

OpenedAs = Callable[..., AppTest]
APP = Path(__file__).parent.parent / "app.py"
ADDRESSES = {file: address for file, _, address in (*PAGES, STEWARD_PAGE, *CLUB_PAGES)}
LIMIT_S = 60

# Each new runner looks for components in all packages that are installed: once will do.
manifest_scanner.scan_component_manifests = functools.cache(
    manifest_scanner.scan_component_manifests
)


def open_page(
    file: str = "leaderboard.py", state: Iterable[tuple[str, object]] = (), **query: str
) -> AppTest:
    """Open a page of the app as a link to it does, and refuse any exception.

    `state` is there beforehand in the state of the session, `query` stands in the address.
    """
    at = AppTest.from_file(str(APP), default_timeout=LIMIT_S)
    for name, value in query.items():
        at.query_params[name] = value
    for name, value in dict(state).items():
        at.session_state[name] = value
    if file != PAGES[0][0]:
        # The runner's own `switch_page` knows no addresses before the first page has been drawn.
        at._page_hash = calc_hash(ADDRESSES[file])
    at.run()
    assert not at.exception
    return at


def open_as(
    patch: pytest.MonkeyPatch, db: Path, who: str | None, file: str, **query: str
) -> AppTest:
    """Open a page of a store that is served to a club, as somebody; None is a visitor."""
    patch.setenv(SERVED, CLUB)
    patch.setenv("BENCHMARK_DB", str(db))
    patch.setattr(signing_in, "sign_in_here", lambda: None if who is None else As(who))
    return open_page(file, **query)


def markdown_on(at: AppTest) -> str:
    """All text that the page shows, as Markdown."""
    kinds = (at.title, at.header, at.subheader, at.markdown, at.caption, at.text, at.info,
             at.success, at.error, at.warning)  # fmt: skip
    return "\n".join(str(shown.value) for kind in kinds for shown in kind)


def words_on(at: AppTest) -> str:
    """All text that the page shows, without the marks of Markdown."""
    return markdown_on(at).replace("\\", "")


def first_on(at: AppTest) -> str:
    """The answer that the page gives first."""
    return str(at.markdown[0].value).replace("\\", "").removeprefix("### ")


def labels(at: AppTest) -> list[str]:
    """The buttons of the page."""
    return [button.label for button in at.button]


def press(at: AppTest, label: str) -> AppTest:
    """Press a button by its label, and refuse any exception."""
    next(button for button in at.button if button.label == label).click().run()
    assert not at.exception
    return at
