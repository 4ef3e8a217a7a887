"""Facts that a claim leaves out, taken from where the lap table's rules allow: never a 0."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from benchmark.answers.claim_trace import TraceEvidence
from benchmark.answers.entries import MODIFICATIONS
from benchmark.intake.columns import NAMES, WEATHER
from benchmark.intake.metar import Metar, to_conditions
from benchmark.model.fit import Fit

SPECIFICATION = (*MODIFICATIONS, "induction")

Facts = dict[str, Any]


def fill_from_lap(facts: Facts, taken: dict[str, str], lap: pd.Series) -> None:
    """Take what the store has of the very lap; its uncertainty unless the claim names a method."""
    known = [c for c in NAMES if c in lap and pd.notna(lap[c])]
    if facts["timing"] is not None:
        known.remove("timing_u_s")
    _fill(facts, taken, {column: lap[column] for column in known}, "the stored lap")


def _fill(facts: Facts, taken: dict[str, str], found: Mapping[str, Any], source: str) -> None:
    """Take what is not recorded yet from another record."""
    for column, value in found.items():
        if facts.get(column) is None and value is not None and pd.notna(value):
            facts[column] = value
            taken[column] = source


def fill_from_trace(facts: Facts, taken: dict[str, str], trace: TraceEvidence | None) -> None:
    """A lap that its trace bears out is timed at least as well as by the trace."""
    if trace is None:
        return
    if facts["evidence"] is None:
        facts["evidence"] = trace.file
        taken["evidence"] = "the trace"
    untimed = facts["timing"] is None and facts["timing_u_s"] is None
    if untimed and trace.agrees and trace.timing_u_s is not None:
        found = {"timing": "gps", "timing_u_s": trace.timing_u_s}
        _fill(facts, taken, found, "the trace")


def fill_from_metar(fit: Fit, facts: Facts, taken: dict[str, str], metar: Metar | None) -> None:
    """Take the weather that a report gives; the pressure at the circuit's own height."""
    if metar is None:
        return
    altitude = facts["altitude_m"]
    if altitude is None:
        known = fit.circuits.loc[(facts["circuit"], facts["layout"]), "altitude_m"]
        altitude = float(known) if pd.notna(known) else None  # type: ignore[arg-type]
    weather = to_conditions(metar, altitude, facts["surface"])
    found = {name: getattr(weather, name) for name in WEATHER}
    _fill(facts, taken, found, "the METAR")


def fill_from_record(fit: Fit, facts: Facts, taken: dict[str, str]) -> None:
    """Facts of the car, the driver and the session, from the laps that the store has."""
    own = _in_order(fit, build=str(facts["build"]))
    until = own[own["date"] <= facts["date"]]
    record = until if len(until) else own
    if len(record):
        on_day = f"the build's latest record ({record['date'].iloc[-1]})"
        _fill(facts, taken, record[list(SPECIFICATION)].apply(_last), on_day)
        same_tyre = record[record["tyre_category"] == facts["tyre_category"]]
        if len(same_tyre):
            _fill(facts, taken, {"treadwear": _last(same_tyre["treadwear"])}, on_day)
    drove = _in_order(fit, driver=str(facts["driver"]))
    if len(drove):
        level = {"driver_level": _last(drove["driver_level"])}
        _fill(facts, taken, level, "the driver's other laps")
    same = ("circuit", "layout", "date", "session")
    session = _in_order(fit, **{name: str(facts[name]) for name in same})
    if len(session):
        _fill(facts, taken, session[list(WEATHER)].apply(_last), "the same session")


def _in_order(fit: Fit, **named: str) -> pd.DataFrame:
    """Give the runs of these names, the earliest first."""
    runs = fit.runs.iloc[fit.lookup.runs_where(**named)]
    runs = runs.assign(start_time=runs["start_time"].fillna(""))
    return runs.sort_values(["date", "start_time", "session", "run"], kind="stable")


def _last(values: pd.Series) -> Any:
    """The latest value that was recorded, or None."""
    known = values.dropna()
    return known.iloc[-1] if len(known) else None
