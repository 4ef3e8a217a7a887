"""One outing from what a person gave, the same from the command line and from a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import BadValue, Fault, FaultyFile, NoStore
from benchmark.intake.cells import clean
from benchmark.intake.outing import (
    NAME,
    Outing,
    OutingLap,
    from_pasted,
    from_trace,
    make_outing,
    weather_from_metar,
)
from benchmark.intake.pasted import NAME as PASTED
from benchmark.intake.pasted import Pasted, read_pasted
from benchmark.show.claiming import TraceFile
from benchmark.show.output import Column

if TYPE_CHECKING:
    from benchmark.intake.crossing import TimingLine
    from benchmark.intake.trace import TracedLap

FIRST_OF_TRACE = 2  # the receiver runs from the pits on: the out lap ends at the line


@dataclass(frozen=True, slots=True)
class TracedOuting:
    """Laps that a trace proposes, and what a person has to know of them."""

    laps: list[OutingLap]
    traced: Sequence[TracedLap]
    line: str
    words: list[str]


def facts_known(db: Path, given: Mapping[str, str | None]) -> dict[str, str]:
    """Give what the store knows of the build, the driver and the circuit that are named."""
    from benchmark.store.latest import altitude_of, latest_facts, level_of
    from benchmark.store.store import Store

    build, driver, circuit = (clean(given.get(n) or "") for n in ("build", "driver", "circuit"))
    try:
        with Store.open(db) as store:
            facts = latest_facts(store, build) if build else {}
            level = level_of(store, driver) if driver else None
            height = altitude_of(store, circuit) if circuit else None
    except NoStore:
        return {}
    if level is not None:
        facts["driver_level"] = level
    return facts if height is None else {**facts, "altitude_m": f"{height:g}"}


def filled(
    given: Mapping[str, str | None], known: Mapping[str, str], metar: str | None
) -> tuple[dict[str, str], list[str]]:
    """Fill in what was not given, from a METAR and from the build's record; say what was.

    Raises
    ------
    FaultyFile
        The METAR is none.
    """
    facts = {name: text for name, text in given.items() if text is not None and text.strip()}
    words = []
    taken = {name: text for name, text in sorted(known.items()) if name not in facts}
    if taken:
        words.append(f"from the latest record: {_listed(taken)}")
    facts = {**taken, **facts}
    if metar and metar.strip():
        weather = weather_from_metar(metar, facts.get("altitude_m"), facts.get("surface"))
        reported = {name: text for name, text in weather.items() if name not in facts}
        words.append(f"from the METAR: {_listed(reported) or 'nothing that was not given'}")
        if "pressure_hpa" not in facts and "pressure_hpa" not in weather:
            words.append("the station pressure needs the circuit's altitude: it stays unknown")
        facts = {**reported, **facts}
    return facts, words


def _listed(facts: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {text}" for name, text in facts.items())


def pasted_laps(text: str, first_lap: int = 1) -> Pasted:
    """Read pasted lap times.

    Raises
    ------
    FaultyFile
        The text as a whole holds no lap times; faults of single laps stand with them.
    """
    try:
        return read_pasted(text, first_lap=first_lap)
    except BadValue as bad:
        value = " ".join(text.split())[:40]
        raise FaultyFile([Fault(PASTED, None, "lap_time", value, str(bad))]) from bad


def traced_laps(
    db: Path, file: TraceFile, circuit: str, layout: str, first_lap: int | None
) -> TracedOuting:
    """Find laps in a trace, by the line given, else the stored one, else a proposed one.

    Raises
    ------
    FaultyFile, BadQuestion
        The trace cannot be used, holds no lap, or the line is none.
    """
    from benchmark.intake.trace import TimingLine, find_laps, parse_trace, propose_line

    trace = parse_trace(file.name, file.data)
    line = TimingLine.parse(file.line) if file.line else _stored_line(db, circuit, layout)
    proposed = line is None
    line = line or propose_line(trace)
    laps = find_laps(trace, line)
    if not laps:
        message = "does not cross the timing line twice; check the circuit, the layout or the line"
        raise FaultyFile([Fault(file.name, None, "laps", "0", message)])
    words = [f"{file.name}: {len(laps)} laps by the {line.origin} timing line {line}"]
    if proposed:
        words.append(
            "the line was proposed from the trace, so the laps begin elsewhere than the "
            "organiser's: keep the line with `benchmark timing-line` where it is known"
        )
    words += [f"lap {lap.lap} of the trace: {fault}" for lap in laps for fault in lap.faults]
    first = FIRST_OF_TRACE if first_lap is None else first_lap
    return TracedOuting(from_trace(laps, first), laps, str(line), words)


def _stored_line(db: Path, circuit: str, layout: str) -> TimingLine | None:
    from benchmark.intake.crossing import TimingLine
    from benchmark.store.claims import stored_line
    from benchmark.store.store import Store

    try:
        with Store.open(db) as store:
            known = stored_line(store, circuit, layout)
    except NoStore:
        return None
    return TimingLine.parse(known.line, "stored") if known else None


def understood(pasted: Pasted) -> list[Column]:
    """Show each pasted lap as it was understood, or what is wrong with it."""
    laps = pasted.laps
    return [
        Column("Place", [str(lap.position) for lap in laps], right=True),
        Column("As pasted", [" ".join(lap.text.split())[:60] for lap in laps]),
        Column("Lap", ["" if lap.lap is None else str(lap.lap) for lap in laps], right=True),
        Column("Time", [lap.lap_time for lap in laps], right=True),
        Column("Kind", ["" if lap.fault else lap.kind for lap in laps]),
        Column("Note, or what to mend", [lap.fault or lap.question or lap.note for lap in laps]),
    ]


def proposed_columns(traced: TracedOuting) -> list[Column]:
    """Show each lap that a trace proposes."""
    pairs = list(zip(traced.laps, traced.traced, strict=True))
    return [
        Column("Lap", [lap.lap for lap, _ in pairs], right=True),
        Column("Time", [lap.lap_time for lap, _ in pairs], right=True),
        Column("Uncertainty, s", [lap.timing_u_s for lap, _ in pairs], right=True),
        Column("Path, m", [f"{found.path_length_m:.0f}" for _, found in pairs], right=True),
        Column("What to look at", ["; ".join(found.faults) for _, found in pairs]),
    ]


def passed_over_lines(pasted: Pasted) -> list[str]:
    """Name the lines that hold no lap."""
    return [
        f'line {over.line} passed over, "{" ".join(over.text.split())[:60]}": {over.why}'
        for over in pasted.passed_over
    ]


def outing_from_pasted(facts: Mapping[str, str | None], pasted: Pasted) -> Outing:
    """Make an outing of laps that were pasted.

    Raises
    ------
    FaultyFile
        A lap was not understood, or there is none.
    """
    if pasted.faults:
        raise FaultyFile(pasted.faults)
    return make_outing(facts, from_pasted(pasted))


def outing_from_trace(facts: Mapping[str, str | None], traced: TracedOuting) -> Outing:
    """Make an outing of laps that a trace proposes, timed by gps where nothing else is said.

    Raises
    ------
    FaultyFile
        There is no lap.
    """
    return make_outing({"timing": "gps", **facts}, traced.laps)


def called(facts: Mapping[str, str]) -> str:
    """Give what an outing is called in words: build, circuit, date and session."""
    parts = [facts.get(name, "") for name in ("build", "circuit", "date", "session")]
    return ", ".join([NAME, *(" ".join(part.split())[:40] for part in parts if part)])
