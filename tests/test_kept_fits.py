"""Large fits beside the store: a part answers as the whole does, and damage is told.

The whole fit is the reference: it is what small stores are asked, and other tests hold it against
known truth.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from benchmark.answers import kept_board
from benchmark.answers.advise import advise
from benchmark.answers.claim import check_claim
from benchmark.answers.claim_case import Claim
from benchmark.answers.coach import coach
from benchmark.answers.explain import explain, history
from benchmark.answers.forecast import Question, forecast
from benchmark.answers.gains import gains
from benchmark.answers.leaderboard import leaderboard
from benchmark.answers.plan import plan
from benchmark.answers.worked_out import worked_out
from benchmark.cli import app
from benchmark.errors import BadQuestion, BenchmarkError, NoFit
from benchmark.model import fit as fit_module
from benchmark.model import pace
from benchmark.model.pace import fit
from benchmark.model.plan import HIGH, NORTH, SOUTH, SOUTH_SHORT, SeasonPlan
from benchmark.model.simulate import simulate
from benchmark.show.claiming import part_for
from benchmark.store.array_file import BLOCK, ArrayFile, ArrayWriter
from benchmark.store.fit_file import write_fit
from benchmark.store.fit_reader import FitFile
from benchmark.store.fits import FITS_KEPT
from benchmark.store.kept_fits import folder_of
from benchmark.store.store import Store
from tests.conftest import few_sweeps
from tests.sheets import CIRCUIT, write_sheet

pytestmark = pytest.mark.slow

PLAN = SeasonPlan(3, 9, 6, (NORTH, SOUTH, HIGH, SOUTH_SHORT), 6, 2, 0.6, p_wet=0.3)
PLACES = [(track.circuit, track.layout) for track in PLAN.tracks]
# Matrix products of other shapes differ in their last digits; in seconds of some hundred.
CLOSE = {"rtol": 1e-9, "atol": 1e-9}
ROUNDED = {"rtol": 1e-5, "atol": 1e-5}  # draws of a step's company are kept in single precision


@pytest.fixture(scope="module")
def whole():
    """A season with facts missing, wet days and layouts, fitted in few sweeps."""
    laps = simulate(PLAN, 4).counted()
    homely = laps["build"].isin(sorted(laps["build"].unique())[-3:])
    with few_sweeps():
        return fit(laps[~homely | (laps["circuit"] == NORTH.circuit)], draws=40)


@pytest.fixture(scope="module")
def kept(whole, tmp_path_factory):
    path = tmp_path_factory.mktemp("kept") / "fit"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept_board, "MANY_ENTRIES", 5)
        found = worked_out(whole)
    assert any(name.startswith("board/") for name in found)
    return FitFile(path, write_fit(whole, found, path))


def guest(fit, circuit):
    """A build that never ran at a circuit."""
    there = set(fit.runs["build"][fit.runs["circuit"] == circuit])
    return next(build for build in fit.entries["build"] if build not in there)


def test_the_season_has_what_makes_parts_hard(whole):
    assert sum(len(names) > 0 for names in whole.unknown_names.values()) >= 5
    assert whole.levels["wet_session"]
    assert whole.runs["circuit"].nunique() == 3


def test_all_of_a_kept_fit_is_the_fit(whole, kept):
    again = kept.all()
    pd.testing.assert_frame_equal(again.runs, whole.runs, check_dtype=False)
    pd.testing.assert_frame_equal(again.laps, whole.laps, check_dtype=False)
    pd.testing.assert_frame_equal(again.circuits, whole.circuits, check_dtype=False)
    entries = whole.entries[list(again.entries)].astype(object)
    entries = entries.where(entries.notna(), None)
    found = again.entries.astype(object).where(again.entries.notna(), None)
    pd.testing.assert_frame_equal(found, entries)
    assert again.levels == whole.levels
    assert {k: v for k, v in again.unknown_names.items() if v} == {
        k: v for k, v in whole.unknown_names.items() if v
    }
    arrays, expected = again.posterior.arrays(), whole.posterior.arrays()
    assert set(arrays) == set(expected)
    for name, values in expected.items():
        if values.size:
            np.testing.assert_array_equal(arrays[name], values, err_msg=name)
    assert again.meta() == whole.meta()
    assert again.laps_used == whole.laps_used


def test_the_places_of_a_build_are_those_of_the_whole(whole, kept):
    places = {build: kept.places_of(build) for build in whole.entries["build"]}
    assert places == {build: whole.places_of(build) for build in places}
    assert max(map(len, places.values())) > min(map(len, places.values())) > 0
    assert kept.places_of("Nobody's") == whole.places_of("Nobody's") == []


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"adjust": "conditions,tyre"},
        {"adjust": "conditions,tyre,driver", "level": 0.5},
        {"surface": "damp"},
        {"surface": "wet"},
        {"in_class": "light"},
    ],
)
def test_the_board_of_a_part_is_that_of_the_whole(whole, kept, place, asked):
    part = kept.part(place[0])
    assert len(part.runs) < len(whole.runs)
    found, expected = leaderboard(part, *place, **asked), leaderboard(whole, *place, **asked)
    pd.testing.assert_frame_equal(found, expected, check_dtype=False, **CLOSE)


def test_the_board_that_is_asked_for_most_was_kept(kept, monkeypatch):
    monkeypatch.setattr("benchmark.answers.leaderboard.board_of", None)
    assert len(leaderboard(kept.part(NORTH.circuit), NORTH.circuit)) >= 5
    with pytest.raises(TypeError):
        leaderboard(kept.part(NORTH.circuit), NORTH.circuit, level=0.8)


@pytest.mark.parametrize("surface", ["dry", "wet"])
@pytest.mark.parametrize("place", PLACES)
def test_the_gains_of_a_part_are_those_of_the_whole(whole, kept, place, surface):
    found = gains(kept.part(place[0]), *place, surface=surface)
    expected = gains(whole, *place, surface=surface)
    pd.testing.assert_frame_equal(found, expected, check_dtype=False, **ROUNDED)


@pytest.mark.parametrize("place", PLACES)
def test_the_forecast_of_a_part_is_that_of_the_whole(whole, kept, place):
    own = str(whole.runs["build"][whole.runs["circuit"] == place[0]].iloc[0])
    drivers = whole.whole.names["driver"]
    builds = [own, *(b for b in whole.entries["build"] if b != own)]
    for build, driver in zip(builds[:6], [None, *drivers[:5]], strict=True):
        question = Question(build, *place, driver=driver, target_s=95.0)
        part = kept.part(place[0], [build], [] if driver is None else [driver])
        found, expected = forecast(part, question), forecast(whole, question)
        assert found.figures == pytest.approx(expected.figures, rel=1e-9)
        assert found.warnings == expected.warnings


def claims_of(whole):
    """A lap of the store, a quicker one on another day, a stranger's, and one of a guest here."""
    circuit, layout = PLACES[0]
    here = whole.runs[(whole.runs["circuit"] == circuit) & (whole.runs["surface"] == "dry")]
    run = here.iloc[0]
    time_s = whole.laps["lap_time_s"][whole.laps["run_id"] == run.name].min()
    texts = {
        "circuit": circuit, "layout": layout, "date": str(run["date"]), "build": run["build"],
        "model": run["model"], "driver": run["driver"], "lap_time": f"{time_s:.3f}",
        "tyre_category": run["tyre_category"],
    }  # fmt: skip
    away = guest(whole, PLACES[1][0])
    entry = whole.entries[whole.entries["build"] == away].iloc[0]
    second = {**texts, "circuit": PLACES[1][0], "build": away, "model": entry["model"],
              "driver": entry["driver"], "lap_time": "68.0"}  # fmt: skip
    return [
        Claim(texts),
        Claim({**texts, "lap_time": f"{time_s - 0.3:.3f}", "date": "2027-01-01"}, "class"),
        Claim({**texts, "build": "Nobody's 1", "driver": "Nobody"}, "model"),
        Claim(second, "class"),
    ]


