"""The verdict in one sentence that an owner understands."""

from __future__ import annotations

from collections.abc import Callable

from benchmark.answers.claim_case import Case
from benchmark.answers.claim_margins import Adjusted, Raw
from benchmark.answers.claim_rules import (
    AS_TIMED,
    FALLS,
    NO_COMPARISON,
    STANDS,
    TOO_CLOSE,
    Grounds,
    decide,
)
from benchmark.answers.claim_scope import Scope, scope_text
from benchmark.trade.timing import format_lap_time

EVEN = 0.5


def sentence_of(
    case: Case, scope: Scope, raw: Raw | None, adjusted: Adjusted, grounds: Grounds
) -> str:
    """Say the verdict, with the figures that it turns on."""
    who = f"{case.build}'s {format_lap_time(case.lap_time_s)}"
    among = f"among cars of {scope_text(scope.what)}"
    reasons = [*grounds.falls, *grounds.held_up]
    verdict = decide(grounds)
    if reasons and verdict in (FALLS, NO_COMPARISON):
        opening = "does not stand" if verdict == FALLS else "cannot be compared"
        return f"{who} {opening} {among}: {reasons[0]}."
    if raw is None:
        return f"{who} cannot be compared: {among} no other has a counted lap here."
    return f"{who} {SAID[verdict](among, scope, raw, adjusted)}."


def _stands(among: str, scope: Scope, raw: Raw, adjusted: Adjusted) -> str:
    return (
        f"stands as the quickest {among}: {-raw.margin_s:.3f} s quicker than {_standing(scope)} as "
        f"timed, and quickest at equal conditions with a chance of {_percent(adjusted.p_fastest)}"
    )


def _as_timed(among: str, scope: Scope, raw: Raw, adjusted: Adjusted) -> str:
    first = f"stands as timed {among}, {-raw.margin_s:.3f} s quicker than {_standing(scope)}"
    chance = _percent(adjusted.p_fastest)
    if adjusted.p_fastest < EVEN and adjusted.margin_s is not None and adjusted.margin_s > 0:
        rest = (
            f"at equal conditions {adjusted.rival} is likely {adjusted.margin_s:.2f} s quicker "
            f"(chance of this car being the quickest {chance})"
        )
    else:
        rest = f"at equal conditions the order is open (chance of being the quickest {chance})"
    return f"{first}; {rest}"


def _too_close(among: str, scope: Scope, raw: Raw, adjusted: Adjusted) -> str:
    way = "quicker" if raw.margin_s <= 0 else "slower"
    return (
        f"is too close to call {among}: {abs(raw.margin_s):.3f} s {way} than {_standing(scope)}, "
        f"with a timing uncertainty of {raw.u_s:.3f} s; the chance that it was really quicker is "
        f"{_percent(raw.p_quicker)} (at equal conditions {_percent(adjusted.p_fastest)})"
    )


def _falls(among: str, scope: Scope, raw: Raw, adjusted: Adjusted) -> str:
    return (
        f"does not stand {among}: {_standing(scope)} was {raw.margin_s:.3f} s quicker (at equal "
        f"conditions this car is the quickest with a chance of {_percent(adjusted.p_fastest)})"
    )


def _standing(scope: Scope) -> str:
    row = scope.standing
    assert row is not None  # noqa: S101 - a margin was taken from it
    return f"{row['build']}'s {format_lap_time(row['lap_time_s'])} of {row['date']!s:.10}"


def _percent(chance: float) -> str:
    if not 0.01 <= chance <= 0.99:
        return "under 1 %" if chance < EVEN else "over 99 %"
    return f"{100 * chance:.0f} %"


SAID: dict[str, Callable[[str, Scope, Raw, Adjusted], str]] = {
    STANDS: _stands,
    AS_TIMED: _as_timed,
    TOO_CLOSE: _too_close,
    FALLS: _falls,
}
