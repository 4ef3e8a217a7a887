"""What the record itself says of a claim: place, lap, class, tyre, timing, evidence, scope."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pandas as pd

from benchmark.answers.claim_case import USUAL_LAPS, Case, reading_of
from benchmark.answers.claim_rules import FAIL, NOTE, OK, Finding
from benchmark.answers.claim_scope import Scope, close_rivals, scope_text
from benchmark.intake.columns import BY_NAME
from benchmark.model.fit import Fit
from benchmark.trade.classes import DRY_TYRES, tyre_category_of_treadwear
from benchmark.trade.timing import format_lap_time

OLD_DAYS = 730  # a scope whose newest day is older than this is told; a choice of ours
MOST_NAMED = 40  # rivals named one by one
FEW_ENTRIES = 3  # rivals below which "fastest of its class" says little; a choice of ours
WHAT_TO_RECORD = (
    "timing", "session", "lap", "driver_level", "induction", "treadwear", "tyre_heat_cycles",
    "air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct",
)  # fmt: skip


def record_findings(fit: Fit, case: Case, scope: Scope) -> list[Finding]:
    """Every finding that needs no model."""
    return [
        *_place(fit, case),
        *_flying(case),
        *_car(fit, case),
        *_class(case),
        *_tyre(case),
        *_timing(case),
        *_evidence(case),
        *_surface(case),
        *_weather(case),
        *_unrecorded(case),
        *_scope(case, scope),
        *_rivals(case, scope),
    ]


def flying_fault(case: Case) -> str | None:
    """Why the lap is no counted flying lap, or None."""
    if case.facts["lap_kind"] != "timed":
        return f"a lap of kind {case.facts['lap_kind']} does not count; only timed flying laps do"
    if case.facts["lap"] == 1:
        return "lap 1 starts from the pit exit; only laps between two crossings at speed count"
    return None


def class_fault(case: Case) -> str | None:
    """Why the car is not of the class that was claimed, or None."""
    claimed = case.claim.claimed_class
    if claimed is None or claimed == case.real_class:
        return None
    return f"claimed in class {claimed}, but the specification is of class {case.real_class}"


def tyre_fault(case: Case) -> str | None:
    """Why the tyre is not of the category that was claimed, or None.

    A grade checks a category where the scope or the claim turns on the tyre; elsewhere it is told
    as a note.
    """
    tyre, claimed = case.facts["tyre_category"], case.claim.claimed_tyre
    if claimed is not None and claimed != tyre:
        return f"claimed on {claimed} tyres, but driven on {tyre} tyres"
    if claimed is not None or "tyre" in case.claim.scope:
        return _softer_grade(case)
    return None


def _softer_grade(case: Case) -> str | None:
    """The words where the grade points to a softer category than the one declared."""
    tyre, grade = str(case.facts["tyre_category"]), case.facts["treadwear"]
    if grade is None or tyre not in DRY_TYRES[:3]:
        return None
    points_to = tyre_category_of_treadwear(int(grade))
    if DRY_TYRES.index(points_to) <= DRY_TYRES.index(tyre):
        return None
    return f"declared as {tyre}, but a treadwear grade of {grade:.0f} points to {points_to}"


def _place(fit: Fit, case: Case) -> Iterator[Finding]:
    circuit, layout = case.where
    runs = fit.runs.iloc[fit.lookup.runs_of("circuit", circuit)]
    others = sorted(set(runs["layout"]) - {layout})
    more = f"; laps of {', '.join(others)} are not compared" if others else ""
    yield Finding("circuit and layout", OK, f"{circuit}, layout {layout}, is known{more}")


def _flying(case: Case) -> Iterator[Finding]:
    fault = flying_fault(case)
    if fault:
        yield Finding("flying lap", FAIL, fault)
    elif case.facts["lap"] is None:
        yield Finding(
            "flying lap", NOTE, "the lap's number is not recorded; it is taken as a flying lap"
        )
    else:
        yield Finding("flying lap", OK, f"lap {case.facts['lap']} of its run, a timed flying lap")


def _car(fit: Fit, case: Case) -> Iterator[Finding]:
    entry = fit.entries[fit.entries["build"] == case.build]
    if entry.empty:
        detail = "the store has no lap of this car: it is taken as one of its model, unknown else"
        yield Finding("car", NOTE, detail)
    elif entry["model"].iloc[0] != case.facts["model"]:
        known = entry["model"].iloc[0]
        detail = f"the store knows {case.build} as a {known}, not a {case.facts['model']}"
        yield Finding("car", NOTE, detail)
    if case.facts["model"] not in fit.whole.names["model"]:
        yield Finding("car", NOTE, f"the store has no lap of a {case.facts['model']}")


def _class(case: Case) -> Iterator[Finding]:
    levels = ", ".join(f"{area} as {level}" for area, level in case.usual.items())
    taken = f"; not recorded, so taken as most common for this model: {levels}" if levels else ""
    fault = class_fault(case)
    if fault:
        yield Finding("class", FAIL, f"{fault}{taken}")
        return
    source = {case.taken.get(f"mod_{a}") for a in ("engine", "suspension", "weight")} - {None}
    told = f"; levels from {', '.join(sorted(filter(None, source)))}" if source else ""
    detail = f"the specification gives class {case.real_class}{told}{taken}"
    yield Finding("class", NOTE if levels else OK, detail)


def _tyre(case: Case) -> Iterator[Finding]:
    tyre, grade = case.facts["tyre_category"], case.facts["treadwear"]
    fault = tyre_fault(case)
    if fault:
        yield Finding("tyre", FAIL, fault)
    elif softer := _softer_grade(case):
        yield Finding("tyre", NOTE, f"{softer}; the scope does not turn on the tyre")
    elif grade is None:
        told = "" if tyre in ("slick", "wet") else "; its treadwear grade is not recorded"
        yield Finding("tyre", OK if not told else NOTE, f"{tyre} tyres{told}")
    else:
        yield Finding("tyre", OK, f"{tyre} tyres, treadwear {grade:.0f}")


def _timing(case: Case) -> Iterator[Finding]:
    method = case.facts["timing"]
    given = case.facts["timing_u_s"] is not None
    source = case.taken.get("timing_u_s") or ("as given" if given else "usual for the method")
    if method is None and not given:
        source = "the timing method is not recorded, so it counts as by stopwatch"
    reading_s = reading_of(case.claim.texts["lap_time"])
    coarse = f", with {reading_s:.3f} s for a time written so coarsely" if reading_s else ""
    detail = (
        f"{method or 'method not recorded'}: standard uncertainty {case.timing_u_s:.3f} s of the "
        f"lap ({source}{coarse})"
    )
    yield Finding("timing", NOTE if method is None and not given else OK, detail)


def _evidence(case: Case) -> Iterator[Finding]:
    trace = case.claim.trace
    if case.stored_run is not None:
        yield Finding("evidence", OK, "the lap is in the store, from a timing sheet handed in")
    elif case.facts["evidence"]:
        yield Finding("evidence", OK, f"supported by {case.facts['evidence']}")
    else:
        yield Finding("evidence", NOTE, "nothing supports the lap; ask for a sheet, trace or video")
    if trace is not None:
        yield Finding("evidence", OK, f"trace {trace.file}, SHA-256 {trace.sha256[:16]}...")
        yield from trace.findings


def _surface(case: Case) -> Iterator[Finding]:
    given = "surface" in case.claim.texts or case.stored_run is not None
    told = "" if given else " (not given, so taken as dry)"
    detail = f"{case.surface}{told}; only laps on such a surface are compared"
    yield Finding("surface", OK if given else NOTE, detail)


def _weather(case: Case) -> Iterator[Finding]:
    if case.metar is None:
        return
    left_out = [*case.metar.missing, "track temperature", "surface"]
    if case.facts["pressure_hpa"] is None:
        left_out.append("pressure at the circuit, whose height is not recorded")
    when = (
        "" if case.metar.hour is None else f" of {case.metar.hour:02d}:{case.metar.minute:02d} UTC"
    )
    detail = f"METAR{when}; it does not tell: {', '.join(left_out)}"
    yield Finding("weather report", NOTE, detail)


def _unrecorded(case: Case) -> Iterator[Finding]:
    missing = [BY_NAME[name].noun for name in WHAT_TO_RECORD if _is_missing(case, name)]
    if missing:
        detail = f"{', '.join(missing)}: estimated from what is usual, which widens the intervals"
        yield Finding("not recorded", NOTE, detail)
    if case.laps_unseen > 1:
        said = (
            "as said"
            if case.claim.flying_laps
            else f"not said of how many, so {USUAL_LAPS} is taken"
        )
        detail = f"the lap counts as the best of {case.flying_laps} flying laps that day ({said})"
        yield Finding("best of several", NOTE, detail)


def _is_missing(case: Case, name: str) -> bool:
    if name == "treadwear" and case.facts["tyre_category"] in ("slick", "wet"):
        return False
    if name == "timing" and case.facts["timing_u_s"] is not None:
        return False
    return case.facts[name] is None


def _scope(case: Case, scope: Scope) -> Iterator[Finding]:
    where = f"{scope_text(scope.what)} at {case.where[0]}, layout {case.where[1]}"
    if scope.best.empty:
        yield Finding("scope", NOTE, f"no other car of {where} has a counted {case.surface} lap")
        return
    days = scope.days
    age = (date.fromisoformat(str(case.facts["date"])) - date.fromisoformat(days[-1][:10])).days
    when = f"the newest {age} days before the claim" if age > 0 else "up to the day of the claim"
    builds = len(scope.best)
    detail = (
        f"{where}: {_count(builds, 'other car')}, {_count(scope.laps, 'counted lap')} on "
        f"{_count(len(days), 'day')}, {days[0]:.10} to {days[-1]:.10}, {when}"
    )
    few = f"; with so few, a quicker lap that nobody collected is likely (under {FEW_ENTRIES} cars)"
    thin = builds < FEW_ENTRIES
    yield Finding("scope", NOTE if thin or age > OLD_DAYS else OK, detail + (few if thin else ""))


def _rivals(case: Case, scope: Scope) -> Iterator[Finding]:
    if scope.best.empty:
        return
    close = close_rivals(scope, case.lap_time_s)
    told = [_rival_text(row, case.lap_time_s) for _, row in close.head(MOST_NAMED).iterrows()]
    more = f"; and {len(close) - MOST_NAMED} more" if len(close) > MOST_NAMED else ""
    if told:
        yield Finding("rivals within 1 %", NOTE, "; ".join(told) + more)
    else:
        yield Finding("rivals within 1 %", OK, "no other car in scope came within 1 %")


def _rival_text(row: pd.Series, claimed_s: float) -> str:
    off = row["lap_time_s"] - claimed_s
    return (
        f"{row['build']} {format_lap_time(row['lap_time_s'])} ({off:+.3f} s, {row['date']!s:.10}, "
        f"{row['tyre_category']}, {row['driver']})"
    )


def _count(number: int, one: str) -> str:
    return f"{number:,} {one if number == 1 else one + 's'}"
