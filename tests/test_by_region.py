"""A fit by regions: shared draws, answers from the circuit's own region, files that vouch.

A made-up decade of twelve circuits in three regions, each circuit cut short.
"""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from benchmark.answers.forecast import Question, forecast
from benchmark.answers.leaderboard import leaderboard
from benchmark.cli import app
from benchmark.errors import BadQuestion, BenchmarkError, NoFit, StoreBusy
from benchmark.intake.lap_folder import look_into
from benchmark.model import decade, pace, regions
from benchmark.model.design import COLUMN, SOFTNESS
from benchmark.model.fit_part import PartOfFit
from benchmark.model.frame import RUN_KEY
from benchmark.model.pace import fit
from benchmark.show import fitting, fitting_regions
from benchmark.show.fitting import fit_lines, fit_store
from benchmark.store.fit_reader import FitFile
from benchmark.store.framing import frame_of_folder
from benchmark.store.kept_fits import draft_path, folder_of, write_draft
from benchmark.store.region_files import REGIONS, folder_of_regions
from benchmark.store.region_fits import RegionFits
from benchmark.store.store import Store
from tests.app_pages import open_page

LAPS, LAPS_OF_A_CIRCUIT = 14_400, 1_200
REGION = 4 * LAPS_OF_A_CIRCUIT
DRAWS = 100


@pytest.fixture(scope="module")
def laps(tmp_path_factory):
    folder = tmp_path_factory.mktemp("decade") / "laps"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(decade, "LAPS_OF_A_CIRCUIT", LAPS_OF_A_CIRCUIT)
        patch.setattr(decade, "P_TRAVELLER", 0.2)
        decade.write(LAPS, folder)
    return f"{folder}/**/*.parquet"


@pytest.fixture
def small(monkeypatch):
    """Regions of four circuits, learnt from one of them in few sweeps."""
    monkeypatch.setattr(fitting_regions, "REGION_LAPS", REGION)
    monkeypatch.setattr(fitting_regions, "LEARNING_LAPS", REGION)
    monkeypatch.setattr(regions, "FEW_OF_A_KIND", 0)
    monkeypatch.setattr(pace, "FAST_WARM_UP", 10)
    monkeypatch.setattr(pace, "FAST_KEEP", 20)


@pytest.fixture(scope="module")
def made(laps, tmp_path_factory):
    """The store with the fit; tests that change it take a copy."""
    db = tmp_path_factory.mktemp("fitted") / "laps.duckdb"
    with pytest.MonkeyPatch.context() as patch:
        small.__wrapped__(patch)
        fit_store(db, lambda *_: None, files=laps, by_region=True, draws=DRAWS)
    return db


@pytest.fixture
def db(made, tmp_path):
    shutil.copytree(made.parent, tmp_path / "copy")
    return tmp_path / "copy" / made.name


def opened(db: Path) -> RegionFits:
    with Store.open(db) as store:
        kept = store.open_fit()
    assert isinstance(kept, RegionFits)
    return kept


def circuits_of(region: int) -> list[str]:
    return [decade.circuit_name(4 * region + k) for k in range(4)]


def strangers(kept: RegionFits, circuit: str) -> list[str]:
    """Builds with no lap in the region of a circuit."""
    near = {place for region in range(3) if circuit in circuits_of(region)
            for place in circuits_of(region)}  # fmt: skip
    builds = kept.whole.names["build"]
    return [b for b in builds if not near & {place for place, _ in kept.places_of(b)}]


def test_every_region_is_fitted_to_its_own_laps(made, laps):
    kept = opened(made)
    assert kept.laps_used == kept.whole.laps == LAPS
    assert len(kept.circuits) == 12
    frame = frame_of_folder(look_into(laps))
    assert kept.whole.names["build"] == sorted(frame.runs["build"].unique())
    for region in range(3):
        part = kept.part(circuits_of(region)[0])
        own = frame.runs[frame.runs["circuit"] == circuits_of(region)[0]]
        assert len(part.runs) == len(own)
        assert part.laps["lap_time_s"].sum() == pytest.approx(
            frame.laps["lap_time_s"][frame.laps["run_id"].isin(own.index)].sum()
        )


