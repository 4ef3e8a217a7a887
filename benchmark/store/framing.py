"""Laps of Parquet files gathered into the model's frame: out of core, one row a run.

Only the run, its number, its time and its uncertainty are held of each lap (some 30 bytes); what
the laps of a run share is held once. The frame is the one that `model.frame.model_frame` makes of
the same laps, so the fit is the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from benchmark.errors import FitFailed
from benchmark.intake.columns import NAMES
from benchmark.intake.lap_folder import COUNTS, LapFolder, reading
from benchmark.model.frame import (
    CONTENT,
    NUMBER_FACTS,
    PLACE,
    RUN_COLUMNS,
    RUN_KEY,
    TEXT_FACTS,
    ModelFrame,
    frame_of_runs,
)
from benchmark.trade.timing import lap_uncertainty

TEXTS = (*(name for name in RUN_KEY if name != "run"), *TEXT_FACTS)


def frame_of_folder(folder: LapFolder, circuits: Sequence[str] | None = None) -> ModelFrame:
    """Return the model frame of the laps that count of files that were looked into.

    Parameters
    ----------
    circuits : take the laps of these alone.

    Raises
    ------
    FitFailed
        There is no counted lap at all.
    """
    with reading() as connection:
        query = f"select * from ({folder.laps_sql(NAMES)}) as all_laps"
        if circuits is not None:
            listed = ", ".join("'" + name.replace("'", "''") + "'" for name in circuits)
            query = f"{query} where circuit in ({listed})"
        connection.execute(f"create view lap_table as {query}")
        reasons = left_out(connection)
        connection.execute(
            f"""
            create temp table usual as select circuit, layout, median(lap_time_s) as median_s
            from lap_table where {COUNTS} group by circuit, layout order by circuit, layout
            """
        )
        medians = connection.sql("select * from usual").df().set_index(PLACE)["median_s"]
        if medians.empty:
            raise FitFailed("there is no counted lap to fit: import laps of kind `timed` first")
        runs, laps = _gathered(connection.sql(_runs_sql(connection)).to_arrow_table())
    return frame_of_runs(runs, laps, medians.sort_index(), reasons)


def left_out(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Count the laps that cannot be used, by reason; see `model.frame`."""
    query = f"""
        select count(*) filter (lap_kind <> 'timed'),
               count(*) filter (lap_kind = 'timed' and ({COUNTS}) is not true)
        from lap_table
    """
    ((kind, time),) = connection.execute(query).fetchall()
    found = {"not a timed flying lap": kind, "no lap time": time}
    return {reason: n for reason, n in found.items() if n}


def _runs_sql(connection: duckdb.DuckDBPyConnection) -> str:
    """Write the query that gives one row a run: what its laps share, and a list of them."""
    methods = connection.execute("select distinct timing from lap_table").fetchall()
    usual = {method: lap_uncertainty(method, None) for (method,) in methods}
    by_method = " ".join(f"when '{m}' then {u!r}" for m, u in usual.items() if m is not None)
    none = repr(usual.get(None, lap_uncertainty(None, None)))
    unknown = f"case timing {by_method} else {none} end" if by_method else none
    uncertainty = f"case when isfinite(timing_u_s) then timing_u_s else {unknown} end"
    key = ", ".join(RUN_KEY)
    facts = ", ".join(
        f"arg_min({name}, (lap, lap_time_s)) as {name}" for name in (*TEXT_FACTS, *NUMBER_FACTS)
    )
    return f"""
        select {key}, {facts}, min(round(lap_time_s / median_s, 12)) as best,
            count(*) as n, sum(lap)::bigint as laps,
            list({{'lap': lap, 'lap_time_s': lap_time_s, 'timing_u_s':
                {uncertainty}}}) as each
        from lap_table join usual using (circuit, layout)
        where {COUNTS}
        group by {key}
    """


def _gathered(rows: pa.Table) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Turn the rows of `_runs_sql` into runs in the order of their content, and their laps."""
    each: Any = rows.column("each").combine_chunks()
    table = pd.DataFrame(
        {name: _column(rows, name) for name in (*RUN_COLUMNS, "best", "n", "laps")}
    )
    order = table.sort_values(list(CONTENT)).index.to_numpy()
    runs = table.loc[order, list(RUN_COLUMNS)].reset_index(drop=True).rename_axis("run_id")
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.arange(len(order))
    flat = each.flatten()
    run = np.repeat(number, table["n"].to_numpy())
    laps = {name: flat.field(name).to_numpy() for name in ("lap", "lap_time_s", "timing_u_s")}
    sort = np.lexsort((laps["lap_time_s"], laps["lap"], run))
    return runs, pd.DataFrame({"run_id": run[sort], **{k: v[sort] for k, v in laps.items()}})


def _column(rows: pa.Table, name: str) -> np.ndarray:
    """Return a column of the runs, texts as shared objects, None or NaN where not recorded."""
    column = rows.column(name)
    if name not in TEXTS:
        kind = "float64" if name in NUMBER_FACTS else None
        return column.to_pandas().to_numpy(dtype=kind)
    if pa.types.is_date(column.type):
        column = column.cast(pa.string())
    coded: Any = column.combine_chunks().dictionary_encode()
    words = np.array([*coded.dictionary.to_pylist(), None], dtype=object)
    return np.asarray(words[coded.indices.fill_null(len(words) - 1).to_numpy(zero_copy_only=False)])
