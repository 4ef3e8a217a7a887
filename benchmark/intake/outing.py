"""One outing of one build, typed into a form: made a lap table, and read as any other.

What the form asks goes into the rows of a CSV file and through the same checks, so that nothing
gets in by a form that would not get in by a file, and a fault names the field.
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from benchmark.errors import BadValue, Fault, FaultyFile
from benchmark.intake.columns import BY_NAME, NAMES, FactOf, Kind
from benchmark.intake.formulas import guarded
from benchmark.intake.laptable import LapFile, read_lap_table
from benchmark.intake.metar import read_metar, to_conditions
from benchmark.intake.pasted import Pasted
from benchmark.intake.trace import TracedLap
from benchmark.trade.conditions import Conditions
from benchmark.trade.timing import format_lap_time

PER_LAP = ("lap", "lap_time", "lap_kind", "timing_u_s")
FIELDS = tuple(name for name in NAMES if name not in PER_LAP)
NAME = "outing"


@dataclass(frozen=True, slots=True)
class OutingLap:
    """One lap as the form has it: texts, as they would stand in a lap table."""

    lap: str
    lap_time: str
    lap_kind: str = "timed"
    timing_u_s: str = ""


@dataclass(frozen=True, slots=True)
class Outing:
    """An outing as a lap table: the file that was made, and what was read of it.

    `body` is the CSV, so that whoever hands it in for a steward to rule on hands in a file.
    """

    lap_file: LapFile
    body: bytes


def make_outing(facts: Mapping[str, str | None], laps: Sequence[OutingLap]) -> Outing:
    """Make a lap table of one outing and read it, with every fault of it.

    Parameters
    ----------
    facts : texts by the names of the lap table's columns; one that is absent or empty is not
        recorded, or takes the column's default.
    laps : at least one.

    Raises
    ------
    FaultyFile
        There is no lap, or a fact that no outing has.
    """
    strange = sorted(set(facts) - set(FIELDS))
    if strange or not laps:
        column = strange[0] if strange else "lap_time"
        message = "is no fact of an outing" if strange else "no lap was given; paste lap times"
        raise FaultyFile([Fault(NAME, None, column, "", message)])
    body = _csv(facts, laps)
    with tempfile.TemporaryDirectory(prefix="outing-") as folder:
        path = Path(folder) / "outing.csv"
        path.write_bytes(body)
        read = read_lap_table(path, name=NAME)
    return Outing(replace(read, faults=list(_by_field(read.faults))), body)


def _csv(facts: Mapping[str, str | None], laps: Iterable[OutingLap]) -> bytes:
    """Write every column: a missing column of a modification would mean 0."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(NAMES)
    for lap in laps:
        row = {**facts, **{name: getattr(lap, name) for name in PER_LAP}}
        texts = {name: row.get(name) or "" for name in NAMES}
        writer.writerow([_cell(name, text) for name, text in texts.items()])
    # Half of a pair of surrogates is no text; what stays of it is refused when it is read.
    return out.getvalue().encode("utf-8", "surrogatepass")


def _cell(name: str, text: str) -> str:
    return guarded(text) if BY_NAME[name].kind is Kind.TEXT else text


def _by_field(faults: Iterable[Fault]) -> Iterable[Fault]:
    """Tell a fault of a field once, not once a lap."""
    told = set()
    for fault in faults:
        column = BY_NAME.get(fault.column)
        of_lap = column is None or column.fact_of is FactOf.LAP or fault.column == "lap"
        if of_lap and fault.column in (*PER_LAP, "-"):
            yield fault
        elif (fault.column, fault.message) not in told:
            told.add((fault.column, fault.message))
            yield replace(fault, row=None)


def from_pasted(pasted: Pasted) -> list[OutingLap]:
    """Give the laps of a pasted text that were understood."""
    return [
        OutingLap(str(lap.lap), lap.lap_time, lap.kind) for lap in pasted.laps if lap.fault is None
    ]


def from_trace(laps: Sequence[TracedLap], first_lap: int) -> list[OutingLap]:
    """Give the laps that a trace proposes, numbered on from `first_lap`.

    A receiver that runs from the pits on meets the line at the end of the out lap, so the first
    lap of a trace is mostly lap 2.
    """
    return [
        OutingLap(
            str(first_lap + place),
            format_lap_time(round(lap.lap_time_s, 4), 4),
            "timed",
            f"{lap.timing_u_s:.3g}" if lap.timing_u_s > 0 else "",
        )
        for place, lap in enumerate(laps)
    ]


def weather_from_metar(text: str, altitude: str | None, surface: str | None) -> dict[str, str]:
    """Give the weather of a pasted METAR as texts of the lap table.

    Parameters
    ----------
    altitude : height of the circuit, as the field has it; without it the station pressure stays
        unknown. [m]

    Raises
    ------
    FaultyFile
        The text is no METAR, or the altitude is none.
    """
    try:
        height = float(altitude.replace(",", ".")) if altitude and altitude.strip() else None
        conditions = to_conditions(read_metar(text), height, surface or "dry")
    except ValueError as bad:  # BadValue is one too
        column = "metar" if isinstance(bad, BadValue) else "altitude_m"
        message = str(bad) if isinstance(bad, BadValue) else "is not a number; write metres"
        value = " ".join((text if column == "metar" else altitude or "").split())[:80]
        raise FaultyFile([Fault(NAME, None, column, value, message)]) from bad
    return _texts(conditions)


def _texts(conditions: Conditions) -> dict[str, str]:
    """Write what a report knows, to the digits that it can have."""
    found = {
        "air_temp_c": conditions.air_temp_c,
        "pressure_hpa": conditions.pressure_hpa,
        "humidity_pct": conditions.humidity_pct,
        "wind_mps": conditions.wind_mps,
    }
    return {name: f"{value:.1f}" for name, value in found.items() if value is not None}
