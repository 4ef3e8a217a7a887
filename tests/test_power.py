"""Power correction against the worked values of named standards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmark.errors import BadValue
from benchmark.trade.classes import INDUCTIONS
from benchmark.trade.power import (
    POWER_STANDARDS,
    din_70020,
    dry_pressure,
    engine_factor,
    iso_1585_diesel,
    iso_1585_spark,
    power_correction,
    sae_j607,
    sae_j1349,
)
from tests.reference import power

PRINTED = 0.0005


@pytest.mark.parametrize(
    "row", power.WORKED, ids=lambda row: f"{row[0]} hPa, {row[1]} C, {row[2]} %"
)
def test_worked_values_of_the_standards_come_out(row):
    pressure_hpa, temp_c, humidity_pct, dry_hpa, sae, spark, turbo, din, std = row
    dry = dry_pressure(temp_c, pressure_hpa, humidity_pct)
    assert dry == pytest.approx(dry_hpa, abs=0.005)
    assert sae_j1349(temp_c, dry) == pytest.approx(sae, abs=PRINTED)
    assert iso_1585_spark(temp_c, dry) == pytest.approx(spark, abs=PRINTED)
    assert iso_1585_diesel(temp_c, dry, 0.3, turbocharged=True) == pytest.approx(turbo, abs=PRINTED)
    assert din_70020(temp_c, pressure_hpa) == pytest.approx(din, abs=PRINTED)
    assert sae_j607(temp_c, dry) == pytest.approx(std, abs=PRINTED)


@pytest.mark.parametrize(
    "row", power.WORKED, ids=lambda row: f"{row[0]} hPa, {row[1]} C, {row[2]} %"
)
def test_a_natural_engine_follows_sae_and_a_boosted_one_the_turbo_form(row):
    pressure_hpa, temp_c, humidity_pct, _, sae, _, turbo, _, _ = row
    weather = (temp_c, pressure_hpa, humidity_pct)
    assert power_correction(*weather, "natural") == pytest.approx(sae, abs=PRINTED)
    assert power_correction(*weather, "boosted") == pytest.approx(turbo, abs=PRINTED)


@pytest.mark.parametrize("induction", INDUCTIONS)
def test_at_the_reference_the_factor_is_exactly_one(induction):
    assert power_correction(25.0, 990.0, 0.0, induction) == 1.0
    assert POWER_STANDARDS[induction]


def test_the_old_rules_are_one_at_their_own_references():
    assert din_70020(20.0, 1013.25) == pytest.approx(1, abs=1e-12)
    assert sae_j607((60 - 32) / 1.8, 1013.25) == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize("row", power.WORKED)
def test_sae_hardly_moves_with_the_unrounded_efficiency(row):
    _, temp_c, _, dry_hpa, *_ = row
    ratio = 990 / dry_hpa * np.sqrt((temp_c + 273) / 298)
    assert sae_j1349(temp_c, dry_hpa) == pytest.approx(ratio / 0.85 - 0.15 / 0.85, abs=0.0004)


@given(st.floats(0, 40), st.floats(850, 1050), st.floats(0, 95), st.sampled_from(INDUCTIONS))
def test_hotter_thinner_or_damper_air_always_costs_power(temp_c, pressure_hpa, humidity_pct, how):
    factor = power_correction(temp_c, pressure_hpa, humidity_pct, how)
    assert power_correction(temp_c + 1, pressure_hpa, humidity_pct, how) > factor
    assert power_correction(temp_c, pressure_hpa - 1, humidity_pct, how) > factor
    assert power_correction(temp_c, pressure_hpa, humidity_pct + 1, how) > factor


def test_ten_degrees_cost_a_boosted_engine_less_than_a_natural_one():
    def cost(induction):
        return power_correction(30, 990, 0, induction) - power_correction(20, 990, 0, induction)

    assert cost("natural") == pytest.approx(0.0198, abs=0.0002)  # 1.18 x 10 / (2 x 298)
    assert cost("boosted") == pytest.approx(0.0151, abs=0.0002)  # 0.3 x 1.5 x 10 / 298


@pytest.mark.parametrize(("document", "fuel", "expected"), power.ENGINE_FACTORS)
def test_the_engine_factor_follows_its_document(document, fuel, expected):
    assert engine_factor(fuel, document) == pytest.approx(expected, abs=1e-9)


def test_a_diesel_without_turbocharger_loses_its_power_with_the_pressure():
    # f_a = (99/p_s)(T/298)^0.7, so with f_m = 1 a tenth less pressure is 1/0.9.
    assert iso_1585_diesel(25, 891, 1.0, turbocharged=False) == pytest.approx(1 / 0.9)


def test_columns_with_gaps_are_computed_in_one_go():
    factors = power_correction(np.array([25.0, np.nan]), 990.0, 0.0, "boosted")
    assert factors == pytest.approx([1, np.nan], nan_ok=True)
    assert isinstance(power_correction(25, 990, 0, "natural"), float)


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda: power_correction(25, 990, 0, "steam"), '"steam" is no induction; use natural or'),
        (lambda: power_correction(25, 99, 0, "natural"), "pressure 99 hPa is outside 500 to 1100"),
        (lambda: sae_j1349(25, 99), "dry pressure 99 hPa is outside 300 to 1100 hPa"),
        (lambda: engine_factor(50, "DIN"), '"DIN" has no engine factor; use UN R85, ISO 1585'),
    ],
)
def test_what_no_standard_covers_is_refused(ask, message):
    with pytest.raises(BadValue, match=message):
        ask()
