"""A claim from the command line and from the page: answers, reports, keeping, evidence."""

from __future__ import annotations

import gzip
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from benchmark.cli import app
from benchmark.store.claims import kept_claims, stored_line
from benchmark.store.store import Store
from tests import drive
from tests.app_pages import open_page
from tests.sheets import CIRCUIT

CLAIM = {"circuit": CIRCUIT, "build": "Red Wren", "model": "Invented Wren", "driver": "Ada",
         "lap-time": "1:39.100", "date": "2025-08-02", "tyre": "track-day",
         "timing": "transponder"}  # fmt: skip


@pytest.fixture
def db(fitted_db, tmp_path):
    """A fitted store of one's own."""
    return shutil.copy(fitted_db, tmp_path / "laps.duckdb")


def ask(*words, db, code=0, command="claim", **options):
    given = [part for name, text in options.items() for part in (f"--{name}", str(text))]
    result = CliRunner().invoke(app, [command, *given, *map(str, words), "--db", str(db)])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def record(db, *words, **changes):
    return json.loads(ask("--format", "json", *words, db=db, **{**CLAIM, **changes}).stdout)


def test_json_is_one_object_with_rounded_numbers_and_the_basis(db):
    found = record(db)
    assert found["verdict"] in ("stands", "stands-as-timed")
    assert found["raw_margin_s"] == -0.6  # 1:39.100 against Blue Wren's 1:39.700
    # hypot(0.002, 0.100): the sheet does not tell how it was timed.
    assert found["margin_u_s"] == 0.1
    assert {"reference", "fit", "mode", "data_version"} <= set(found)
    assert all(set(f) == {"check", "outcome", "detail"} for f in found["findings"])
    assert {f["outcome"] for f in found["findings"]} <= {"ok", "note", "fail"}


def test_the_table_begins_with_the_verdict_in_one_sentence(db):
    lines = ask(db=db, **CLAIM).stdout.splitlines()
    assert lines[0].startswith("Red Wren's 1:39.100 stands")
    assert lines[1].startswith("Verdict: stands")


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"circuit": "Larkhil Ring"}, "did you mean Larkhill Ring"),
        ({"lap-time": "soon"}, '`--lap-time` "soon" is not a lap time'),
        ({"metar": "sunny"}, "is no METAR"),
        ({"scope": "colour"}, "no scope"),
    ],
)
def test_a_wrong_question_exits_2_with_a_sentence(db, changes, told):
    assert told in ask(db=db, code=2, **{**CLAIM, **changes}).stderr


def test_a_claim_is_kept_and_a_change_of_verdict_is_shown(db):
    ask("--keep", db=db, **CLAIM)
    ask("--keep", db=db, **CLAIM)  # the same claim keeps its number
    with Store.open(db) as store:
        (kept,) = kept_claims(store)
    assert (kept.claim_no, len(kept.checks)) == (1, 1)
    with Store.open(db, write=True) as store:
        store._write(lambda: store._connection.execute(
            "update claim_check set verdict = 'does-not-stand', fit_id = 'an older one'"
        ))  # fmt: skip
    rows = json.loads(ask("--keep", "--format", "json", db=db, command="claims").stdout)
    assert (rows[0]["first_verdict"], rows[0]["changed"]) == ("does-not-stand", True)
    assert "was does-not-stand" not in ask(db=db, command="claims").stdout  # kept by now
    with Store.open(db) as store:
        assert len(kept_claims(store)[0].checks) == 2


def test_a_store_of_the_first_version_gets_the_new_tables(tmp_path):
    db = tmp_path / "laps.duckdb"
    kept = Path(__file__).parent / "stores" / "version_1.duckdb.gz"
    db.write_bytes(gzip.decompress(kept.read_bytes()))
    with Store.open(db) as store:
        assert kept_claims(store) == []


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_a_report_is_one_file_without_outside_addresses(db, tmp_path, ending):
    out = tmp_path / f"claim.{ending}"
    ask(db=db, report=out, **CLAIM)
    content = out.read_bytes()
    assert content.startswith(b"%PDF" if ending == "pdf" else b"<!doctype html>")
    if ending == "html":
        text = content.decode()
        assert text.index("Red Wren&#x27;s 1:39.100") < text.index("<svg")
        headings = ("Claim and rivals", "What to note", "What would overturn it",
                    "How the verdict is reached", "Method and references", "Cautions")  # fmt: skip
        places = [text.index(f"<h2>{heading}</h2>") for heading in headings]
        assert places == sorted(places)
        assert "on data version" in text
        assert "src=" not in text
        assert "href=" not in text


