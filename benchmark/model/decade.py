"""A made-up decade of a whole sport, of any number of laps, for measuring speed and memory.

    python -m benchmark.model.simulate --laps 1000000 --out laps

writes a folder of Parquet files, one for each circuit and year
(`laps/circuit=.../year=.../laps.parquet`), each a lap table. A file is made and written at a time,
so the memory stays that of the fleet and one file. One seed gives one decade, the same whatever
has been written before.

The structure is that of real use (common practice, no published source): four circuits make a
region; a build and its driver start there, but for a few that also travel to a neighbouring
region; about 20 builds a session, 8 laps a run, 400 laps in a build's life of some three years,
a tenth of the runs by another driver. Effects are sizes in log lap time: 0.01 is 1 %.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from rich.console import Console
from rich.progress import track

from benchmark.errors import BadQuestion
from benchmark.trade.classes import AREAS, DRIVER_LEVELS, DRY_TYRES

FIRST_YEAR, YEARS = 2016, 10
LAPS_OF_A_CIRCUIT = 100_000  # in all years
LAPS_OF_A_CIRCUIT_YEAR = 5_000  # fewer, and the decade has fewer years
CIRCUITS_OF_A_REGION = 4
LAPS_OF_A_BUILD, BUILDS_A_DRIVER = 400, 1.2
LEAST_BUILDS = 60  # of a region
MODELS = 300  # known to the sport, however many laps were kept; the k-th is 1/(k + 10) as common
CAREER_YEARS = 3
SESSION_BUILDS, DAY_BUILDS, SESSIONS_A_DAY = 20, 28, 4
RUN_LAPS = (5, 11)  # least and most counted laps of a run, each number as likely
P_TRAVELLER, P_GUEST, P_SHARED, P_OTHER_TYRE = 0.05, 0.03, 0.10, 0.10
SDS = {"model": 0.020, "build": 0.010, "driver": 0.012, "session": 0.006}
SIGMA, TAU = 0.005, 0.006  # Normal part and mean one-sided delay of a lap
STEP, TYRE, HEAT, LAP = -0.003, -0.008, 0.0008, 0.0004  # a level, a category, a degree, a lap
NAMES = (
    "Highmarl",
    "Tarnebrook",
    "Oxlea",
    "Saltmere",
    "Wendle",
    "Carrick Down",
    "Fennby",
    "Ashlow",
)


@dataclass(frozen=True)
class Size:
    """How large a decade is."""

    laps: int
    circuits: int
    years: int

    @property
    def regions(self) -> int:
        """Number of regions."""
        return -(-self.circuits // CIRCUITS_OF_A_REGION)

    def laps_of(self, k: int, parts: int, total: int) -> int:
        """Deal `total` laps to parts that are as equal as they can be; the k-th share."""
        return total * (k + 1) // parts - total * k // parts


@dataclass(frozen=True)
class Fleet:
    """Builds and drivers of the sport, region by region, and the effects behind their laps."""

    first_build: np.ndarray  # of each region, and the end
    first_driver: np.ndarray
    model: np.ndarray  # of each build; so are the following
    owner: np.ndarray
    start: np.ndarray
    traveller: np.ndarray
    levels: np.ndarray  # (builds, areas), at the start
    tyre: np.ndarray
    driver_level: np.ndarray  # of each driver
    effect: dict[str, np.ndarray]


def size_of(laps: int) -> Size:
    """Return the plan of a decade of this many laps.

    Raises
    ------
    BadQuestion
        Fewer than 1,000 laps.
    """
    if laps < 1000:
        raise BadQuestion(f"--laps {laps}: a decade has at least 1000 laps")
    circuits = max(2, round(laps / LAPS_OF_A_CIRCUIT))
    years = int(np.clip(round(laps / circuits / LAPS_OF_A_CIRCUIT_YEAR), 1, YEARS))
    return Size(laps, circuits, years)


def fleet_of(size: Size, seed: int) -> Fleet:
    """Draw who takes part."""
    rng = np.random.default_rng((seed, 0))
    regions = size.regions
    circuits = np.minimum(
        CIRCUITS_OF_A_REGION, size.circuits - CIRCUITS_OF_A_REGION * np.arange(regions)
    )
    laps = size.laps / size.circuits * circuits
    builds = np.maximum(LEAST_BUILDS, np.rint(laps / LAPS_OF_A_BUILD)).astype(np.int64)
    drivers = np.rint(builds / BUILDS_A_DRIVER).astype(np.int64)
    first_build, first_driver = (np.concatenate([[0], np.cumsum(n)]) for n in (builds, drivers))
    n, n_drivers = int(builds.sum()), int(drivers.sum())
    region = np.repeat(np.arange(regions), builds)
    keen = rng.standard_normal(n_drivers)
    owner = first_driver[region] + rng.integers(0, drivers[region])
    wish = 0.8 + 0.5 * keen[owner] + 0.5 * rng.standard_normal(n)
    levels = np.rint(wish[:, None] + 0.7 * rng.standard_normal((n, len(AREAS))))
    counts = {"model": MODELS, "build": n, "driver": n_drivers}
    effect = {name: SDS[name] * rng.standard_normal(count) for name, count in counts.items()}
    common = 1 / (np.arange(MODELS) + 10)
    effect["circuit"] = np.log(rng.uniform(55, 130, size.circuits))
    return Fleet(
        first_build,
        first_driver,
        rng.choice(MODELS, n, p=common / common.sum()),
        owner,
        rng.integers(1 - CAREER_YEARS, size.years, n),
        rng.random(n) < P_TRAVELLER,
        np.clip(levels, 0, 3).astype(np.int8),
        np.clip(np.rint(wish + rng.standard_normal(n)), 0, len(DRY_TYRES) - 1).astype(np.int8),
        np.searchsorted((-0.9, 0.7, 1.7), keen).astype(np.int8),
        effect,
    )


def tables(size: Size, seed: int) -> Iterator[tuple[str, int, pa.Table]]:
    """Make the lap table of each circuit and year: circuit, year and laps."""
    fleet = fleet_of(size, seed)
    for circuit in range(size.circuits):
        total = size.laps_of(circuit, size.circuits, size.laps)
        for year in range(size.years):
            rng = np.random.default_rng((seed, 1, circuit, year))
            laps = size.laps_of(year, size.years, total)
            table = _laps(fleet, _runs(fleet, size, circuit, year, laps, rng), rng).slice(0, laps)
            yield circuit_name(circuit), FIRST_YEAR + year, table


def circuit_name(k: int) -> str:
    """Name a circuit."""
    name = NAMES[k % len(NAMES)]
    return name if k < len(NAMES) else f"{name} {k // len(NAMES) + 1}"


def _runs(
    fleet: Fleet, size: Size, circuit: int, year: int, laps: int, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Draw who goes out when: one element a run, enough runs for the laps."""
    # A tenth to spare: runs are drawn, and the table is cut at the number of laps asked for.
    days = 1 + int(1.1 * laps / (SESSION_BUILDS * np.mean(RUN_LAPS) * SESSIONS_A_DAY))
    region = circuit // CIRCUITS_OF_A_REGION
    home = np.arange(fleet.first_build[region], fleet.first_build[region + 1])
    active = home[(fleet.start[home] <= year) & (fleet.start[home] > year - CAREER_YEARS)]
    pool = active if len(active) > DAY_BUILDS else home
    there = np.argsort(rng.random((days, len(pool))), axis=1)[:, :DAY_BUILDS]
    guests = _guests(fleet, size, region)
    chosen = np.where(
        rng.random(there.shape) < P_GUEST, rng.choice(guests, there.shape), pool[there]
    )
    shape = (days, SESSIONS_A_DAY, SESSION_BUILDS)
    places = np.argsort(rng.random((*shape[:2], DAY_BUILDS)), axis=2)[:, :, :SESSION_BUILDS]
    build = np.take_along_axis(
        np.broadcast_to(chosen[:, None], (*shape[:2], DAY_BUILDS)), places, 2
    )
    build = build.ravel()
    session = np.repeat(np.arange(days * SESSIONS_A_DAY), SESSION_BUILDS)
    # A build drawn twice for a day, as one of the pool and as a guest, goes out once a session.
    _, once = np.unique(session * len(fleet.model) + build, return_index=True)
    build, session = build[once], session[once]
    # Who drives another's car is there that day with a car of his own.
    shared = rng.random(len(build)) < P_SHARED
    lender = chosen[session // SESSIONS_A_DAY, rng.integers(0, chosen.shape[1], len(build))]
    air = rng.normal(18, 7, days).clip(2, 38)[:, None] + 2.0 * np.arange(SESSIONS_A_DAY)
    other = rng.random(len(build)) < P_OTHER_TYRE
    grown = year - fleet.start[build]
    return {
        "circuit": np.full(len(build), circuit),
        "year": np.full(len(build), year),
        "session": session,
        "build": build,
        "driver": fleet.owner[np.where(shared, lender, build)],
        "levels": np.minimum(fleet.levels[build] + _grown(build, grown), 3),
        "tyre": np.where(other, rng.integers(0, len(DRY_TYRES), len(build)), fleet.tyre[build]),
        "air": air.ravel()[session].round(1),
        "count": rng.integers(RUN_LAPS[0], RUN_LAPS[1] + 1, len(build)),
    }


def _guests(fleet: Fleet, size: Size, region: int) -> np.ndarray:
    """Builds that travel, of the regions beside this one (regions lie on a grid)."""
    wide = max(1, int(np.sqrt(size.regions)))
    near = {region + step for step in (1, -1, wide, -wide)} & set(range(size.regions)) or {region}
    builds = np.concatenate(
        [np.arange(fleet.first_build[r], fleet.first_build[r + 1]) for r in sorted(near)]
    )
    guests = builds[fleet.traveller[builds]]
    return guests if len(guests) else builds


def _grown(build: np.ndarray, years: np.ndarray) -> np.ndarray:
    """Levels gained since the start: each year one more area has gone up by one."""
    gained = np.zeros((len(build), len(AREAS)), dtype=np.int8)
    for k in range(1, CAREER_YEARS):
        gained[np.arange(len(build)), (build + k) % len(AREAS)] += years >= k
    return gained


def _laps(fleet: Fleet, runs: dict[str, np.ndarray], rng: np.random.Generator) -> pa.Table:
    """Drive the runs: the lap table of their laps."""
    effect = fleet.effect
    session_effect = SDS["session"] * rng.standard_normal(int(runs["session"].max()) + 1)
    centre = effect["circuit"][runs["circuit"]] + effect["model"][fleet.model[runs["build"]]]
    centre += effect["build"][runs["build"]] + effect["driver"][runs["driver"]]
    centre += session_effect[runs["session"]] + STEP * runs["levels"].sum(axis=1)
    centre += TYRE * runs["tyre"] + HEAT * (runs["air"] - 20)
    count = runs["count"]
    run = np.repeat(np.arange(len(count)), count)
    lap = np.arange(len(run)) - np.repeat(np.cumsum(count) - count, count) + 2
    noise = SIGMA * rng.standard_normal(len(run)) + TAU * rng.standard_exponential(len(run))
    time_s = np.exp(centre[run] + LAP * (lap - 2) + noise).round(3)
    return _table(fleet, runs, run, lap, time_s)


def _table(
    fleet: Fleet, runs: dict[str, np.ndarray], run: np.ndarray, lap: np.ndarray, time_s: np.ndarray
) -> pa.Table:
    """Write the laps in the columns of the lap table."""
    day, session = np.divmod(runs["session"], SESSIONS_A_DAY)
    year = FIRST_YEAR + int(runs["year"][0])
    spread = 360 // (int(day.max()) + 1) or 1
    dates = [date(year, 1, 1) + timedelta(days=spread * k % 365) for k in range(int(day.max()) + 1)]
    numbered: dict[str, tuple[str | list[str], np.ndarray | None]] = {
        "circuit": (circuit_name(int(runs["circuit"][0])), None),
        "layout": ("full", None),
        "session": ([f"S{k + 1}" for k in range(SESSIONS_A_DAY)], session),
        "model": ("Model {:04d}", fleet.model[runs["build"]]),
        "build": ("Build {:06d}", runs["build"]),
        "driver": ("Driver {:06d}", runs["driver"]),
        "driver_level": (list(DRIVER_LEVELS), fleet.driver_level[runs["driver"]]),
        "tyre_category": (list(DRY_TYRES), runs["tyre"]),
    }
    columns = {name: _text(words, codes, run) for name, (words, codes) in numbered.items()}
    columns["date"] = pa.array(dates, pa.date32()).take(pa.array(day[run]))
    for k, area in enumerate(AREAS):
        columns[f"mod_{area}"] = pa.array(runs["levels"][run, k].astype(np.int8))
    columns["air_temp_c"] = pa.array(runs["air"][run])
    columns["lap"] = pa.array(lap.astype(np.int32))
    columns["lap_time"] = pa.array(time_s)
    columns["timing"] = _text("transponder", None, run)
    return pa.table(columns)


def _text(words: str | list[str], codes: np.ndarray | None, run: np.ndarray) -> pa.Array:
    """Text of each lap: one word for all, a list of words by code, or a pattern by number."""
    if codes is None:
        words, codes = [str(words)], np.zeros(int(run.max()) + 1, dtype=np.int64)
    elif isinstance(words, str):
        seen, codes = np.unique(codes, return_inverse=True)
        words = [words.format(int(k) + 1) for k in seen]
    return pa.DictionaryArray.from_arrays(codes[run].astype(np.int32), pa.array(words))


def write(laps: int, out: Path, seed: int = 1) -> Size:
    """Write a decade to a folder that does not exist yet, and return its size.

    Raises
    ------
    BadQuestion
        The folder is there, or there are too few laps.
    """
    size = size_of(laps)
    if out.exists():
        raise BadQuestion(f"{out} is there already: name a new folder with --out")
    console = Console(stderr=True)
    files = track(
        tables(size, seed), "writing", size.circuits * size.years, console=console, transient=True
    )
    for circuit, year, table in files:
        folder = out / f"circuit={circuit}" / f"year={year}"
        folder.mkdir(parents=True)
        pq.write_table(table, folder / "laps.parquet", compression="zstd")
    return size


def main(arguments: list[str]) -> int:
    """Run the command; returns its exit status."""
    import argparse

    parser = argparse.ArgumentParser("python -m benchmark.model.simulate", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--laps", type=int, required=True, help="how many counted laps")
    parser.add_argument("--out", type=Path, required=True, help="a new folder for the files")
    parser.add_argument("--seed", type=int, default=1, help="another seed, another decade")
    asked = parser.parse_args(arguments)
    try:
        size = write(asked.laps, asked.out, asked.seed)
    except BadQuestion as error:
        sys.stderr.write(f"{error}\n")
        return 2
    sys.stdout.write(
        f"{size.laps} laps of {size.circuits} circuits in {size.years} years: {asked.out}\n"
    )
    return 0
