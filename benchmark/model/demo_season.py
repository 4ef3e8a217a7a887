"""Makes the demo season from what `scenario` declares, and tells what is true in it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from benchmark.model import scenario
from benchmark.model.draw import draw_groups
from benchmark.model.entrants import Car, Driver, cars
from benchmark.model.runs import runs_of_season
from benchmark.model.scenario import Change
from benchmark.model.simulate import Season, drive, with_gaps
from benchmark.model.truth import MODS, NoiseTruth, Truth
from benchmark.trade.classes import AREAS, modification_class
from benchmark.trade.timing import format_lap_time

SURELY = 9.0  # a chance of coming above 1, whatever the day's turnout
EVIDENCE = {"transponder": "sheet.pdf", "beam": "sheet.pdf", "gps": "trace.gpx", "video": "lap.mp4"}


def demo_season(seed: int = scenario.SEED) -> Season:
    """Make the demo season: the declared scenario, the rest drawn from the seed."""
    streams = np.random.SeedSequence([2026, seed]).spawn(4)
    field, effects, noise, gaps = (np.random.Generator(np.random.PCG64(s)) for s in streams)
    runs = _scripted(_runs(field))
    truth = _truth(runs, effects)
    facts, realised = drive(runs, truth, scenario.PLAN, noise)
    facts["evidence"] = _evidence(facts)
    _mistime(facts, realised, noise)
    laps = _restored(with_gaps(facts, scenario.PLAN.gaps, gaps), facts)
    return Season(laps, facts, realised, truth, scenario.PLAN, seed)


def _runs(rng: np.random.Generator) -> pd.DataFrame:
    """One row an outing, as it would be without the script."""
    people = _people(rng)
    fleet = [_named(car) for car in cars(scenario.PLAN, people, rng)]
    _number(fleet, rng)
    _into_stories(fleet, {driver.name: driver for driver in people})
    return runs_of_season(scenario.PLAN, list(scenario.CALENDAR), people, fleet, rng)


def _people(rng: np.random.Generator) -> list[Driver]:
    """All drivers but the hired one, who has no car and takes no other's wheel."""
    names = {
        "novice": scenario.NOVICES,
        "club": scenario.CLUB_DRIVERS,
        "expert": scenario.EXPERTS,
    }
    return [
        Driver(name, level, float(scenario.KEEN_OF_LEVEL[level] + 0.4 * rng.standard_normal()))
        for level, of_level in names.items()
        for name in of_level
    ]


def _named(car: Car) -> Car:
    """Give a car of the generator its invented model and that model's induction."""
    name, induction, _, _ = scenario.MODELS[int(car.model.split()[1]) - 1]
    return replace(car, model=name, induction=induction)


def _number(fleet: list[Car], rng: np.random.Generator) -> None:
    """Call each car by colour, word and number: no two alike, and none like a story's car."""
    words = {name: word for name, _, _, word in scenario.MODELS}
    taken = {int(build.split()[-1]) for build in scenario.STORY_CARS}
    free = [number for number in range(2, 100) if number not in taken]
    numbers = rng.permutation(free)
    for car, number in zip(fleet, numbers, strict=False):
        colour = scenario.COLOURS[int(rng.integers(len(scenario.COLOURS)))]
        car.build = f"{colour} {words[car.model]} {number}"


def _into_stories(fleet: list[Car], people: dict[str, Driver]) -> None:
    """Turn one car of the right model into each story's car."""
    for build, (model, owner, levels, tyre, treadwear) in scenario.STORY_CARS.items():
        name = scenario.MODELS[model][0]
        car = next(c for c in fleet if c.model == name and c.build not in scenario.STORY_CARS)
        car.build, car.owner = build, people[owner]
        car.attendance, car.p_run = SURELY, SURELY
        car.levels = dict(zip(AREAS, map(int, levels), strict=True))
        car.tyre, car.treadwear = tyre, treadwear


def _scripted(runs: pd.DataFrame) -> pd.DataFrame:
    """Give the runs as the script has them: the stories' cars, and the drying track."""
    date, session = scenario.DRYING
    drying = (runs["date"] == date) & (runs["session"] == session)
    runs.loc[drying, "surface"] = "damp"
    for build, (_, _, levels, tyre, treadwear) in scenario.STORY_CARS.items():
        own = runs["build"] == build
        runs.loc[own, list(MODS)] = [int(level) for level in levels]
        dry = own & (runs["tyre_category"] != "wet")
        runs.loc[dry, "tyre_category"] = tyre
        runs.loc[dry, "treadwear"] = treadwear
    for change in scenario.SCRIPT:
        runs = _changed(runs, change)
    return runs.reset_index(drop=True)