def test_what_all_cars_share_has_the_same_draws_in_every_region(made):
    parts = [opened(made).part(circuits_of(region)[0]) for region in range(3)]
    first = parts[0].posterior
    for part in parts[1:]:
        assert np.array_equal(part.posterior.sds["build"], first.sds["build"])
        assert part.posterior.run_effects == pytest.approx(first.run_effects, abs=1e-6)
        assert part.posterior.lap_effects == pytest.approx(first.lap_effects, abs=1e-6)
    learnt = [m for m in parts[0].levels["model"] if m in parts[1].levels["model"]]
    assert len(learnt) > 5
    same = [
        [part.posterior.groups["model"][:, part.level_numbers["model"][m]] for m in learnt]
        for part in parts[:2]
    ]
    # Models that the learning region has; others are each region's own.
    alike = np.isclose(*same, atol=1e-6).all(axis=1)
    assert alike.sum() > 0
    assert not np.array_equal(*(part.posterior.groups["circuit"][:, 0] for part in parts[:2]))


def test_a_region_comes_close_to_a_fit_of_its_own_and_of_all(made, laps, small):
    """Within the intervals; both rest on fewer laps of what all cars share, or on all of them."""
    circuit = circuits_of(1)[0]
    part = opened(made).part(circuit)
    whole = fit(frame_of_folder(look_into(laps)), mode="fast", draws=DRAWS)
    rows = pace.adjusted_rows(whole)
    rows = rows[rows["circuit"] == circuit]
    one, other = (f.log_time(rows) - f.log_time(rows).mean(axis=1, keepdims=True)
                  for f in (part, whole))  # fmt: skip
    apart = np.abs(one.mean(axis=0) - other.mean(axis=0)) / other.std(axis=0)
    assert np.median(apart) < 0.6
    assert np.median(one.std(axis=0) / other.std(axis=0)) == pytest.approx(1.1, abs=0.3)


def test_answers_say_what_the_regions_own_fit_says(made):
    kept, circuit = opened(made), circuits_of(2)[1]
    number = kept._region_of[circuit]
    (folder,) = folder_of(made).glob(f"*{REGIONS}")
    region = FitFile(folder / str(number), kept._head["digests"][number])
    ours = leaderboard(kept.part(circuit), circuit, "full")
    theirs = leaderboard(region.all(), circuit, "full")
    assert ours["build"].tolist() == theirs["build"].tolist()
    assert ours["adjusted_s"].to_numpy() == pytest.approx(theirs["adjusted_s"].to_numpy())


def test_a_car_of_another_region_keeps_its_pace_there(made):
    kept, circuit = opened(made), circuits_of(0)[0]
    build = strangers(kept, circuit)[0]
    home = kept.part(None, [build])
    joined = kept.part(circuit, [build])
    rows = home.entries[home.entries["build"] == build].assign(circuit=circuit, layout="full")
    own, there = home.parts(rows.assign(circuit=home.runs["circuit"].iloc[0])), joined.parts(rows)
    for what in ("build", "parts:engine", "tyre"):
        assert there[what] == pytest.approx(own[what], abs=1e-6)
    asked = forecast(joined, Question(build, circuit, "full"))
    assert f"{build} has no counted lap at {circuit}" in " ".join(asked.warnings)
    assert len(joined.runs) == len(kept.part(circuit).runs) + (home.runs["build"] == build).sum()
    assert joined.runs.index.is_unique
    laps = joined.laps.groupby("run_id")["lap"].size()
    assert laps.sum() == len(joined.laps)
    assert set(laps.index) == set(joined.runs.index)
    assert joined.posterior.groups["outing"].shape == (DRAWS, len(joined.levels["outing"]))


def test_laps_in_another_region_are_made_of_what_that_region_says(made):
    """Whatever model, car or driver both know: sums of effects are the home's to the last lap."""
    kept, circuit = opened(made), circuits_of(0)[0]
    here = kept.part(circuit)
    travellers = sorted(set(here.runs["build"]) & set(kept.part(circuits_of(1)[0]).runs["build"]))
    region = kept._region_of[circuit]
    checked = 0
    for build in [*travellers[:3], *strangers(kept, circuit)[:5]]:
        joined = kept.part(circuit, [build])
        others = [k for k in kept._regions_with("build", build) if k != region]
        homes = [kept._region(k).part(None, [build]) for k in others]
        runs = pd.concat([home.runs for home in homes], ignore_index=True)
        at = joined.runs.reset_index().merge(runs[list(RUN_KEY)], on=list(RUN_KEY))
        assert len(at) == len(runs)
        for home in homes:
            own = home.runs.reset_index().assign(lap=2)
            same = own[list(RUN_KEY)].merge(at[[*RUN_KEY, "run_id"]], on=list(RUN_KEY))
            theirs = own.assign(run_id=same["run_id"])
            expected = sum(home.parts(own).values())
            assert sum(joined.parts(theirs).values()) == pytest.approx(expected, abs=1e-5)
            checked += len(own)
    assert checked > 30


