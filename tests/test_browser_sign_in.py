"""Signing in and out in a real browser, with a password and through a provider.

As `test_browser.py`: `pytest -m browser`, pictures with PICTURES=FOLDER.
"""

from __future__ import annotations

import re
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from app import CLUB_PAGES, PAGES
from benchmark.store.accounts import Accounts
from benchmark.store.people import name_role
from benchmark.store.roles import Role
from benchmark.store.store import Store
from tests.provider import CLIENT, provider
from tests.signed_in import OWNER, STEWARD, WORDS, SignedIn, make_club
from tests.test_browser import BENCHMARK, LOCAL, WIDTHS, browser, keep_picture, tab

__all__ = ["browser", "tab"]  # fixtures

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

PERSON = "anna@club.example"


@contextmanager
def served(*words: str) -> Iterator[str]:
    with subprocess.Popen([*BENCHMARK, "app", *words], stdout=subprocess.PIPE, text=True) as child:
        try:
            line = child.stdout.readline() if child.stdout else ""
            yield re.findall(r"http://127\.0\.0\.1:\d+", line)[0]
        finally:
            child.terminate()


@pytest.fixture(scope="module")
def db(fitted_db: Path, tmp_path_factory) -> Path:
    path = make_club(fitted_db, tmp_path_factory.mktemp("club") / "club.duckdb")
    with Store.open(path, write=True, who=SignedIn(OWNER)) as store:
        name_role(store, PERSON, Role.STEWARD)
    return path


@pytest.fixture(scope="module")
def address(db: Path) -> Iterator[str]:
    with served("--club", "--db", str(db)) as found:
        yield found


def open_page(page, address: str, title: str) -> None:
    page.goto(address)
    page.get_by_role("heading", name=title, exact=True).wait_for(timeout=60_000)


def sign_in(page, address: str, name: str, password: str = WORDS) -> None:
    page.goto(f"{address}/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


@pytest.mark.parametrize("width", list(WIDTHS))
def test_a_person_signs_in_and_out(tab, address, width):
    page = tab(width)
    open_page(page, f"{address}/account", "Sign in")
    keep_picture(page, f"sign-in-visitor-{width}")
    page.get_by_text("Sign in with a name and a password").click()
    page.get_by_label("Password").wait_for()
    sign_in(page, address, "ben ruddock", "wrong words of mine")
    page.get_by_text("Name and password do not fit").wait_for()
    assert page.get_by_label("Name").input_value() == "ben ruddock"
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    keep_picture(page, f"sign-in-wrong-{width}")
    sign_in(page, address, "ben ruddock")
    page.wait_for_url(f"{address}/")
    open_page(page, f"{address}/account", "Your account")
    page.get_by_text(f"Signed in as {STEWARD}, steward").wait_for()
    page.wait_for_timeout(1000)
    keep_picture(page, f"account-{width}")
    assert "benchmark" not in page.evaluate("document.cookie")
    page.get_by_test_id("stMain").get_by_role("button", name="Sign out").click()
    page.get_by_role("heading", name="Sign in", exact=True).wait_for()
    assert page.hosts <= LOCAL


def test_a_second_tab_may_nothing_after_the_sign_out_in_the_first(tab, address):
    first = tab()
    sign_in(first, address, STEWARD)
    first.wait_for_url(f"{address}/")
    second = first.context.new_page()
    open_page(second, f"{address}/hand-in", "Hand in laps")
    fit = second.get_by_role("button", name="Fit again")
    fit.wait_for()
    open_page(first, f"{address}/account", "Your account")
    first.get_by_test_id("stMain").get_by_role("button", name="Sign out").click()
    first.get_by_role("heading", name="Sign in", exact=True).wait_for()
    fit.click()
    second.get_by_text("A visitor may not keep a fit").wait_for()
    assert fit.count() == 0


def test_a_page_of_another_site_cannot_use_the_session(tab, address):
    """A frame shows nothing of ours; a form that is sent from elsewhere signs nobody in."""
    page = tab()
    sign_in(page, address, STEWARD)
    page.wait_for_url(f"{address}/")
    page.goto("about:blank")
    page.set_content(f'<iframe src="{address}/" width="900" height="600"></iframe>')
    page.wait_for_timeout(1500)
    assert page.frames[1].url.startswith("chrome-error:")
    page.set_content(
        f'<form method="post" action="{address}/sign-in"><input name="name" value="{STEWARD}">'
        f'<input name="password" value="{WORDS}"><button>Go</button></form>'
    )
    page.get_by_role("button").click()
    page.get_by_text("This page had grown old").wait_for()


@pytest.mark.parametrize("page_of", [place for _, _, place in (*PAGES, *CLUB_PAGES)])
def test_a_page_keeps_within_what_its_headers_allow(tab, address, page_of):
    page, said = tab(), []
    page.on("console", lambda message: said.append(message.text))
    page.goto(f"{address}/{page_of}" if page_of != PAGES[0][2] else address)
    page.locator("h1").wait_for(timeout=60_000)
    page.wait_for_timeout(2000)
    assert [text for text in said if "Content Security Policy" in text] == []


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def test_a_person_signs_in_through_a_provider(tab, db, tmp_path):
    claims = {"sub": "1", "email": PERSON, "email_verified": True}
    port = free_port()
    with provider(**claims) as there:
        file = tmp_path / "provider.toml"
        file.write_text(
            "[auth]\n"
            f'redirect_uri = "http://127.0.0.1:{port}/oauth2callback"\n'
            f'cookie_secret = "{"x" * 40}"\nclient_id = "{CLIENT}"\nclient_secret = "s"\n'
            f'server_metadata_url = "{there.address}/.well-known/openid-configuration"\n',
            encoding="utf-8",
        )
        words = ("--club", "--port", str(port), "--provider", str(file), "--db", str(db))
        with served(*words) as address:
            page = tab()
            through_provider(page, address)
            page.get_by_text(f"Signed in as {PERSON}, steward").wait_for()
            keep_picture(page, "account-provider")
            second = page.context.new_page()
            open_page(second, f"{address}/hand-in", "Hand in laps")
            second.get_by_role("button", name="Fit again").wait_for()
            page.get_by_test_id("stMain").get_by_role("button", name="Sign out").click()
            page.wait_for_url(f"{address}/")
            open_page(page, f"{address}/account", "Sign in")
            second.get_by_role("button", name="Fit again").click()
            second.get_by_text("A visitor may not keep a fit").wait_for()
            there.claims["sub"] = "2"  # the address was given to somebody else
            through_provider(page, address, "Sign in")
            there.claims |= {"sub": "3", "email": "b@club.example", "email_verified": False}
            through_provider(page, address, "Sign in")
    assert any(one.person == PERSON for one in Accounts(db).refusals())


def through_provider(page, address: str, then: str = "Your account") -> None:
    open_page(page, f"{address}/account", "Sign in")
    page.get_by_role("button", name="Sign in with the club's provider").click()
    page.wait_for_timeout(4000)
    open_page(page, f"{address}/account", then)
