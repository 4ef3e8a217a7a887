"""What stewards look for: laps and facts of one build, and the days that were driven."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date as Date  # noqa: N812 - `date` is the name of a column
from typing import TYPE_CHECKING

from benchmark.intake.columns import LAP_KEY
from benchmark.store.known import CORRECTABLE

if TYPE_CHECKING:
    from benchmark.store.store import Store


@dataclass(frozen=True, slots=True)
class FoundLap:
    """One lap with its time [s] and kind, and if it is struck by whom and why."""

    circuit: str
    layout: str
    date: Date
    session: str
    build: str
    run: int
    lap: int
    lap_time_s: float
    lap_kind: str
    driver: str
    struck_by: str | None
    why_struck: str | None

    @property
    def key(self) -> dict[str, str | int | Date]:
        """Give what identifies the lap, as rulings name it."""
        return {name: getattr(self, name) for name in LAP_KEY}


def laps_of(store: Store, build: str) -> list[FoundLap]:
    """Give every lap of a build, of whatever kind, the latest day first."""
    rows = store._rows(
        """
        select circuit, layout, date, session, build, run, lap, cast(lap_time_s as double),
            lap_kind, driver, struck_lap.who, struck_lap.reason
        from lap_table left join struck_lap using (lap_id)
        where build = ?
        order by date desc, circuit, layout, session, run, lap
        """,
        [build],
    )
    return [FoundLap(*row) for row in rows]


def facts_of(
    store: Store, build: str, first: Date, last: Date
) -> dict[str, list[tuple[object, int]]]:
    """Give what the runs of a build say in some days, both counted.

    Returns
    -------
    dict
        For each fact that may be corrected its values, each with its number of runs, the most
        frequent first; None is not recorded.
    """
    query = f"""
        select {", ".join(CORRECTABLE)} from run_sheet
        where build = ? and date between ? and ?
        order by date, circuit, layout, session, run
        """
    rows = store._rows(query, [build, first, last])
    return {
        fact: Counter(row[number] for row in rows).most_common()
        for number, fact in enumerate(CORRECTABLE)
    }


def days(store: Store) -> list[tuple[str, Date]]:
    """Give the circuits and days with laps, the latest day first."""
    query = """
        select distinct circuit, date from event join circuit using (circuit_id)
        order by date desc, circuit
        """
    return [(circuit, day) for circuit, day in store._rows(query)]