def test_a_report_of_another_ending_is_refused_before_anything_is_done(db, tmp_path):
    assert (
        "end the name in .html or .pdf"
        in ask(db=db, code=2, report=tmp_path / "claim.doc", **CLAIM).stderr
    )


# Evidence


def traced(tmp_path):
    """A trace of three flying laps at 10 Hz, and the true time of the second."""
    rng = np.random.default_rng(3)
    truth = drive.drive(4, rng)
    seen = drive.observe(truth, rate_hz=10, rng=rng, noise_m=0.05)
    path = tmp_path / "drive.gpx"
    path.write_text(drive.gpx(seen), encoding="utf-8")
    return path, float(np.diff(truth.crossings_s)[1]), truth.length_m


def test_a_trace_that_bears_the_claim_out_gives_it_its_timing(db, tmp_path):
    path, lap_s, length_m = traced(tmp_path)
    untimed = {name: text for name, text in CLAIM.items() if name != "timing"}
    seen = {"lap-time": f"{lap_s:.3f}", "trace": path, "line": drive.line()}
    given = untimed | seen | {"layout-length-m": length_m}
    found = json.loads(ask("--format", "json", db=db, **given).stdout)
    checks = {f["check"]: f for f in found["findings"]}
    assert checks["trace: claimed time"]["outcome"] == "ok"
    assert checks["trace: path length"]["outcome"] == "ok"
    assert checks["timing"]["detail"].startswith("gps: standard uncertainty")
    assert "(the trace)" in checks["timing"]["detail"]


def test_a_claim_quicker_than_its_trace_does_not_stand(db, tmp_path):
    path, lap_s, _ = traced(tmp_path)
    claimed = f"{lap_s - 3:.3f}"
    found = record(db, **{"lap-time": claimed, "trace": path, "line": str(drive.line())})
    assert found["verdict"] == "does-not-stand"


def test_the_line_kept_with_the_circuit_is_used(db, tmp_path):
    path, lap_s, length_m = traced(tmp_path)
    ask(db=db, command="timing-line", circuit=CIRCUIT, line=drive.line(),
        **{"length-m": length_m * 2})  # fmt: skip
    with Store.open(db) as store:
        assert stored_line(store, CIRCUIT, "full").length_m == pytest.approx(length_m * 2)
    found = record(db, **{"lap-time": f"{lap_s:.3f}", "trace": path})
    # Half as long as the layout: a lap of another one.
    assert found["verdict"] == "cannot-compare"


def test_a_bomb_is_refused_in_a_sentence(db, tmp_path):
    bomb = tmp_path / "bomb.gpx"
    nest = "".join(f'<!ENTITY e{k} "{f"&e{k - 1};" * 10}">' for k in range(1, 10))
    bomb.write_text(
        f'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY e0 "lap">{nest}]><gpx>&e9;</gpx>'
    )
    assert "bomb.gpx" in ask(db=db, code=2, trace=bomb, **CLAIM).stderr


def test_a_trace_that_is_not_there_is_said(db, tmp_path):
    assert "none.gpx" in ask(db=db, code=2, trace=tmp_path / "none.gpx", **CLAIM).stderr


# Page


@pytest.fixture
def page(db, monkeypatch) -> AppTest:
    monkeypatch.setenv("BENCHMARK_DB", str(db))
    return open_page("claim.py")


def filled(at: AppTest, lap_time: str) -> AppTest:
    for key in ("build", "model", "driver"):
        at.selectbox(key=f"claim_{key}").set_value(CLAIM[key])
    at.selectbox(key="claim_tyre_category").set_value("track-day")
    at.text_input(key="claim_lap_time").set_value(lap_time)
    return next(b for b in at.button if b.label == "Check the claim").click().run()


def test_the_page_shows_the_verdict_first(db, page):
    at = filled(page, "1:39.100")
    assert not at.exception
    assert at.markdown[0].value.replace("\\", "").startswith("### Red Wren's 1:39.100 ")
    assert [s.value for s in at.subheader][-2:] == ["What would overturn it", "The claim"]


def test_the_page_says_what_is_wrong_with_a_claim(db, page):
    at = filled(page, "1:62.100")
    assert not at.exception
    assert "has 62 seconds" in at.error[0].value.replace("\\", "")


def test_a_claim_is_kept_from_the_page(db, page):
    at = filled(page, "1:39.100")
    next(b for b in at.button if b.label == "Keep this claim").click().run()
    assert at.success[0].value == "Kept as claim 1."
    with Store.open(db) as store:
        assert len(kept_claims(store)) == 1
