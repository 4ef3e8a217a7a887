"""Every page in a real browser, wide and narrow: it draws, it links, and it asks nobody else.

Needs Chromium and the playwright package: `pytest -m browser`. With PICTURES=FOLDER in the
environment each page is kept as a picture to look at.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from app import PAGES
from tests.sheets import CIRCUIT, HEADER, ROWS

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

BENCHMARK = [sys.executable, "-c", "from benchmark.cli import main; main()"]
QUIET = ["--disable-gpu", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", "--no-sandbox"]  # fmt: skip
WIDTHS = {1280: 1900, 390: 3200}  # width and height of the window; a page scrolls in an inner box
LOCAL = {"127.0.0.1", "localhost", "::1", ""}
LAST_WORDS = "no target to drive to"  # what every page prints last


@pytest.fixture(scope="module")
def address(fitted_db: Path) -> Iterator[str]:
    """The app on the fitted store, or on the one that BENCHMARK_DB names, as a process."""
    db = os.environ.get("BENCHMARK_DB", str(fitted_db))
    command = [*BENCHMARK, "app", "--db", db]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        try:
            line = child.stdout.readline() if child.stdout else ""
            yield re.findall(r"http://127\.0\.0\.1:\d+", line)[0]
        finally:
            child.terminate()


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=QUIET)
        yield found
        found.close()


@pytest.fixture
def tab(browser, request):
    """Open a tab that records which hosts were asked."""

    def opened(width: int = 1280, **more):
        size = {"width": width, "height": WIDTHS[width]}
        context = browser.new_context(viewport=size, **more)
        request.addfinalizer(context.close)
        page = context.new_page()
        page.hosts = set()
        page.on("request", lambda asked: page.hosts.add(urlsplit(asked.url).hostname or ""))
        return page

    return opened


def visit(page, address: str) -> None:
    page.goto(address)
    page.get_by_text(LAST_WORDS).first.wait_for(timeout=60_000)
    page.wait_for_timeout(1500)  # a chart and a grid draw after their text


def keep_picture(page, name: str) -> None:
    folder = os.environ.get("PICTURES")
    if folder:
        page.screenshot(path=str(Path(folder) / f"{name}.png"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", list(WIDTHS))
@pytest.mark.parametrize("page_of", [address for _, _, address in PAGES])
def test_a_page_draws_within_its_width_and_asks_nobody_else(tab, address, page_of, width, scheme):
    page = tab(width, color_scheme=scheme)
    first = page_of == PAGES[0][2]
    visit(page, address if first else f"{address}/{page_of}")
    assert page.locator("h1").count() == 1
    assert page.get_by_test_id("stException").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    keep_picture(page, f"{page_of}-{width}-{scheme}")
    assert page.hosts <= LOCAL


def test_a_choice_stands_in_the_address_and_the_link_opens_the_same_view(tab, address):
    page = tab()
    visit(page, address)
    page.get_by_text("Choose entries, surface").click()
    tyre = page.get_by_label("Latest tyre")
    tyre.scroll_into_view_if_needed()
    tyre.click()
    page.get_by_role("option", name="sport").click()
    page.get_by_text("Among latest tyre sport").wait_for()
    page.wait_for_url(re.compile("tyre=sport"))
    other = tab()
    visit(other, page.url)
    other.get_by_text("Among latest tyre sport").wait_for()


def test_a_download_of_the_board_is_a_table(tab, address):
    page = tab()
    visit(page, address)
    with page.expect_download() as started:
        page.get_by_test_id("stDownloadButton").get_by_role("button").click()
    text = Path(started.value.path()).read_text(encoding="utf-8")
    assert text.startswith("rank,build,model,class,driver,tyre_category,best_s,adjusted_s")


def test_a_name_that_is_a_picture_in_markdown_calls_nobody(tab, address, tmp_path):
    trap = "![x](http://nowhere.invalid/x.png)"
    sheet = tmp_path / "trap.csv"
    rows = [ROWS[0].replace("Red Wren", trap).replace("track-day", trap)]
    sheet.write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    page = tab()
    visit(page, f"{address}/hand-in")
    page.locator("input[type=file]").first.set_input_files(sheet)
    page.get_by_text("1 fault: nothing of this file can be stored").wait_for()
    page.wait_for_timeout(1500)
    keep_picture(page, "hand-in-faults")
    assert page.hosts <= LOCAL


def test_a_good_file_is_previewed_in_the_browser(tab, address, tmp_path):
    sheet = tmp_path / "day.csv"
    rows = [row.replace(CIRCUIT, "Another Ring") for row in ROWS]
    sheet.write_text("\n".join([HEADER, *rows]), encoding="utf-8")
    page = tab(390)
    visit(page, f"{address}/hand-in")
    page.locator("input[type=file]").first.set_input_files(sheet)
    page.get_by_text("7 laps would be added").wait_for()
    page.wait_for_timeout(1500)
    keep_picture(page, "hand-in-good-390")
    assert page.get_by_role("button", name="Store 1 file").is_enabled()