def _changed(runs: pd.DataFrame, change: Change) -> pd.DataFrame:
    """Make one change of the script."""
    rows = (runs["build"] == change.build) & runs["date"].between(change.first, change.last)
    if change.session:
        rows &= runs["session"] == change.session
    if change.away:
        return runs[~rows]
    if change.driver:
        levels = dict(zip(runs["driver"], runs["driver_level"], strict=True))
        level = levels.get(change.driver, "professional")
        runs.loc[rows, ["driver", "driver_level"]] = [change.driver, level]
    if change.mods:
        runs.loc[rows, list(MODS)] = [int(level) for level in change.mods]
    if change.timing:
        runs.loc[rows, "timing"] = change.timing
    if change.cycles is not None:
        nth_of_day = runs[rows].groupby("date").cumcount()
        runs.loc[rows, "tyre_heat_cycles"] = change.cycles + nth_of_day
    return runs


def _truth(runs: pd.DataFrame, rng: np.random.Generator) -> Truth:
    """Give the declared effects, and draw those of single builds, drivers, days and outings."""
    groups = draw_groups(runs, scenario.SDS, rng)
    groups["model"] = {name: effect for name, _, effect, _ in scenario.MODELS}
    groups["driver"] |= scenario.DRIVER_EFFECTS
    groups["build"] |= scenario.BUILD_EFFECTS
    _calm(groups)
    names = sorted(set(runs["driver"]))
    tau = scenario.DELAY * np.exp(scenario.DELAY_SPREAD * rng.standard_normal(len(names)))
    noise = NoiseTruth(
        sigma=scenario.SIGMA,
        tau_centre=scenario.DELAY,
        tau_spread=scenario.DELAY_SPREAD,
        tau=dict(zip(names, tau.tolist(), strict=True)),
        slow=scenario.SLOW,
        gross=scenario.GROSS,
        shares=(1 - scenario.PLAN.p_slow, scenario.PLAN.p_slow, 0.0),
    )
    tracks = scenario.PLAN.tracks
    return Truth("model", tracks, scenario.EFFECTS, groups, scenario.SDS, noise)


def _calm(groups: dict[str, dict[str, float]]) -> None:
    """Leave no chance to what a story rests on: days and sessions as usual, one car as ever."""
    for name in ("day", "session"):
        on = [key for key in groups[name] if key.split(" | ")[2] in scenario.KEPT_DAYS]
        groups[name] |= dict.fromkeys(on, 0.0)
    for name in ("build_spec", "build_day", "outing"):
        own = [key for key in groups[name] if key.split(" | ")[0] == scenario.SEASON_OF_PARTS]
        groups[name] |= dict.fromkeys(own, 0.0)


def _evidence(facts: pd.DataFrame) -> pd.Series:
    """Name what supports each lap; nothing does where a stopwatch was used."""
    kind = facts["timing"].map(EVIDENCE)
    sheet = facts["date"] + "-" + kind
    own = facts["date"] + "-" + facts["build"].str.lower().str.replace(" ", "-") + "-" + kind
    named = sheet.where(facts["timing"].isin(["transponder", "beam"]), own).astype(object)
    return named.where(kind.notna(), None)


def _mistime(facts: pd.DataFrame, realised: pd.DataFrame, rng: np.random.Generator) -> None:
    """Put in the gross errors: those of the stories, and some of either sign by hand or video."""
    timed = facts["lap_kind"] == "timed"
    for error in scenario.MISTIMED:
        of_day = timed & (facts["build"] == error.build) & (facts["date"] == error.date)
        nth = facts[of_day].sort_values("lap_time_s", kind="stable").index[error.nth - 1]
        _put_in(facts, realised, int(nth), error.off)
    stories = facts["build"].isin(list(scenario.STORY_CARS))
    by_hand = timed & ~stories & facts["timing"].isin(["video", "stopwatch", "gps"])
    others = scenario.MISTIMED_ELSEWHERE
    for row, off in zip(
        rng.choice(np.flatnonzero(by_hand), len(others), replace=False), others, strict=True
    ):
        _put_in(facts, realised, int(row), off)


