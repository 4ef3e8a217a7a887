"""Laps in Parquet files looked over by circuit: how many, of which builds, in which files."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmark.errors import FitFailed
from benchmark.intake.lap_folder import COUNTS, LapFolder, reading
from benchmark.model.regions import Met


@dataclass(frozen=True)
class Scan:
    """What is known of a folder of laps before any region is read.

    Attributes
    ----------
    folder : all of it.
    met : laps of each circuit, and builds that circuits share.
    files : of each circuit, the files with laps of it.
    """

    folder: LapFolder
    met: Met
    files: list[set[str]]

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
        connection.execute(
            f"""
            create temp table met as select circuit, build, count(*) as laps
            from ({folder.laps_sql(("circuit", "build", "lap_kind", "lap_time"))}) as lap_table
            where {COUNTS} group by circuit, build
            """
        )
        found = connection.execute(
            "select circuit, sum(laps)::bigint from met group by circuit order by circuit"
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
    place = {circuit: k for k, (circuit, _) in enumerate(found)}
    shared = np.zeros((len(place), len(place)))
    for one, other, builds in pairs:
        shared[place[one], place[other]] = builds
    files: list[set[str]] = [set() for _ in place]
    for circuit, file in named:
        if circuit in place:
            files[place[circuit]].add(file)
    met = Met(list(place), np.array([laps for _, laps in found]), shared)
    return Scan(folder, met, files)
