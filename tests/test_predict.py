"""Questions to a fit: parts add up, unseen names cancel, bytes keep everything."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from benchmark.model.fit import Fit
from benchmark.model.frame import MODS
from benchmark.model.pace import fit
from benchmark.model.posterior import p_fastest, rank_sets

# Invented names throughout.
FACTS = {"circuit": "Foxdale", "layout": "full", "date": "2025-05-04", "session": "S1", "run": 1,
         "model": "Invented Wren", "tyre_category": "sport", "induction": "natural"}  # fmt: skip


def entry_laps(
    build: str, driver: str, times: list[float], **facts: object
) -> list[dict[str, object]]:
    return [
        {**FACTS, "build": build, "driver": driver, "lap": lap, "lap_time_s": time, **facts}
        for lap, time in enumerate(times, start=2)
    ]


@pytest.fixture(scope="module")
def small() -> Fit:
    """Four entries with six laps each, and one that ran a single lap, the quickest of all."""
    steady = np.array([0.0, 0.2, 0.5, 0.1, 0.3, 0.9])
    rows = [
        *entry_laps("Red", "Ada", list(100.0 + steady)),
        *entry_laps("Blue", "Bo", list(100.2 + steady), driver_level="club", mod_engine=1),
        *entry_laps(
            "Green", "Cy", list(100.6 + steady), air_temp_c=12.0, induction=None, mod_engine=np.nan
        ),
        *entry_laps("White", "Di", list(101.5 + steady), tyre_heat_cycles=9, treadwear=200),
        *entry_laps("One Lap", "Ed", [99.9]),
    ]
    return fit(pd.DataFrame(rows), draws=200)


AT_FOXDALE = {"circuit": "Foxdale", "build": "Red", "driver": "Ada", "tyre_category": "sport",
              "induction": "natural", **dict.fromkeys(MODS, 0)}  # fmt: skip


def row(**facts: object) -> dict[str, object]:
    return {**AT_FOXDALE, **facts}


ROWS = pd.DataFrame(
    [
        row(),
        row(build="Blue", driver="Bo", mod_engine=2, air_temp_c=5.0),
        row(build="Never Seen", driver="Nobody", model="Invented Finch"),
        row(surface="wet", tyre_category="wet", track_temp_c=12.0, lap=5),
        row(driver=None, driver_level="professional", tyre_heat_cycles=20, treadwear=100),
    ]
)


def test_the_parts_add_up_to_the_log_time(small: Fit) -> None:
    parts = small.parts(ROWS)
    np.testing.assert_allclose(sum(parts.values()), small.log_time(ROWS), rtol=1e-12)
    assert all(part.shape == (small.draws, len(ROWS)) for part in parts.values())


def test_the_parts_of_the_laps_seen_give_times_near_those_laps(small: Fit) -> None:
    laps = small.laps[small.laps["lap"] == 2].reset_index(drop=True)
    rows = small.runs.loc[laps["run_id"]].reset_index(drop=True)
    rows["run_id"], rows["lap"] = laps["run_id"], laps["lap"]
    found = np.exp(np.median(sum(small.parts(rows).values()), axis=0))
    # A lap spreads by about 1 % around its centre.
    np.testing.assert_allclose(found, laps["lap_time_s"], rtol=0.015)


def test_a_name_never_seen_cancels_in_a_difference(small: Fit) -> None:
    unseen = {"driver": "Nobody", "driver_level": "club", "build": "Never Seen",
              "model": "Invented Finch"}  # fmt: skip
    both = pd.DataFrame([row(**unseen), row(**unseen, air_temp_c=5.0)])
    known = pd.DataFrame([row(), row(air_temp_c=5.0)])
    new, old = small.log_time(both), small.log_time(known)
    np.testing.assert_allclose(new[:, 1] - new[:, 0], old[:, 1] - old[:, 0], atol=1e-12)
    assert new[:, 0].std() > 2 * (new[:, 1] - new[:, 0]).std()


def test_two_names_never_seen_differ(small: Fit) -> None:
    both = pd.DataFrame([row(driver="Nobody"), row(driver="Somebody")])
    found = small.log_time(both)
    assert np.ptp(found[:, 1] - found[:, 0]) > 0


def test_a_missing_fact_is_the_reference(small: Fit) -> None:
    stated = pd.DataFrame(
        [row(air_temp_c=20.0, track_temp_c=30.0, humidity_pct=50.0, surface="dry", lap=2,
             tyre_heat_cycles=2, layout="full",
             pressure_hpa=float(small.circuits["pressure_hpa"].iloc[0]))]
    )  # fmt: skip
    np.testing.assert_allclose(
        small.log_time(pd.DataFrame([row()])), small.log_time(stated), atol=1e-9
    )


def test_an_answer_for_a_row_does_not_hang_on_the_rows_beside_it(small: Fit) -> None:
    together = small.log_time(ROWS)
    for k in range(len(ROWS)):
        np.testing.assert_allclose(small.log_time(ROWS.iloc[[k]])[:, 0], together[:, k], rtol=1e-12)


def test_chance_widens_and_leaves_the_centre(small: Fit) -> None:
    rows = pd.DataFrame([row()])
    still = small.log_time(rows)
    spread = small.log_time(rows, chance=("day", "session", "outing")) - still
    size = np.sqrt(sum(np.mean(small.sds[g].astype(float) ** 2) for g in ("day", "session",
                                                                        "outing")))  # fmt: skip
    # 200 draws: 5 % on a standard deviation, more with long tails.
    assert spread.std() == pytest.approx(size, rel=0.3)
    assert abs(spread.mean()) < 4 * size / np.sqrt(small.draws)


def test_a_fit_comes_back_from_its_bytes_unchanged(small: Fit) -> None:
    back = Fit.from_bytes(small.to_bytes())
    np.testing.assert_array_equal(back.log_time(ROWS), small.log_time(ROWS))
    pd.testing.assert_frame_equal(back.runs, small.runs, check_dtype=False)
    pd.testing.assert_frame_equal(back.laps, small.laps, check_dtype=False)
    pd.testing.assert_frame_equal(back.entries, small.entries, check_dtype=False)
    assert (back.fit_id, back.warnings, back.seed) == (small.fit_id, small.warnings, small.seed)
    assert Fit.from_bytes(back.to_bytes()).to_bytes() == back.to_bytes()


def test_bytes_of_another_version_are_refused(small: Fit, monkeypatch: pytest.MonkeyPatch) -> None:
    data = small.to_bytes()
    monkeypatch.setattr("benchmark.model.fit.FORMAT", 99)
    with pytest.raises(ValueError, match="fit again"):
        Fit.from_bytes(data)


def test_one_quickest_lap_proves_no_first_place(small: Fit) -> None:
    # In a Plackett-Luce ranking of 36 races the top two had run once each (Hunter, Ann. Stat. 32,
    # 2004, table 2). The entry here ran one lap, the quickest of all: it may stand first by its
    # median, but not alone, and less is known of it than of those with six laps.
    builds = ["Red", "Blue", "Green", "White", "One Lap"]
    asked = ["circuit", "layout", "build", "driver", "model", "induction", "tyre_category", *MODS]
    found = small.log_time(small.runs.set_index("build").loc[builds].reset_index()[asked])
    low, high = rank_sets(found)
    assert low[-1] == 1
    assert high[-1] > 1
    assert p_fastest(found)[-1] < 0.75
    apart = found - found[:, [0]]
    assert apart[:, -1].std() > 1.05 * apart[:, 1].std()


def test_noise_of_a_lap_is_a_normal_and_a_delay(small: Fit) -> None:
    drawn = small.lap_noise(["Ada"], np.random.default_rng(1), laps=200)
    noise = small.posterior.noise
    ada = [name[0] for name in small.levels["driver"]].index("Ada")
    tau, sigma = noise["tau"][:, ada].astype(float), noise["sigma"].astype(float)
    assert drawn.shape == (small.draws, 1, 200)
    # Mean tau, variance sigma² + tau² (exponentially modified Gaussian); 40,000 laps.
    assert drawn.mean() == pytest.approx(tau.mean(), rel=0.05)
    assert drawn.var() == pytest.approx((sigma**2 + tau**2).mean() + tau.var(), rel=0.1)