def test_a_stranger_keeps_the_sum_of_car_model_and_usual_driver(made):
    """Some models were not learnt: both regions drew them, and home knows their sums alone."""
    kept, circuit = opened(made), circuits_of(0)[0]
    unlike = 0
    for build in strangers(kept, circuit):
        home, joined = home_of(kept, build), kept.part(circuit, [build])
        entry = home.entries[home.entries["build"] == build].iloc[0]
        names = {g: (str(entry[g]),) for g in ("model", "build", "driver")}
        ours, theirs = (
            {g: f.posterior.groups[g][:, f.level_numbers[g][name]] for g, name in names.items()}
            for f in (joined, home)
        )
        assert sum(ours.values()) == pytest.approx(sum(theirs.values()), abs=1e-6)
        unlike += not np.allclose(ours["model"], theirs["model"], atol=1e-6)
    assert unlike


def home_of(kept: RegionFits, build: str) -> PartOfFit:
    return kept._region(kept._regions_with("build", build)[0]).part(None, [build])


def test_car_and_driver_from_one_region_are_joined_once(made, laps):
    kept, circuit = opened(made), circuits_of(0)[0]
    runs = frame_of_folder(look_into(laps)).runs
    for build in strangers(kept, circuit)[:5]:
        driver = str(home_of(kept, build).runs["driver"].iloc[0])
        part = kept.part(circuit, [build], [driver])
        wanted = (
            (runs["circuit"] == circuit) | (runs["build"] == build) | (runs["driver"] == driver)
        )
        assert len(part.runs) == wanted.sum()
        assert not part.runs.duplicated(list(RUN_KEY)).any()


def test_what_a_car_ran_elsewhere_is_known(made):
    kept = opened(made)
    for circuit in circuits_of(0):
        for build in kept.part(circuit).entries["build"]:
            away = kept.part(None, [build]).runs
            own = away[away["build"] == build]
            tyres = set(own["tyre_category"][~own["circuit"].isin(circuits_of(0))])
            here = set(own["tyre_category"][own["circuit"].isin(circuits_of(0))])
            for tyre in tyres - here:
                asked = Question(build, circuit, "full", tyre=tyre)
                told = " ".join(forecast(kept.part(circuit, [build]), asked).warnings)
                assert "never ran on" not in told
                return
    pytest.fail("no car ran on other tyres elsewhere")


def test_cautions_are_those_of_the_region(made):
    kept = opened(made)
    assert kept.warnings == ("3 of 3 regions have cautions, which answers there show",)
    parts = [kept.part(circuits_of(region)[0]) for region in range(3)]
    assert len({part.warnings for part in parts}) == 3
    for region, part in enumerate(parts):
        assert all(circuit in part.mode_note for circuit in circuits_of(region))


def test_a_car_knows_its_places_in_all_regions(made, laps):
    kept, runs = opened(made), frame_of_folder(look_into(laps)).runs
    circuits = runs.groupby("build")["circuit"].agg(lambda own: sorted(set(own)))
    region = {c: r for r in range(3) for c in circuits_of(r)}
    travels = circuits[circuits.map(lambda own: len({region[c] for c in own}) > 1)]
    assert len(travels) > 3
    for build, own in travels.items():
        assert [circuit for circuit, _ in kept.places_of(str(build))] == own
    assert kept.places_of("Nobody's car") == []


@pytest.mark.slow
def test_commands_answer_from_it(made):
    circuit = circuits_of(1)[2]
    board = run("leaderboard", "--circuit", circuit, "--format", "json", "--db", made)
    entries = json.loads(board.stdout)
    build = entries[0]["build"]
    for words in (
        ("gains",),
        ("forecast", "--build", build),
        ("advise", "--build", build),
        ("plan", "--gain", "0.5"),
        ("claim", "--build", build, "--model", entries[0]["model"], "--driver", "A. Marsh",
         "--tyre", "sport", "--lap-time", "0:50.000", "--date", "2026-01-01"),
    ):  # fmt: skip
        assert run(*words, "--circuit", circuit, "--db", made).stdout
    told = run("leaderboard", "--circuit", "Nowhere", "--db", made, code=2)
    assert "Nowhere" in told.stderr
    told = run("forecast", "--circuit", circuit, "--build", "Nobody's", "--db", made, code=2)
    assert "Nobody's" in told.stderr