def _put_in(facts: pd.DataFrame, realised: pd.DataFrame, row: int, off: float) -> None:
    seconds = round(float(facts["lap_time_s"].to_numpy()[row]) * float(np.exp(off)), 3)
    facts.loc[row, "lap_time_s"] = seconds
    facts.loc[row, "lap_time"] = format_lap_time(seconds)
    realised.loc[row, "gross"] = off
    realised.loc[row, "kind"] = "gross"


def _restored(laps: pd.DataFrame, facts: pd.DataFrame) -> pd.DataFrame:
    """Leave no gap where a story needs the record; and all weather out on one day."""
    days = laps["date"].isin(scenario.KEPT_DAYS)
    drivers = laps["driver"].isin(scenario.KEPT_DRIVERS)
    builds = laps["build"].isin(list(scenario.STORY_CARS))
    weather = ["air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps"]
    car = ["induction", "treadwear", "tyre_heat_cycles", *MODS]
    for rows, columns in ((days, weather), (drivers, ["driver_level"]), (builds, car)):
        for column in columns:
            laps[column] = laps[column].where(~rows, facts[column])
    laps.loc[laps["date"].isin(scenario.NO_WEATHER), weather] = np.nan
    return laps


def true_board(season: Season) -> pd.DataFrame:
    """Give the true adjusted time of every entry at every layout, quickest first.

    Columns: circuit, layout, true_rank, build, model, class, tyre_category, driver,
    driver_level, adjusted_s, raw_rank, best_s. [s]
    """
    boards = []
    for track in season.truth.tracks:
        entries = season.entries(track.circuit, track.layout)
        dry = season.counted()
        here = (dry["circuit"] == track.circuit) & (dry["layout"] == track.layout)
        best = dry[here & (dry["surface"] == "dry")].groupby("build")["lap_time_s"].min()
        entries["best_s"] = entries["build"].map(best)
        entries["class"] = [
            modification_class(dict(zip(AREAS, map(int, levels), strict=True)))
            for levels in entries[list(MODS)].to_numpy()
        ]
        entries["true_rank"] = entries["adjusted_s"].rank(method="min").astype(int)
        entries["raw_rank"] = entries["best_s"].rank(method="min").astype(int)
        boards.append(entries.sort_values(["true_rank", "build"]))
    columns = ["circuit", "layout", "true_rank", "build", "model", "class", "tyre_category"]
    columns += ["driver", "driver_level", "adjusted_s", "raw_rank", "best_s"]
    return pd.concat(boards)[columns].reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class Gain:
    """What a car gained between its best laps of two days, split by true cause [s]."""

    build: str
    first_s: float
    last_s: float
    parts_s: float
    tyre_s: float
    driver_s: float
    conditions_s: float
    rest_s: float  # track state of day, session and outing, traffic and chance

    @property
    def gain_s(self) -> float:
        """All of it; negative when quicker."""
        return self.last_s - self.first_s


def true_gain(season: Season, build: str, circuit: str, layout: str = "full") -> Gain:
    """Split what a car gained at a layout from its first day to its last, best lap to best lap.

    Seconds are the true shares of log lap time, times the mean of both laps.
    """
    timed = season.facts[season.facts["lap_kind"] == "timed"]
    own = timed[
        (timed["build"] == build) & (timed["circuit"] == circuit) & (timed["layout"] == layout)
    ]
    best = own.loc[own.groupby("date")["lap_time_s"].idxmin()].iloc[[0, -1]]
    first_s, last_s = (float(seconds) for seconds in best["lap_time_s"])
    per_log = (last_s - first_s) / np.log(last_s / first_s)
    change = {
        name: float(per_log * (values[1] - values[0]))
        for name, values in season.truth.parts(best).items()
    }
    parts = sum(seconds for name, seconds in change.items() if name.startswith("parts:"))
    parts += change["build"]
    tyre = change["tyre"] + change["tyre_state"] + change["lap"]
    rest = (last_s - first_s) - parts - tyre - change["driver"] - change["conditions"]
    return Gain(build, first_s, last_s, parts, tyre, change["driver"], change["conditions"], rest)
