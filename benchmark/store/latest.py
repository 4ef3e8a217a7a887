"""What the store knows of a build, to fill in a form, and its quick laps, to hold new ones against.

A value is the latest one that was recorded, each column by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchmark.intake.columns import FactOf, facts_of
from benchmark.intake.slow_laps import FEWEST, LIKE

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.store.store import Store

WEATHER_OF_RUN = ("air_temp_c", "track_temp_c", "pressure_hpa", "humidity_pct", "wind_mps",
                  "altitude_m", "surface", "tyre_heat_cycles")  # fmt: skip
OF_DRIVER = ("driver", "driver_level")
NOT_OF_BUILD = {*WEATHER_OF_RUN, *OF_DRIVER}
KEPT = ("model", *(name for name in facts_of(FactOf.RUN) if name not in NOT_OF_BUILD))


def latest_facts(store: Store, build: str) -> dict[str, str]:
    """Give model, specification and tyre of a build as last recorded, as texts.

    Columns that were never recorded are left out; an unknown build has none.
    """
    latest = "(date, coalesce(start_time, ''), run_id)"
    facts = ", ".join(f"arg_max({name}, {latest})" for name in KEPT)
    rows = store._rows(f"select {facts} from run_sheet where build = ?", [build])
    return {
        name: str(value) for name, value in zip(KEPT, rows[0], strict=True) if value is not None
    }


def level_of(store: Store, driver: str) -> str | None:
    """Give the level of a driver as last recorded, None where it never was."""
    query = "select arg_max(driver_level, (date, run_id)) from run_sheet where driver = ?"
    level: str | None = store._rows(query, [driver])[0][0]
    return level


def altitude_of(store: Store, circuit: str) -> float | None:
    """Give the height of a circuit as last recorded, None where it never was. [m]"""
    query = "select arg_max(altitude_m, (date, run_id)) from run_sheet where circuit = ?"
    height: float | None = store._rows(query, [circuit])[0][0]
    return height


def quick_laps(store: Store, builds: Sequence[str]) -> pd.DataFrame:
    """Give the quickest counted laps of builds: three each of driver, place, surface and tyre.

    Returns
    -------
    DataFrame
        The columns `LIKE` and `lap_time_s`. [s]
    """
    like = ", ".join(LIKE)
    return store._ask(
        lambda: store._connection.execute(
            f"""
            select {like}, cast(lap_time_s as double) as lap_time_s
            from counted_lap
            where build in (select unnest(?))
            qualify row_number() over (partition by {like} order by lap_time_s) <= {FEWEST}
            order by all
            """,
            [list(builds)],
        ).df()
    )
