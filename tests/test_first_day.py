"""A club's whole first day in a real browser: from a sheet with a fault to published standings.

As `test_browser.py`: `pytest -m browser`, pictures with PICTURES=FOLDER.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchmark.store.accounts import Accounts
from benchmark.store.evidence import folder_of
from benchmark.store.store import Store
from tests.clubs import ENTRANT, OWNER, STEWARD, digest, name_people
from tests.sheets import HEADER, HOT, ROWS
from tests.test_browser import LAST_WORDS, LOCAL, WIDTHS, browser, keep_picture, tab
from tests.test_browser_sign_in import open_page, served, sign_in
from tests.test_evidence import picture

__all__ = ["browser", "tab"]  # fixtures

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

WORDS = "four plain words of mine"
# A round places who has three laps of it.
SHEET = (
    *ROWS,
    *(f"{HOT},Red Wren,Ada,track-day,31,48,{n},1:40.{n}00" for n in (2, 3, 4)),
    f"{HOT},Blue Wren,Bo,track-day,31,48,4,1:39.800",
    f"{HOT},=Green [b]Wren[/b],Cy,sport,31,48,4,1:41.500",
)
PAUSE_MS = 1500  # a grid draws after its text


@pytest.fixture(scope="module")
def db(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = name_people(tmp_path_factory.mktemp("club") / "club.duckdb")
    for name in (OWNER, ENTRANT, STEWARD):
        Accounts(path).add(name, WORDS)
    return path


@pytest.fixture(scope="module")
def address(db: Path) -> Iterator[str]:
    with served("--club", "--db", str(db)) as found:
        yield found


def test_the_whole_first_day(tab, address, db, tmp_path):
    faulty, mended, paper = (tmp_path / name for name in ("day.csv", "mended.csv", "paper.png"))
    text = "\n".join([HEADER, *SHEET]) + "\n"
    mended.write_text(text, encoding="utf-8")
    faulty.write_text(text.replace("1:39.400", "1:62.400"), encoding="utf-8")
    paper.write_bytes(picture("PNG", (300, 200)))

    entrant = tab()
    sign_in(entrant, address, ENTRANT, WORDS)
    entrant.wait_for_url(f"{address}/")
    open_page(entrant, f"{address}/hand-in", "Hand in laps")
    entrant.get_by_text(LAST_WORDS).first.wait_for(timeout=60_000)  # the page is drawn to its end
    uploads = entrant.get_by_test_id("stFileUploaderDropzoneInput")
    uploads.first.set_input_files(faulty)
    entrant.get_by_text("1 fault: nothing of this file can be stored").wait_for(timeout=60_000)
    entrant.wait_for_timeout(PAUSE_MS)
    keep_picture(entrant, "first-day-1-fault")
    open_page(entrant, f"{address}/hand-in", "Hand in laps")
    entrant.get_by_text(LAST_WORDS).first.wait_for(timeout=60_000)
    uploads.first.set_input_files(mended)
    entrant.get_by_text("A steward looks at it before it counts").wait_for(timeout=60_000)
    entrant.get_by_label("How the stewards reach you").fill("ed@marsh.example")
    entrant.get_by_label("What the stewards should know").fill("two days, one sheet")
    uploads.nth(1).set_input_files(paper)
    entrant.get_by_text("paper.png").wait_for()
    entrant.wait_for_timeout(PAUSE_MS)
    keep_picture(entrant, "first-day-2-hand-in")
    entrant.get_by_role("button", name="Hand in 1 file").click()
    entrant.get_by_text("Submission 1: 12 laps of mended.csv wait for a steward").wait_for()
    open_page(entrant, f"{address}/my-laps", "My laps")
    entrant.get_by_text("1 file handed in: 1 waits for a steward.").wait_for()
    entrant.wait_for_timeout(PAUSE_MS)
    keep_picture(entrant, "first-day-3-my-laps")
    assert entrant.get_by_role("link", name="Steward").count() == 0
    with Store.open(db) as store:
        assert store.counted() == 0
    assert [path.name for path in folder_of(db).iterdir()] == [digest(paper.read_bytes())]

    steward = tab()
    sign_in(steward, address, STEWARD, WORDS)
    steward.wait_for_url(f"{address}/")
    open_page(steward, f"{address}/steward", "Steward")
    steward.get_by_text("1 file waits for a decision").wait_for(timeout=60_000)
    steward.get_by_text("12 laps would be added").first.wait_for(timeout=60_000)
    steward.get_by_test_id("stImage").wait_for()
    steward.wait_for_timeout(PAUSE_MS)
    keep_picture(steward, "first-day-4-queue")
    steward.get_by_role("button", name="Accept this file").click()
    steward.get_by_text("Submission 1 is accepted: 12 laps added").wait_for(timeout=60_000)
    open_page(steward, f"{address}/hand-in", "Hand in laps")
    steward.get_by_role("button", name="Fit now").click()
    steward.get_by_text("the latest fit rests on them").wait_for(timeout=180_000)
    steward.goto(address)
    steward.get_by_text("Red Wren").first.wait_for(timeout=60_000)
    steward.wait_for_timeout(PAUSE_MS)
    keep_picture(steward, "first-day-5-leaderboard")
    open_page(steward, f"{address}/challenge", "A fair challenge")
    steward.get_by_text("Show results by these rules").click()
    download = steward.get_by_text("Download standings as CSV")
    download.wait_for(timeout=180_000)
    keep_picture(steward, "first-day-6-standings")
    with steward.expect_download() as started:
        download.click()
    published = Path(started.value.path()).read_text(encoding="utf-8")
    assert [line.split(",")[0] for line in published.splitlines()[1:4]] == ["1", "2", "3"]
    assert "Red Wren" in published

    open_page(entrant, f"{address}/my-laps", "My laps")
    entrant.get_by_text("1 file handed in: 1 accepted.").wait_for()
    assert entrant.hosts | steward.hosts <= LOCAL


@pytest.mark.parametrize("width", list(WIDTHS))
@pytest.mark.parametrize(
    "part", ["Queue", "Laps", "Names", "Specification", "Protests", "Record", "Settings"]
)
def test_each_part_of_the_desk_keeps_within_its_width(tab, address, part, width):
    page = tab(width)
    sign_in(page, address, STEWARD, WORDS)
    page.wait_for_url(f"{address}/")
    open_page(page, f"{address}/steward?desk={part}", "Steward")
    page.locator("h3").first.wait_for(timeout=60_000)
    page.wait_for_timeout(PAUSE_MS)
    assert page.get_by_test_id("stException").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    keep_picture(page, f"steward-{part}-{width}")
