"""A claim as it was handed in, and the case made of it: every fact, and where it is from.

What is not given comes from the lap itself where it is in the store, facts of the car from the
build's latest record up to that day, a driver's level from the driver's other laps, weather from
the same session; the rest is not recorded, never 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from benchmark.answers.claim_record import (
    Facts,
    fill_from_lap,
    fill_from_metar,
    fill_from_record,
    fill_from_trace,
)
from benchmark.answers.claim_trace import TraceEvidence
from benchmark.answers.entries import (
    LAP_ORDER,
    check_known,
    check_place,
    class_of,
    usual_levels,
)
from benchmark.errors import BadQuestion, BadValue
from benchmark.intake.cells import read_value
from benchmark.intake.columns import BY_NAME, NAMES
from benchmark.intake.metar import Metar, read_metar
from benchmark.model.fit import Fit
from benchmark.trade.classes import AREAS, CLASSES, TYRE_CATEGORIES
from benchmark.trade.timing import decimals_given, lap_uncertainty
from benchmark.trade.uncertainty import combined_u, reading_u

SCOPES = ("model,class", "model", "model,class,tyre", "class", "class,tyre")
NEEDED = ("circuit", "build", "model", "driver", "lap_time", "date", "tyre_category")
USUAL_LAPS = 5  # flying laps of a day where nobody says how many; a choice of ours
MOST_LAPS = 500
FINE_DECIMALS = 3  # the timing methods' uncertainty covers sheets that are printed so finely
SAME_TIME_S = 5e-5


@dataclass(frozen=True)
class Claim:
    """What was claimed, as text: it can be kept, and read again the same way.

    Attributes
    ----------
    texts : columns of the lap table that were given, as written.
    scope : one of `SCOPES`, what a rival has to share.
    claimed_class, claimed_tyre : what the claim was made in, where that was said.
    flying_laps : of how many flying laps of that day the claimed one is the best, where known.
    metar : a weather report, as pasted.
    trace : what a trace of the lap showed.
    """

    texts: Mapping[str, str]
    scope: str = SCOPES[0]
    claimed_class: str | None = None
    claimed_tyre: str | None = None
    flying_laps: int | None = None
    metar: str | None = None
    trace: TraceEvidence | None = None


@dataclass(frozen=True)
class Case:
    """A claim with every fact in its place.

    Attributes
    ----------
    facts : every column of the lap table, typed; None is not recorded.
    taken : for facts that were not given, where they were taken from.
    lap_time_s, timing_u_s : the claimed lap and its standard uncertainty. [s]
    stored_run : the run that holds this very lap, where the store has it.
    flying_laps : of how many flying laps of that day the claimed one is the best.
    laps_unseen : of how many laps it was picked that the store does not hold; 1 where the day's
        other laps are there to be seen.
    real_class, usual : class of the specification; levels taken as the model's most common.
    metar : the weather report, read.
    """

    claim: Claim
    facts: Facts
    taken: Mapping[str, str]
    lap_time_s: float
    timing_u_s: float
    stored_run: int | None
    flying_laps: int
    laps_unseen: int
    real_class: str
    usual: Mapping[str, int]
    metar: Metar | None = None
    earlier: pd.DataFrame = field(default_factory=pd.DataFrame)  # the car's other laps here

    @property
    def where(self) -> tuple[str, str]:
        """Circuit and layout."""
        return str(self.facts["circuit"]), str(self.facts["layout"])

    @property
    def surface(self) -> str:
        """Surface of the lap."""
        return str(self.facts["surface"])

    @property
    def build(self) -> str:
        """The car."""
        return str(self.facts["build"])


def read_facts(claim: Claim) -> Facts:
    """Read the texts of a claim by the rules of the lap table; what is absent is None.

    Raises
    ------
    BadQuestion
        A needed fact is missing, or a text cannot be what it should be; names the option.
    """
    facts: Facts = dict.fromkeys(NAMES)
    for column in NEEDED:
        if not claim.texts.get(column, "").strip():
            noun = "tyre category" if column == "tyre_category" else BY_NAME[column].noun
            raise BadQuestion(
                f"a claim needs a {noun}; give it ({option_of(column)} in a terminal)"
            )
    for column in NAMES:
        text = claim.texts.get(column, "")
        if not text.strip() and column in ("run", "lap", "session"):
            continue
        try:
            facts[column] = read_value(column, text) if _is_asked(column, text) else None
        except BadValue as error:
            raise BadQuestion(f'{option_of(column)} "{text}" {error}') from error
    facts["date"] = facts["date"].isoformat()
    facts["lap_time_s"] = float(facts.pop("lap_time"))
    return facts


def _is_asked(column: str, text: str) -> bool:
    return bool(text.strip()) or BY_NAME[column].default is not None


def option_of(column: str) -> str:
    """Name the option of the command that gives a column of the lap table."""
    return "`--tyre`" if column == "tyre_category" else f"`--{column.replace('_', '-')}`"


def make_case(fit: Fit, claim: Claim) -> Case:
    """Complete a claim from what the fit's laps tell.

    Raises
    ------
    BadQuestion
        A text that cannot be read, an unknown scope, class or tyre category, or a circuit or
        layout without a counted lap.
    BadValue
        A weather report that is no METAR.
    """
    _check(claim)
    facts = read_facts(claim)
    check_place(fit, facts["circuit"], facts["layout"])
    metar = read_metar(claim.metar) if claim.metar else None
    taken: dict[str, str] = {}
    laps = _laps_of_build(fit, facts)
    stored = _stored(laps, facts)
    if stored is not None:
        fill_from_lap(facts, taken, stored)
    fill_from_trace(facts, taken, claim.trace)
    fill_from_metar(fit, facts, taken, metar)
    fill_from_record(fit, facts, taken)
    that_day = laps[laps["date"] == facts["date"]]
    others = len(that_day) - (stored is not None)
    flying = claim.flying_laps or (others + 1 if others else USUAL_LAPS)
    usual = usual_levels(fit, facts["model"])
    return Case(
        claim,
        facts,
        taken,
        facts["lap_time_s"],
        _uncertainty(claim, facts),
        None if stored is None else int(stored["run_id"]),
        flying,
        1 if others or stored is not None else flying,
        class_of(facts, usual),
        {area: usual[area] for area in AREAS if facts[f"mod_{area}"] is None},
        metar,
        laps[laps["lap_id"] != stored["lap_id"]] if stored is not None else laps,
    )


def _check(claim: Claim) -> None:
    if claim.scope not in SCOPES:
        raise BadQuestion(f'no scope "{claim.scope}": use one of {", ".join(SCOPES)}')
    if claim.claimed_class is not None:
        check_known("class", claim.claimed_class, CLASSES)
    if claim.claimed_tyre is not None:
        check_known("tyre category", claim.claimed_tyre, TYRE_CATEGORIES)
    if claim.flying_laps is not None and not 1 <= claim.flying_laps <= MOST_LAPS:
        raise BadQuestion(f"{claim.flying_laps} flying laps: write a number from 1 to {MOST_LAPS}")


def _laps_of_build(fit: Fit, facts: Facts) -> pd.DataFrame:
    """Counted laps of the build at this circuit, layout and surface, with the facts of the run."""
    place = {name: str(facts[name]) for name in ("circuit", "layout", "surface")}
    own = fit.lookup.runs_where(build=str(facts["build"]), **place)
    laps = fit.lookup.with_facts(own).rename_axis("lap_id").reset_index()
    return laps.sort_values(LAP_ORDER, kind="stable")


def _stored(laps: pd.DataFrame, facts: Facts) -> pd.Series | None:
    """The claimed lap itself, where the store has it: same car, day and time."""
    near = (laps["lap_time_s"] - facts["lap_time_s"]).abs() < SAME_TIME_S
    same = laps[near & (laps["date"] == facts["date"])]
    return None if same.empty else same.iloc[0]


def _uncertainty(claim: Claim, facts: Facts) -> float:
    """Standard uncertainty of the claimed lap: its timing's, and a coarse reading's on top [s]."""
    return combined_u(
        lap_uncertainty(facts["timing"], facts["timing_u_s"]), reading_of(claim.texts["lap_time"])
    )


def reading_of(lap_time: str) -> float:
    """Standard uncertainty of a time written to fewer than three decimals, else 0 [s].

    Plain seconds are a number, whose zeros a spreadsheet drops; they say nothing of resolution.
    """
    decimals = decimals_given(lap_time)
    is_number = ":" not in lap_time
    return 0.0 if is_number or decimals >= FINE_DECIMALS else reading_u(10.0**-decimals)