@pytest.mark.parametrize("file", ["leaderboard.py", "build.py", "gains.py", "claim.py", "plan.py"])
def test_pages_show_it(made, file, monkeypatch):
    monkeypatch.setenv("BENCHMARK_DB", str(made))
    at = open_page(file, circuit=circuits_of(2)[0])
    assert not at.error
    if file == "gains.py":
        assert "Builds are counted in the circuit's region." in "".join(c.value for c in at.caption)


def test_it_says_how_it_was_made(made):
    said = "\n".join(fit_lines(opened(made)))
    assert f"14,400 counted laps of {len(opened(made).whole.names['build'])} builds" in said
    assert "by regions, 3 of them" in said
    assert "learnt from 4,800 laps" in said


def test_it_is_not_read_as_one(made):
    with Store.open(made) as store, pytest.raises(BadQuestion, match="ask it about a circuit"):
        store.latest_fit()
    told = run("fit", "--mode", "quick", "--db", made, code=2)
    assert "by regions" in told.stderr


def test_a_region_that_is_away_or_damaged_is_told(db):
    (folder,) = folder_of(db).glob(f"*{REGIONS}")
    for path in folder.iterdir():
        body = path.read_bytes()
        path.write_bytes(body[:-100] + body[-99:])
    with pytest.raises(BenchmarkError, match="is damaged: run `benchmark fit` again"):
        opened(db).part(circuits_of(0)[0])
    for path in folder.iterdir():
        path.unlink()
    with pytest.raises(BenchmarkError, match="the fit of a region is gone"):
        opened(db).part(circuits_of(0)[0])


@pytest.mark.slow
def test_the_same_laps_give_the_same_fit_and_older_ones_are_cleared_away(db, laps, small):
    before = opened(db).fit_id
    fit_store(db, lambda *_: None, files=laps, by_region=True, draws=DRAWS)
    assert opened(db).fit_id == before
    fit_store(db, lambda *_: None, files=laps, by_region=True, draws=DRAWS, seed=2)
    assert opened(db).fit_id != before
    with Store.open(db) as store:
        (named,) = store.fits()["digest"]
    there = {path.name for path in folder_of(db).iterdir()}
    assert there == {named, f"{named}{REGIONS}"}


