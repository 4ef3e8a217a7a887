"""Laps in Parquet files looked over by circuit: how many, of which builds, in which files."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmark.errors import FitFailed
from benchmark.intake.lap_folder import COUNTS, LapFolder, reading
from benchmark.model.frame import MODS
from benchmark.model.regions import Met
from benchmark.store.framing import left_out
from benchmark.trade.classes import (
    DRIVER_LEVELS,
    INDUCTIONS,
    LEVELS,
    SURFACES,
    TYRE_CATEGORIES,
)

# Columns of the lap table whose values have effects of their own.
KINDS = {
    "surface": SURFACES,
    "tyre_category": TYRE_CATEGORIES,
    "driver_level": DRIVER_LEVELS,
    "induction": INDUCTIONS,
    **dict.fromkeys(MODS, LEVELS[1:]),
}


@dataclass(frozen=True)
class Scan:
    """What is known of a folder of laps before any region is read.

    Attributes
    ----------
    folder : all of it.
    met : laps of each circuit, and builds that circuits share.
    files : of each circuit, the files with laps of it.
    left_out : number of laps that do not count, by reason.
    """

    folder: LapFolder
    met: Met
    files: list[set[str]]
    left_out: dict[str, int]

    def part(self, circuits: np.ndarray) -> tuple[LapFolder, list[str]]:
        """Give the files with laps of some circuits, by their places, and these circuits' names."""
        files = set().union(*(self.files[k] for k in circuits))
        alike = {
            columns: mine
            for columns, all_of in self.folder.alike.items()
            if (mine := [file for file in all_of if file in files])
        }
        return replace(self.folder, alike=alike), [self.met.circuits[k] for k in circuits]


def scan(folder: LapFolder) -> Scan:
    """Look over the laps that count; memory grows with the builds, not with the laps.

    Raises
    ------
    FitFailed
        There is no counted lap at all.
    """
    with reading() as connection:
        names = ("circuit", "build", "lap_kind", "lap_time", *KINDS)
        connection.execute(f"create view lap_table as {folder.laps_sql(names)}")
        reasons = left_out(connection)
        connection.execute(
            f"""
            create temp table met as select circuit, build, count(*) as laps, {_kinds_sql()}
            from lap_table where {COUNTS} group by circuit, build
            """
        )
        found = connection.execute(
            f"""
            select circuit, sum(laps)::bigint, {", ".join(f"sum({k})::bigint" for k in _kinds())}
            from met group by circuit order by circuit
            """
        ).fetchall()
        if not found:
            raise FitFailed("there is no counted lap to fit: import laps of kind `timed` first")
        pairs = connection.execute(
            """
            select a.circuit, b.circuit, count(*)
            from met as a join met as b using (build) group by a.circuit, b.circuit
            """
        ).fetchall()
        named = connection.execute(folder.files_sql("circuit")).fetchall()
    place = {circuit: k for k, (circuit, *_) in enumerate(found)}
    shared = np.zeros((len(place), len(place)))
    for one, other, builds in pairs:
        shared[place[one], place[other]] = builds
    files: list[set[str]] = [set() for _ in place]
    for circuit, file in named:
        if circuit in place:
            files[place[circuit]].add(file)
    numbers = np.array([row[1:] for row in found])
    return Scan(folder, Met(list(place), numbers[:, 0], shared, numbers[:, 1:]), files, reasons)


def _kinds() -> dict[str, str]:
    """Name each kind of lap that the model has an effect for, and write its condition."""
    conditions = [
        f"{name} >= {value}" if name in MODS else f"{name} = '{value}'"
        for name, values in KINDS.items()
        for value in values
    ]
    return {f"kind_{k}": condition for k, condition in enumerate(conditions)}


def _kinds_sql() -> str:
    return ", ".join(f"count(*) filter ({what}) as {name}" for name, what in _kinds().items())
