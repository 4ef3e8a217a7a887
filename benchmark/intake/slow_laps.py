"""Laps that look slow from their times alone: proposals, which a person confirms or not.

The rule is a choice of ours. A lap that is handed in as timed is proposed as `slow` where it took
more than 1.07 times the reference. The reference is the smaller of two: the second quickest timed
lap of its own run, and the same of all runs of that build by that driver on that circuit, layout,
surface and tyre category, in the file and in the store; of fewer than three laps there is none.
The second, so that one lap that was timed too short moves nothing. Heat, fading tyres and a full
tank stay well under 7 % within a run (common practice, no published source); a warm-up, a
cool-down, the lap from and to the pits and a lap behind slow traffic lie above it. Doubling the 7 %
leaves more slow laps unmarked, halving it asks about honest laps.

On the demo season with every lap handed in as timed (`python -m tests.bench.slow_laps`, 2026-11-26,
two cores) the rule names all 1,276 out and in laps, 23 of 124 baulked ones, and asks about 68 of
4,344 timed ones (1.6 %). That season is simulated: its out and in laps are slow by our own plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pyarrow as pa

from benchmark.intake.columns import RUN_KEY
from benchmark.intake.laptable import LapFile
from benchmark.intake.spool import TEXT
from benchmark.trade.classes import LAP_KINDS
from benchmark.trade.timing import format_lap_time

if TYPE_CHECKING:
    import pandas as pd

SLOW = "slow"
SLOW_SHARE = 1.07
FEWEST = 3
LIKE = ("circuit", "layout", "build", "driver", "surface", "tyre_category")


@dataclass(frozen=True, slots=True)
class Proposal:
    """One lap that looks slow: its row, what it is, its time and what that is held against [s]."""

    row: int
    build: str
    session: str
    run: int
    lap: int
    lap_time_s: float
    reference_s: float

    def __str__(self) -> str:
        """Say it in a line."""
        over = self.lap_time_s / self.reference_s - 1
        return (
            f"row {self.row}: {self.build}, session {self.session}, run {self.run}, "
            f"lap {self.lap}, {format_lap_time(self.lap_time_s)} is {over:.0%} over "
            f"{format_lap_time(self.reference_s)}"
        )


def propose_slow(lap_file: LapFile, known: pd.DataFrame | None = None) -> list[Proposal]:
    """Name the timed laps of a file that look slow.

    Parameters
    ----------
    lap_file : what was read; laps of another kind are left alone.
    known : quick timed laps that the store has, with the columns `LIKE` and `lap_time_s` [s].

    Returns
    -------
    list[Proposal]
        In the order of the rows.
    """
    import pandas as pd

    laps = lap_file.laps.reset_index()
    laps = laps[laps["lap_kind"] == "timed"].astype({"lap_time_s": float})
    if laps.empty:
        return []
    like = list(LIKE)
    laps[like] = laps[like].astype(str)
    pool = laps[[*like, "lap_time_s"]]
    if known is not None and not known.empty:
        pool = pd.concat([pool, known[[*like, "lap_time_s"]]])
    quick = _second_of(pool, like)
    others = laps[like].merge(quick, how="left", on=like)["reference_s"].set_axis(laps.index)
    run = laps[list(RUN_KEY)].merge(_second_of(laps, list(RUN_KEY)), how="left", on=list(RUN_KEY))
    own = run["reference_s"].set_axis(laps.index)
    laps["reference_s"] = pd.concat([own, others], axis=1).min(axis=1)  # NaN where none is known
    slow = laps[laps["lap_time_s"] > SLOW_SHARE * laps["reference_s"]].sort_values("row")
    fields = ["row", "build", "session", "run", "lap", "lap_time_s", "reference_s"]
    return [Proposal(*row) for row in slow[fields].itertuples(index=False, name=None)]


def _second_of(laps: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Give the second quickest lap of each group that has at least three, as `reference_s` [s]."""
    ordered = laps[[*key, "lap_time_s"]].sort_values("lap_time_s", ignore_index=True)
    groups = ordered.groupby(key, observed=True)["lap_time_s"]
    second = (groups.cumcount() == 1) & (groups.transform("size") >= FEWEST)
    return ordered[second].rename(columns={"lap_time_s": "reference_s"})


def with_kinds(lap_file: LapFile, kinds: Mapping[int, str]) -> LapFile:
    """Give the file with the kind of some laps as a person set it, by row.

    Raises
    ------
    ValueError
        A row that has no lap, or no kind of lap.
    """
    rows = lap_file.run_laps["row"].to_pylist()
    strange = set(kinds) - set(rows)
    if strange or not set(kinds.values()) <= set(LAP_KINDS):
        raise ValueError(f"no laps in rows {sorted(strange)}, or no kinds: {set(kinds.values())}")
    as_read = lap_file.run_laps["lap_kind"].to_pylist()
    told = [kinds.get(row, kind) for row, kind in zip(rows, as_read, strict=True)]
    place = lap_file.run_laps.schema.get_field_index("lap_kind")
    column = pa.chunked_array([pa.array(told, pa.string()).dictionary_encode().cast(TEXT)])
    marked = lap_file.run_laps.set_column(place, "lap_kind", column)
    return replace(lap_file, run_laps=marked)


def as_slow(proposals: Iterable[Proposal]) -> dict[int, str]:
    """Give the kinds that accepting these proposals means."""
    return {proposal.row: SLOW for proposal in proposals}