@pytest.mark.parametrize("k", range(4))
def test_the_check_of_a_claim_on_a_part_is_that_on_the_whole(whole, kept, k):
    claim = claims_of(whole)[k]
    found, expected = (check_claim(part_for(one, claim), claim) for one in (kept, whole))
    assert close(found.record(), expected.record())
    pd.testing.assert_frame_equal(found.rivals, expected.rivals, check_dtype=False, **CLOSE)


def close(found, expected):
    """Whether two records say the same, numbers but for their last digits."""
    return json.loads(json.dumps(found, default=str), parse_float=digits) == json.loads(
        json.dumps(expected, default=str), parse_float=digits
    )


def digits(text):
    return f"{float(text):.8f}"


def test_what_else_is_told_of_a_build_is_the_same_on_a_part(whole, kept):
    circuit, layout = PLACES[0]
    build = str(whole.runs["build"][whole.runs["circuit"] == circuit].iloc[0])
    part = kept.part(circuit, [build])
    days = history(whole, build, circuit, layout)
    for ask in (history, advise, coach):
        found, expected = (ask(one, build, circuit, layout) for one in (part, whole))
        pd.testing.assert_frame_equal(found, expected, check_dtype=False, **CLOSE)
    ends = str(days["date"].iloc[0]), str(days["date"].iloc[-1])
    found, expected = (explain(one, build, *ends, circuit=circuit) for one in (part, whole))
    pd.testing.assert_frame_equal(found.parts, expected.parts, check_dtype=False, **CLOSE)
    assert plan(part, 0.5, circuit).needed == plan(whole, 0.5, circuit).needed


