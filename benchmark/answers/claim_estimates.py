"""What the model says of a claim, as findings: differences in seconds, plausibility, gain, odds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from benchmark.answers.claim_case import Case
from benchmark.answers.claim_chance import Plausibility
from benchmark.answers.claim_compare import Gain, Worth
from benchmark.answers.claim_draws import FEW_EFFECTIVE, Weighed
from benchmark.answers.claim_rules import FAIL, IMPLAUSIBLE_BELOW, NOTE, OK, RARE_BELOW, Finding
from benchmark.trade.timing import format_lap_time

WORTH_TELLING_S = 0.005
TRUSTED_K_HAT = 0.7  # Vehtari and others (2024): above it, weights are unreliable
NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class Estimates:
    """What the findings are made of. Air of both laps as `claim_compare.air_of` gives it."""

    air: Mapping[str, float | None]
    standing: Mapping[str, Any] | None
    standing_air: Mapping[str, float | None]
    worths: Mapping[str, Worth]
    expected: Plausibility
    gain: Gain | None
    p_next_beats: float


def estimate_findings(case: Case, weighed: Weighed, found: Estimates) -> list[Finding]:
    """Every finding that rests on the model."""
    return [
        *_conditions(found),
        *_tyre_and_driver(case, found),
        *_plausibility(case, found.expected),
        *_gain(found.gain),
        *_next(found.p_next_beats),
        *_weights(weighed),
    ]


def _conditions(found: Estimates) -> Iterator[Finding]:
    if found.standing is None:
        yield Finding("conditions", NOTE, f"claim: {air_text(found.air)}")
        return
    sides = f"claim: {air_text(found.air)}; standing lap: {air_text(found.standing_air)}"
    told = [
        f"{name} {_worth_text(found.worths[key])}"
        for key, name in (("air", "the air"), ("track", "the track's temperature"))
        if key in found.worths
    ]
    what = f"; to the claim, {' and '.join(told)}" if told else "; what they are worth is not known"
    matters = not told or any(
        abs(found.worths[k].worth_s) > WORTH_TELLING_S
        for k in ("air", "track")
        if k in found.worths
    )
    yield Finding("conditions", NOTE if matters else OK, sides + what)


def air_text(air: Mapping[str, float | None]) -> str:
    """Write the air of a lap with units."""
    told = [
        f"{name} {value:.{digits}f}{unit}"
        for name, key, digits, unit in (
            ("air", "air_temp_c", 0, " °C"),
            ("track", "track_temp_c", 0, " °C"),
            ("density", "density_kg_m3", 3, " kg/m³"),
            ("power factor", "power_factor", 3, ""),
        )
        if (value := air.get(key)) is not None
    ]
    return ", ".join(told) or NOT_RECORDED


def _worth_text(worth: Worth) -> str:
    return f"was worth {signed(worth.worth_s)} s ({signed(worth.low_s)} to {signed(worth.high_s)})"


def _tyre_and_driver(case: Case, found: Estimates) -> Iterator[Finding]:
    if found.standing is None:
        return
    for name, column in (("tyre", "tyre_category"), ("driver", "driver")):
        mine, other = case.facts[column], found.standing[column]
        check = f"{name} difference"
        if mine == other:
            yield Finding(check, OK, f"both {mine}")
        elif name in found.worths:
            worth = _worth_text(found.worths[name])
            yield Finding(check, NOTE, f"{mine} against {other}: {worth}; it is not made equal")


def _plausibility(case: Case, expected: Plausibility) -> Iterator[Finding]:
    lap, chance = format_lap_time(case.lap_time_s), expected.p_this_quick
    detail = (
        f"of this specification, driver, tyre and day, the best of {expected.laps} flying laps was "
        f"expected from {format_lap_time(expected.low_s)} to {format_lap_time(expected.high_s)}; "
        f"{lap} or quicker had a chance of {_chance_text(chance)}"
    )
    if chance < IMPLAUSIBLE_BELOW:
        why = "look for another layout, a cut, parts not told or a fault of timing first"
        yield Finding("plausibility", FAIL, f"{detail}: {why}")
    elif chance < RARE_BELOW:
        yield Finding("plausibility", NOTE, f"{detail}: rare, and worth better evidence")
    else:
        yield Finding("plausibility", OK, detail)


def _chance_text(chance: float) -> str:
    if chance < 0.001:
        return "under 1 in 1,000"
    return f"{100 * chance:.1f} %" if chance < 0.1 else f"{100 * chance:.0f} %"


def _gain(gain: Gain | None) -> Iterator[Finding]:
    if gain is None:
        yield Finding("gain", OK, "the car has no earlier counted lap here to compare with")
        return
    parts = ", ".join(f"{cause} {signed(seconds)} s" for cause, seconds in gain.causes.items())
    detail = (
        f"{signed(gain.total_s)} s against the car's best earlier lap here "
        f"({format_lap_time(gain.earlier_s)}, {gain.earlier_date:.10}): {parts}"
    )
    yield Finding("gain", NOTE, detail)


def signed(seconds: float) -> str:
    """Write seconds with their sign, and nought without a minus."""
    return f"{round(seconds, 2) + 0.0:+.2f}"


def _next(p_next_beats: float) -> Iterator[Finding]:
    chance = _chance_text(p_next_beats)
    detail = f"the next car in scope, on a day of its own, beats this lap with a chance of {chance}"
    yield Finding("next entrant", OK, detail)


def _weights(weighed: Weighed) -> Iterator[Finding]:
    if weighed.k_hat > TRUSTED_K_HAT or weighed.effective < FEW_EFFECTIVE:
        detail = (
            f"the lap moves the estimate so far that these figures are rough: import it and fit "
            f"again for firm ones ({weighed.effective:.0f} draws of the fit speak for it, Pareto "
            f"k {weighed.k_hat:.2f})"
        )
        yield Finding("estimate", NOTE, detail)
    else:
        detail = (
            "the lap was taken among the fit's data without a new fit, which is sound here "
            f"({weighed.effective:.0f} effective draws)"
        )
        yield Finding("estimate", OK, detail)