@pytest.mark.slow
def test_a_fit_that_is_stopped_leaves_nothing(db, laps, small):
    before = sorted(path.name for path in folder_of(db).iterdir())

    def stop(_: float, step: str) -> None:
        if step.startswith("region 2"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit_store(db, stop, files=laps, by_region=True, draws=DRAWS, seed=2)
    assert sorted(path.name for path in folder_of(db).iterdir()) == before


@pytest.mark.slow
def test_a_disk_that_is_too_small_is_told_after_the_first_region(db, laps, small, monkeypatch):
    monkeypatch.setattr(
        fitting_regions.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(1, 1, 0)
    )
    seen = []
    with pytest.raises(BadQuestion, match=r"GB more beside .*laps.duckdb, where 0.0 GB are free"):
        fit_store(db, lambda _, step: seen.append(step), files=laps, by_region=True, seed=2)
    assert not any(step.startswith("region 2") for step in seen)


def test_a_regions_folder_that_is_away_is_told(db):
    (folder,) = folder_of(db).glob(f"*{REGIONS}")
    shutil.rmtree(folder)
    with pytest.raises(NoFit, match="where a large one lies: run `benchmark fit"):
        opened(db)


@pytest.mark.slow
def test_a_fit_that_cannot_be_kept_leaves_nothing(db, laps, small, monkeypatch):
    def busy(*_):
        raise StoreBusy("another process works with it")

    monkeypatch.setattr(fitting, "_to_keep", busy)
    before = sorted(path.name for path in folder_of(db).iterdir())
    with pytest.raises(StoreBusy):
        fit_store(db, lambda *_: None, files=laps, by_region=True, draws=DRAWS, seed=2)
    assert sorted(path.name for path in folder_of(db).iterdir()) == before


def test_what_a_kill_left_is_no_part_of_the_next_fit(made, tmp_path):
    whole = replace(opened(made)._region(0).all(), mode_note="of one region")
    path = draft_path(tmp_path / "laps.duckdb")
    folder_of_regions(path).mkdir()
    draft = write_draft(tmp_path / "laps.duckdb", whole, {})
    assert not folder_of_regions(path).exists()
    with Store.open(tmp_path / "laps.duckdb", create=True) as store:
        store.keep_written_fit(whole, draft)
        assert isinstance(store.open_fit(), FitFile)


def test_fits_that_are_not_by_regions_stay(db, laps, small):
    small_fit = replace(opened(db)._region(0).all(), fit_id="small")
    with Store.open(db, write=True) as store:
        store.keep_fit(small_fit)
    fit_store(db, lambda *_: None, files=laps, by_region=True, draws=DRAWS, seed=2)
    with Store.open(db) as store:
        assert store.fits()["fit_id"].tolist() == [opened(db).fit_id, "small"]


@pytest.mark.skipif(os.name != "posix", reason="rights of files are those of POSIX systems")
@pytest.mark.slow
def test_nobody_else_reads_a_fit_while_it_is_made(laps, small, tmp_path):
    db = tmp_path / "laps.duckdb"
    with Store.open(db, create=True):
        db.chmod(0o600)
    seen = []

    def look(*_):
        seen.extend(path.stat().st_mode & 0o077 for path in [folder_of(db)] if path.exists())

    fit_store(db, look, files=laps, by_region=True, draws=DRAWS)
    assert seen
    assert not any(seen)
    (folder,) = folder_of(db).glob(f"*{REGIONS}")
    assert {path.stat().st_mode & 0o077 for path in (folder, *folder.iterdir())} == {0}


@pytest.mark.slow
def test_wet_laps_are_learnt_where_they_are(tmp_path, laps, small, monkeypatch, made):
    """One circuit has wet laps, in a region that is not chosen: it teaches what all share."""
    wet = next(c for c in opened(made).whole.names["circuit"] if c not in learnt_from(made))
    (tmp_path / "laps").mkdir()
    for k, file in enumerate(Path(laps.removesuffix("/**/*.parquet")).rglob("*.parquet")):
        table = pd.read_parquet(file)
        is_wet = (table["circuit"] == wet) & table["session"].isin(["S2", "S3"])
        table = table.assign(
            surface=np.where(is_wet, "wet", "dry"),
            lap_time=table["lap_time"] * np.where(is_wet, 1.2, 1.0),
        )
        table.to_parquet(tmp_path / "laps" / f"{k}.parquet")
    slower = {}
    for few in (0, 400):
        monkeypatch.setattr(regions, "FEW_OF_A_KIND", few)
        db = tmp_path / f"{few}.duckdb"
        fit_store(db, lambda *_: None, files=f"{tmp_path}/laps/*.parquet", by_region=True,
                  draws=DRAWS)  # fmt: skip
        part = opened(db).part(wet)
        on_track_day_tyres = [1.0, SOFTNESS["track-day"]]
        slower[few] = part.effects[:, [COLUMN["wet"], COLUMN["soft_wet"]]] @ on_track_day_tyres
    assert slower[400].std() < 0.5 * slower[0].std()


def learnt_from(db: Path) -> list[str]:
    """Circuits of the region that was learnt from, which has as many laps as any."""
    first = opened(db).mode_note.split(" laps of ")[1].split(" and 3 more")[0]
    return next(circuits_of(k) for k in range(3) if first in circuits_of(k))


@pytest.mark.slow
def test_many_laps_are_fitted_by_regions_unless_told_otherwise(laps, small, tmp_path, monkeypatch):
    asked = {"files": laps, "draws": DRAWS, "mode": "fast"}
    monkeypatch.setattr(fitting, "BY_REGION_LAPS", LAPS - 1)
    assert isinstance(fit_store(tmp_path / "a", lambda *_: None, **asked), RegionFits)
    monkeypatch.setattr(fitting, "BY_REGION_LAPS", LAPS)
    assert not isinstance(fit_store(tmp_path / "b", lambda *_: None, **asked), RegionFits)
    with pytest.raises(BadQuestion, match="leave out --mode full"):
        fit_store(tmp_path / "c", lambda *_: None, files=laps, by_region=True, mode="full")
    with pytest.raises(BadQuestion, match="--by-region goes with --laps"):
        fit_store(tmp_path / "a", lambda *_: None, by_region=True)


def test_only_the_fast_mode_takes_what_regions_share(laps, small):
    frame = frame_of_folder(look_into(laps), circuits_of(0))
    learnt = fit(frame, mode="fast", draws=DRAWS)
    with pytest.raises(BadQuestion, match="for the fast mode"):
        fit(frame, mode="full", shared=learnt)


def run(*words, code=0):
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == code, done.output
    return done