def test_a_part_tells_the_same_of_a_wrong_question(whole, kept):
    for circuit in ("Invented Norf", NORTH.circuit):
        messages = set()
        for one in (whole, kept):
            with pytest.raises(BadQuestion) as refused:
                leaderboard(one.part(circuit), circuit, model="Invented Nothing")
            messages.add(str(refused.value))
        assert len(messages) == 1


def test_every_byte_of_the_file_is_vouched_for(tmp_path):
    rng = np.random.default_rng(1)
    arrays = {"a": rng.standard_normal((300, 77)), "b": np.array([b"x", b"yy"]), "c": rng.bytes(9)}
    arrays["c"] = np.frombuffer(arrays["c"], np.uint8)
    path = tmp_path / "arrays"
    with ArrayWriter(path) as out:
        for name, values in arrays.items():
            out.add(name, values)
    found = ArrayFile(path, out.digest)
    for name, values in arrays.items():
        np.testing.assert_array_equal(found.whole(name), values)
    np.testing.assert_array_equal(found.take("a", np.array([7, 299, 7])), arrays["a"][[7, 299, 7]])
    good = path.read_bytes()
    assert len(good) > 2 * BLOCK
    holes = range(64 + arrays["a"].nbytes, 64 + arrays["a"].nbytes + 64)  # what aligns says nothing
    for place in rng.integers(64, len(good), 40):
        bad = bytearray(good)
        bad[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(bad)
        if not good[place] and place in holes:
            continue
        with pytest.raises(BenchmarkError, match="is damaged: run `benchmark fit` again"):
            read_all(path, out.digest)


def read_all(path, digest):
    found = ArrayFile(path, digest)
    for name in ("a", "b", "c"):
        found.whole(name)


@pytest.fixture
def db(tmp_path, monkeypatch):
    """A store of seven laps in which every fit counts as a large one."""
    monkeypatch.setattr(fit_module, "LARGE_BYTES", 0)
    monkeypatch.setattr(pace, "WARM_UP", 20)
    path = tmp_path / "laps.duckdb"
    run("import", write_sheet(tmp_path / "day.csv"), "--db", path)
    return path


def run(*words, code=0):
    result = CliRunner().invoke(app, [*map(str, words)])
    assert result.exit_code == code, result.output
    return result


def ask(db, *words):
    return json.loads(run(*words, "--db", db, "--format", "json").stdout)


def test_a_store_answers_the_same_from_a_file_beside_it(db, monkeypatch):
    run("fit", "--db", db, "--draws", 100)
    (path,) = folder_of(db).iterdir()
    with Store.open(db) as store:
        assert path.name == store.latest_fit_digest()
        assert store.latest_fit_bytes() == b""
        build = str(store.open_fit().part(CIRCUIT).entries["build"].iloc[0])
    questions = [
        ["leaderboard", "--circuit", CIRCUIT],
        ["gains", "--circuit", CIRCUIT],
        ["forecast", "--circuit", CIRCUIT, "--build", build],
        ["coach", "--circuit", CIRCUIT, "--build", build],
        ["plan", "--circuit", CIRCUIT, "--gain", "0.5"],
    ]
    beside = [ask(db, *question) for question in questions]
    monkeypatch.setattr(fit_module, "LARGE_BYTES", 10**9)
    run("fit", "--db", db, "--draws", 100)
    assert beside == [ask(db, *question) for question in questions]


def test_a_fit_whose_file_is_away_or_damaged_asks_for_another(db):
    run("fit", "--db", db, "--draws", 100)
    (path,) = folder_of(db).iterdir()
    body = path.read_bytes()
    path.write_bytes(body[: len(body) // 2] + body[len(body) // 2 + 1 :])
    told = run("leaderboard", "--circuit", CIRCUIT, "--db", db, code=2).stderr
    assert "is damaged: run `benchmark fit` again" in told
    path.unlink()
    with Store.open(db) as store, pytest.raises(NoFit, match="run `benchmark fit --db"):
        store.latest_fit()


def test_files_that_no_fit_names_are_cleared_away(db, whole):
    folder_of(db).mkdir()
    (folder_of(db) / ".draft-1").write_bytes(b"what a kill left")
    for number in range(FITS_KEPT + 2):
        with Store.open(db, write=True) as store:
            store.keep_fit(replace(whole, fit_id=f"fit{number}"))
    with Store.open(db) as store:
        named = set(store.fits()["digest"])
        assert store.fits()["fit_id"].tolist()[0] == f"fit{FITS_KEPT + 1}"
    assert {path.name for path in Path(folder_of(db)).iterdir()} == named
    assert len(named) == FITS_KEPT


CHANGES = {
    "strike": ["strike", "--circuit", CIRCUIT, "--date", "2025-03-02", "--session", "S1",
               "--build", "Red Wren", "--lap", "2", "--reason", "cut"],
    "correct": ["correct", "--build", "Blue Wren", "--from", "2025-07-02",
                "--set", "mod_engine=2", "--reason", "new engine"],
    "merge": ["merge", "--driver", "Cy", "--into", "Ada", "--reason", "one person"],
}  # fmt: skip


def laps_and_warning(db):
    told = run("leaderboard", "--circuit", CIRCUIT, "--db", db, "--format", "json")
    return {e["build"]: e["laps"] for e in json.loads(told.stdout)}, told.stderr


def test_answers_keep_to_their_fit_and_tell_of_every_change_since(db):
    run("fit", "--db", db, "--draws", 100)
    before, told = laps_and_warning(db)
    assert told == ""
    number = 1  # the import's line of the record
    for words in CHANGES.values():
        number += 1
        for change in (words, ["undo", str(number), "--reason", "taken back"]):
            run(*change, "--db", db)
            now, told = laps_and_warning(db)
            assert now == before
            assert "the fit is older than the newest laps" in told
        number += 1
    run(*CHANGES["strike"], "--db", db)
    run("fit", "--db", db, "--draws", 100)
    now, told = laps_and_warning(db)
    assert now == {**before, "Red Wren": before["Red Wren"] - 1}
    assert told == ""


@pytest.mark.skipif(os.name != "posix", reason="rights of files are those of POSIX systems")
def test_whoever_may_not_read_the_store_may_not_read_its_fit(db, whole):
    db.chmod(0o640)
    with Store.open(db, write=True) as store:
        store.keep_fit(replace(whole, fit_id="grouped"))
    (path,) = folder_of(db).iterdir()
    assert [one.stat().st_mode & 0o777 for one in (path, path.parent)] == [0o640, 0o750]
    db.chmod(0o644)
    with Store.open(db, write=True) as store:
        store.keep_fit(replace(whole, fit_id="open"))
    assert {one.stat().st_mode & 0o777 for one in folder_of(db).iterdir()} == {0o640, 0o644}
    run("people", "add", "Anna Pell", "--role", "owner", "--no-password", "--db", db)
    for one in (db, folder_of(db), *folder_of(db).iterdir()):
        assert one.stat().st_mode & 0o007 == 0
