"""Seasons with known truth: the truth by hand, the noise against scipy, and what real days hold.

The effects of the hand-worked cases are round numbers chosen here; their sums are written out in
the cases. Distributions are compared with scipy's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from benchmark.errors import BadQuestion, BadValue
from benchmark.model.draw import EFFECTS, SDS
from benchmark.model.plan import CLUB, LARGE, MATCHED, ONE_CAR, PLANS
from benchmark.model.simulate import Season, entries_of, simulate
from benchmark.model.truth import MODS, NoiseTruth, Track, Truth
from benchmark.trade.classes import AREAS, DRY_TYRES, modification_class

# The columns of the lap table, in the order of its contract.
CONTRACT = [
    "circuit",
    "layout",
    "date",
    "session",
    "start_time",
    "model",
    "induction",
    "build",
    "driver",
    "driver_level",
    "mod_engine",
    "mod_drivetrain",
    "mod_suspension",
    "mod_aero",
    "mod_weight",
    "mod_brakes",
    "tyre_category",
    "treadwear",
    "tyre_heat_cycles",
    "air_temp_c",
    "track_temp_c",
    "pressure_hpa",
    "humidity_pct",
    "wind_mps",
    "altitude_m",
    "surface",
    "run",
    "lap",
    "lap_time",
    "lap_kind",
    "timing",
    "timing_u_s",
    "evidence",
]
KEY = ["circuit", "layout", "date", "session", "build", "run", "lap"]

STEPS = {f"step:{area}:{level}": 0.0 for area in AREAS for level in (1, 2, 3)}
BY_HAND = {
    **dict.fromkeys(EFFECTS, 0.0),
    **STEPS,
    "step:engine:1": -0.004,
    "step:engine:2": -0.006,
    "tyre:sport": -0.020,
    "tyre:track-day": -0.018,
    "tyre:semi-slick": -0.015,
    "tyre:slick": -0.022,
    "wet_tyre": 0.018,
    "expert": -0.010,
    "density_natural": -0.09,
    "density_boosted": -0.045,
    "heat": 0.001,
    "heat_soft": 0.004,
    "heat_curve": 0.0002,
    "heat_curve_soft": 0.001,
    "cycles": 0.001,
    "cycles_soft": 0.008,
    "treadwear": 0.01,
    "damp": 0.07,
    "wet": 0.17,
    "wet_tyre_damp": -0.04,
    "wet_tyre_wet": -0.08,
    "soft_wet": 0.03,
    "lap_warm": -0.002,
    "lap_warm_soft": 0.003,
    "fade": 0.0003,
    "fade_soft": 0.002,
}


def truth_by_hand(world: str = "model", **effects: float) -> Truth:
    """One circuit at sea level, lap 100 s; a model, a build and a driver with known effects."""
    groups = {
        "model": {"M": 0.01},
        "model_circuit": {"M | C | full": 0.001},
        "build": {"B": -0.002},
        "build_spec": {"B | 100000": 0.0005},
        "driver": {"D": 0.003},
        "driver_circuit": {"D | C | full": -0.001},
    }
    noise = NoiseTruth(0.003, 0.01, 0.5, {"D": 0.01}, 0.1, 0.06, (0.975, 0.02, 0.005))
    track = Track("C", "full", 100.0, 0.0)
    return Truth(world, (track,), {**BY_HAND, **effects}, groups, SDS, noise)


def above_base(truth: Truth, **facts: object) -> float:
    """Log time over the base lap for one row of facts (touring tyre unless given)."""
    rows = pd.DataFrame([{"circuit": "C", "tyre_category": "touring", **facts}])
    return float(truth.log_time(rows)[0] - np.log(100.0))


@pytest.fixture(scope="module")
def club() -> Season:
    return simulate(CLUB, 1)


@pytest.fixture(scope="module")
def large() -> Season:
    return simulate(LARGE.recorded_fully(), 1)


@pytest.fixture(scope="module")
def large_other() -> Season:
    return simulate(LARGE.recorded_fully(), 1, "other")


@pytest.mark.parametrize(
    ("facts", "by_hand"),
    [
        ({}, 0.0),
        ({"mod_engine": 2}, -0.004 - 0.006),
        ({"tyre_category": "semi-slick"}, -0.020 - 0.018 - 0.015),
        ({"tyre_category": "sport", "treadwear": 500}, -0.020 + 0.01 * 0.693147),  # twice 250
        ({"driver_level": "expert"}, -0.010),
        ({"track_temp_c": 40}, 0.001 + 0.0002),
        ({"track_temp_c": 10, "tyre_category": "track-day"}, -0.038 - 2 * 0.003 + 4 * 0.0007),
        ({"track_temp_c": 10, "surface": "damp"}, 0.07),
        ({"tyre_heat_cycles": 12, "tyre_category": "slick"}, -0.075 + 0.009),
        ({"lap": 3}, -0.002 + 0.0003),
        ({"lap": 6, "tyre_category": "slick"}, -0.075 - 0.002 + 0.003 + 4 * 0.0023),
        ({"surface": "wet"}, 0.17),
        ({"surface": "wet", "tyre_category": "wet"}, 0.018 + 0.17 - 0.08),
        ({"surface": "damp", "tyre_category": "wet"}, 0.018 + 0.07 - 0.04),
        ({"surface": "damp", "tyre_category": "slick"}, -0.075 + 0.07 + 0.03),
        ({"model": "M"}, 0.01 + 0.001),
        ({"model": "a model that nobody knows"}, 0.0),
        ({"build": "B"}, -0.002),
        ({"build": "B", "mod_engine": 1}, -0.002 + 0.0005 - 0.004),
        ({"driver": "D"}, 0.003 - 0.001),
    ],
)
def test_the_truth_is_the_sum_written_out_by_hand(facts, by_hand):
    assert above_base(truth_by_hand(), **facts) == pytest.approx(by_hand, abs=1e-8)


@pytest.mark.parametrize(("induction", "worth"), [("natural", -0.09), ("boosted", -0.045)])
def test_thinner_air_costs_by_induction(induction, worth):
    # Density of dry air is proportional to pressure, but for its compressibility (some 2e-5).
    dry_air = {"induction": induction, "humidity_pct": 0}
    thin, usual = (
        above_base(truth_by_hand(), **dry_air, pressure_hpa=1013.25 * share) for share in (0.95, 1)
    )
    assert thin - usual == pytest.approx(worth * np.log(0.95), rel=1e-3)


def test_the_reference_written_out_is_the_reference_left_out():
    written = {
        "air_temp_c": 20,
        "track_temp_c": 30,
        "humidity_pct": 50,
        "pressure_hpa": 1013.25,
        "surface": "dry",
        "lap": 2,
        "tyre_heat_cycles": 2,
        "tyre_category": "track-day",
        "treadwear": 180,
    }
    left_out = above_base(truth_by_hand(), tyre_category="track-day")
    assert above_base(truth_by_hand(), **written) == pytest.approx(left_out, abs=1e-12)


def test_in_the_other_world_effects_are_not_additive():
    other = truth_by_hand("other", tyre_by_weight=0.1, soak=0.0005, **{"power:C full": 0.5})
    assert above_base(other, mod_engine=2) == pytest.approx(-0.010 * 1.5)
    assert above_base(other, tyre_category="sport", mod_weight=3) == pytest.approx(-0.020 * 1.2)
    hot = above_base(other, induction="boosted", air_temp_c=35, lap=5, run=2)
    cool = above_base(other, induction="boosted", air_temp_c=35)
    assert hot - cool == pytest.approx(-0.002 + 3 * 0.0003 + 0.0005 * 2 * (3 + 2))


@pytest.mark.parametrize(
    ("facts", "error", "message"),
    [
        ({"circuit": "Elsewhere"}, BadQuestion, 'no circuit and layout "Elsewhere full"'),
        ({"layout": "short"}, BadQuestion, 'no circuit and layout "C short"'),
    ],
)
def test_an_unknown_layout_is_refused(facts, error, message):
    with pytest.raises(error, match=message):
        above_base(truth_by_hand(), **facts)


def test_an_unknown_world_is_refused():
    with pytest.raises(BadValue, match='"flat" is no world; use model or other'):
        simulate(ONE_CAR, 1, "flat")


def test_json_gives_the_truth_back(club):
    read = Truth.from_json(club.truth.to_json())
    assert read.log_time(club.facts) == pytest.approx(club.truth.log_time(club.facts), abs=1e-7)
    assert read.to_json() == club.truth.to_json()


def test_parts_add_up_to_the_whole(large_other):
    truth, facts = large_other.truth, large_other.facts
    assert sum(truth.parts(facts).values()) == pytest.approx(truth.log_time(facts), abs=1e-12)


@pytest.mark.parametrize("world", ["model", "other"])
def test_one_seed_is_one_season(world):
    one, again, other = (simulate(ONE_CAR, seed, world) for seed in (7, 7, 8))
    pd.testing.assert_frame_equal(one.laps, again.laps)
    assert one.truth == again.truth
    assert not one.laps["lap_time"].equals(other.laps["lap_time"])


@pytest.mark.parametrize("plan", PLANS.values(), ids=PLANS)
def test_laps_have_the_columns_and_keys_of_the_lap_table(plan):
    season = simulate(plan, 2)
    assert list(season.laps.columns) == [*CONTRACT, "lap_time_s"]
    assert not season.laps.duplicated(KEY).any()
    assert len(season.laps) == len(season.facts) == len(season.realised)


@pytest.mark.parametrize(
    ("plan", "usable", "builds"),
    [(ONE_CAR, 330, 10), (MATCHED, 1000, 24), (CLUB, 950, 25), (LARGE, 5000, 120)],
    ids=PLANS,
)
def test_sizes_are_those_of_the_study(plan, usable, builds):
    seasons = [simulate(plan, seed) for seed in range(3)]
    assert {season.laps["build"].nunique() for season in seasons} == {builds}
    assert np.mean([len(season.counted()) for season in seasons]) == pytest.approx(usable, rel=0.15)


def test_matched_builds_are_of_one_class_on_one_tyre():
    facts = simulate(MATCHED, 3).facts
    levels = facts[list(MODS)].astype(int).drop_duplicates().to_numpy()
    classes = {modification_class(dict(zip(AREAS, row, strict=True))) for row in levels}
    assert classes <= {"standard", "light"}
    assert set(facts["tyre_category"]) <= {"track-day", "wet"}


@pytest.mark.parametrize("world", ["model", "other"])
def test_a_lap_is_its_parts_and_its_timing(world):
    plan = replace(CLUB.recorded_fully(), n_days=3)
    season = simulate(plan, 4, world)
    parts = season.realised[["centre", "normal", "delay", "gross"]].sum(axis=1)
    error_s = season.laps["lap_time_s"] - np.exp(parts)
    # Transponders have 0.002 s, rounding to 0.001 s adds next to nothing.
    assert error_s.std() == pytest.approx(0.002, rel=0.15)
    assert error_s.abs().max() < 5 * 0.0021


def test_the_centre_is_the_truth_plus_what_passes(club):
    passing = club.realised[["day", "session", "wet_session", "build_day", "outing"]].sum(axis=1)
    lasting = club.truth.log_time(club.facts)
    assert club.realised["centre"].to_numpy() == pytest.approx(lasting + passing, abs=1e-12)


def test_ordinary_noise_is_normal_plus_exponential(large):
    # scipy.stats.exponnorm with K = tau / sigma; 5,000 laps see a wrong tail of a few per cent.
    placed = _placed(large)
    assert stats.kstest(placed, "uniform").pvalue > 0.001


def test_the_other_world_has_noise_of_another_family(large_other):
    placed = _placed(large_other)
    assert stats.kstest(placed, "uniform").pvalue < 0.001


def test_slow_and_gross_laps_are_as_many_and_as_large_as_declared(large):
    of_kind = large.realised[large.facts["lap_kind"] == "timed"].groupby("kind")
    n = len(large.counted())
    assert of_kind.size()["gross"] / n == pytest.approx(0.005, abs=4 * np.sqrt(0.005 / n))
    assert of_kind["delay"].mean()["slow"] == pytest.approx(large.truth.noise.slow, rel=0.35)
    assert large.realised.loc[large.realised["kind"] != "gross", "gross"].eq(0).all()


def test_group_effects_have_the_declared_spread():
    drawn = [
        np.array(list(season.truth.groups[name].values())) / season.truth.sds[name]
        for season in (simulate(CLUB, seed) for seed in range(4))
        for name in ("build", "driver", "session", "outing")
    ]
    assert stats.kstest(np.concatenate(drawn), "norm").pvalue > 0.001


def test_effects_lie_about_the_sizes_of_the_trade():
    truths = [simulate(ONE_CAR, seed).truth for seed in range(12)]
    tyres = [t.effects[f"tyre:{c}"] for t in truths for c in DRY_TYRES[1:]]
    assert np.mean(tyres) == pytest.approx(-0.018, abs=4 * 0.004 / np.sqrt(48))
    steps = [size for t in truths for name, size in t.effects.items() if name.startswith("step:")]
    assert np.mean(steps) == pytest.approx(-0.004, abs=0.0015)
    assert 0.02 < np.mean(np.array(steps) > 0) < 0.25  # some parts hurt


def test_drivers_learn_about_their_mean_in_the_other_world(large_other):
    learning = pd.Series(large_other.truth.groups["learning"])
    driver = learning.index.str.split(" | ", regex=False).str[0]
    assert learning.groupby(driver).mean().abs().max() < 1e-12
    first = learning.groupby(driver).first()  # sessions stand in the order of the days
    last = learning.groupby(driver).last()
    assert (first > last)[learning.groupby(driver).size() > 3].all()


def test_the_track_rubbers_in_in_the_other_world(large_other):
    rubber = pd.Series(large_other.truth.groups["rubber"])
    session = rubber.index.str.split(" | ", regex=False).str[3]
    by_session = rubber.groupby(session).mean()
    assert by_session["S1"] > by_session["S2"] > by_session["S3"]
    assert rubber.mean() == pytest.approx(0, abs=1e-12)


def test_traffic_comes_in_clumps_in_the_other_world(large, large_other):
    assert _echo(large_other) > _echo(large) + 0.05


def test_causes_are_confounded_as_on_real_days(large):
    facts = large.facts[large.facts["surface"] == "dry"]
    late = facts["session"].str[1:].astype(int)
    assert np.corrcoef(late, facts["track_temp_c"])[0, 1] > 0.3
    steps = facts[list(MODS)].astype(int).sum(axis=1)
    softer = facts["tyre_category"].map({c: i for i, c in enumerate(DRY_TYRES)})
    assert np.corrcoef(steps, softer)[0, 1] > 0.3
    keen = facts["driver_level"].isin(["expert", "professional"])
    assert steps[keen].mean() > steps[~keen].mean() + 1


def test_gaps_leave_out_facts_and_change_none(club):
    for column in ("track_temp_c", "pressure_hpa", "treadwear", "driver_level", *MODS):
        told = club.laps[column].notna()
        assert (club.laps.loc[told, column] == club.facts.loc[told, column]).all()
    assert 0.05 < club.laps["track_temp_c"].isna().mean() < 0.6
    assert club.facts["track_temp_c"].notna().all()


def test_a_plan_recorded_fully_has_no_gaps(large):
    told = large.laps.drop(columns=["treadwear", "timing_u_s", "evidence"])
    assert told.notna().all(axis=None)
    grades = large.laps.groupby("tyre_category")["treadwear"].apply(lambda x: x.notna().all())
    assert grades.drop(["slick", "wet"], errors="ignore").all()


def test_an_entry_is_the_latest_car_and_the_usual_driver():
    days = ["2026-04-01", "2026-04-01", "2026-05-01", "2026-06-01"]
    laps = pd.DataFrame(
        {
            "build": "B",
            "date": days,
            "session": "S1",
            "run": 1,
            "lap": [2, 3, 2, 2],
            "model": "M",
            "induction": "natural",
            **dict.fromkeys(MODS, 0),
            "mod_engine": [0, 0, 1, 2],
            "tyre_category": ["sport", "sport", "track-day", "wet"],
            "surface": ["dry", "dry", "dry", "wet"],
            "driver": ["D", "E", "E", "D"],
            "driver_level": ["club", "expert", "expert", "club"],
        }
    )
    (entry,) = entries_of(laps, "dry").to_dict("records")
    assert entry["mod_engine"] == 2
    assert entry["tyre_category"] == "track-day"  # the latest on a dry track
    assert entry["driver"] == "D"  # two laps each: the latest
    assert entry["driver_level"] == "club"


def test_adjusted_times_order_the_field_as_its_clean_laps_do(large):
    entries = large.entries("Invented North").set_index("build")["adjusted_s"]
    clean = large.facts.assign(centre=large.realised["centre"])
    clean = clean[(clean["circuit"] == "Invented North") & (clean["surface"] == "dry")]
    best = clean[clean["lap_kind"] == "timed"].groupby("build")["centre"].min()
    assert len(entries) == len(best)
    assert stats.spearmanr(entries, best.reindex(entries.index)).statistic > 0.85


def test_an_oracle_is_told_spreads_and_noise(club):
    oracle = club.oracle()
    assert set(oracle["sds"]) == set(SDS)
    assert set(oracle["tau"]) == set(club.facts["driver"])
    assert sum(oracle["shares"]) == pytest.approx(1)
    assert oracle["sigma"] == club.truth.noise.sigma


def _placed(season: Season) -> np.ndarray:
    """Where each ordinary lap's noise lies in the distribution of the model, 0 to 1."""
    ordinary = (season.realised["kind"] == "ordinary") & (season.facts["lap_kind"] == "timed")
    noise = (season.realised["normal"] + season.realised["delay"])[ordinary]
    sigma = season.truth.noise.sigma
    tau = season.facts["driver"].map(dict(season.truth.noise.tau))[ordinary].astype(float)
    return stats.exponnorm.cdf(noise, tau / sigma, scale=sigma)


def _echo(season: Season) -> float:
    """Rank correlation of the delays of neighbouring laps of a run, each over its driver's mean."""
    ordinary = (season.realised["kind"] == "ordinary") & (season.facts["lap_kind"] == "timed")
    facts = season.facts[ordinary]
    tau = facts["driver"].map(dict(season.truth.noise.tau)).astype(float)
    delay = season.realised.loc[ordinary, "delay"] / tau
    run = [facts[column] for column in KEY[:-1]]
    before = delay.groupby(run).shift()
    both = before.notna()
    return float(stats.spearmanr(before[both], delay[both]).statistic)
