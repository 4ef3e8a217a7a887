"""Kept claims on the claim page: everybody sees what supports one, entrants add to it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from benchmark.answers.claim_case import Claim
from benchmark.answers.claim_text import claim_to_text
from benchmark.show import showing_evidence, signing_in
from benchmark.store.accounts import Accounts
from benchmark.store.claims import Check, keep_claim, kept_claims
from benchmark.store.evidence import CLAIM, add_evidence, evidence
from benchmark.store.store import Store
from tests import app_pages
from tests.clubs import ENTRANT, VISITOR, name_people, open_as
from tests.sheets import CIRCUIT
from tests.test_claim_doors import filled
from tests.test_evidence import GPX, PDF

TEXTS = {
    "circuit": CIRCUIT,
    "build": "Red Wren",
    "lap_time": "1:39.100",
    "date": "2025-08-02",
}
NAME = "*board* [of](http://nowhere.invalid).pdf"
Opened = Callable[[str | None], AppTest]


@pytest.fixture
def db(fitted_db: Path, tmp_path: Path) -> Path:
    """A club's fitted store with one kept claim."""
    path = Path(shutil.copy(fitted_db, tmp_path / "laps.duckdb"))
    name_people(path)
    claim = Claim(TEXTS, "model", None, None, None, None)
    with open_as(path, ENTRANT) as store:
        keep_claim(store, claim_to_text(claim), Check("stands", "f1", 1, "{}"))
    return path


@pytest.fixture
def page(db: Path, monkeypatch: pytest.MonkeyPatch) -> Opened:
    def opened(who: str | None) -> AppTest:
        return app_pages.open_as(monkeypatch, db, who, "claim.py")

    return opened


def words(at: AppTest) -> str:
    return "\n".join(str(element.value) for element in (*at.markdown, *at.caption))


def test_everybody_sees_the_evidence_of_a_kept_claim(page: Opened, db: Path) -> None:
    with open_as(db, ENTRANT) as store:
        add_evidence(store, CLAIM, 1, PDF, name=NAME)
    at = page(VISITOR)
    assert at.selectbox(key="kept_claim").value == f"1: Red Wren, {CIRCUIT}, 1:39.100, 2025-08-02"
    assert "Evidence: 1" in words(at)
    assert "\\*board\\* \\[of\\]\\(http" not in words(at)  # the last part of the name alone
    assert "nowhere\\.invalid\\)\\.pdf\\: PDF" in words(at)
    labels = [element.label for element in at.get("download_button")]
    assert any(label.startswith("Download nowhere-invalid-") for label in labels)


def test_a_visitor_is_told_who_may_add_and_is_offered_nothing(page: Opened) -> None:
    at = page(VISITOR)
    assert "No evidence" in words(at)
    assert "A visitor may not add evidence\\: entrants\\, stewards and owners may" in words(at)
    assert "Add the evidence" not in [button.label for button in at.button]


def test_an_entrant_adds_evidence_and_sees_it_at_once(page: Opened, db: Path) -> None:
    at = page(ENTRANT)
    uploader = next(one for one in at.file_uploader if one.label.startswith("More evidence"))
    uploader.set_value([("lap.gpx", GPX, "application/gpx+xml")])
    next(button for button in at.button if button.label == "Add the evidence").click().run()
    assert not at.exception
    assert "lap\\.gpx was added" in at.success[0].value
    assert "Evidence: 1" in words(at)
    with Store.open(db) as store:
        assert [(one.name, one.who) for one in evidence(store, CLAIM, 1)] == [("lap.gpx", ENTRANT)]


def test_a_forged_page_that_offers_a_visitor_to_add_is_refused_by_the_store(
    page: Opened, db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(showing_evidence, "why_not", lambda _: "")
    at = page(VISITOR)
    uploader = next(one for one in at.file_uploader if one.label.startswith("More evidence"))
    uploader.set_value([("lap.gpx", GPX, "application/gpx+xml")])
    next(button for button in at.button if button.label == "Add the evidence").click().run()
    assert "a visitor may not add evidence" in at.error[0].value.replace("\\", "")
    with Store.open(db) as store:
        assert evidence(store) == []
    assert [(one.person, one.action) for one in Accounts(db).refusals()] == [
        ("a visitor", "add_evidence")
    ]


def test_a_forged_page_that_offers_a_visitor_to_keep_a_claim_is_refused_by_the_store(
    page: Opened, db: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signing_in, "why_not", lambda _: "")
    at = filled(page(VISITOR), "1:39.100")
    next(button for button in at.button if button.label == "Keep this claim").click().run()
    assert "a visitor may not keep a claim" in at.error[0].value.replace("\\", "")
    with Store.open(db) as store:
        assert len(kept_claims(store)) == 1
    assert [one.action for one in Accounts(db).refusals()] == ["keep_claim"]
