"""How much a Parquet file holds, told before it is unpacked: two megabytes may hold a billion laps.

It is asked where strangers hand files in. Whoever imports at the machine knows what it can take.
"""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet
from pyarrow.lib import ArrowException

from benchmark.errors import Fault, FaultyFile
from benchmark.intake.source import PARQUET_MAGIC

# As many laps as a CSV file of the largest upload may hold, and what they take unpacked.
MOST_LAPS, MOST_BYTES = 500_000, 500_000_000


def refuse_too_large(path: Path, name: str) -> None:
    """Refuse a Parquet file that would fill the memory; any other file passes.

    Parameters
    ----------
    path : the file.
    name : what the file is called in its fault.

    Raises
    ------
    FaultyFile
        By its own account it holds too much.
    """
    with path.open("rb") as file:
        if file.read(len(PARQUET_MAGIC)) != PARQUET_MAGIC:
            return
    try:
        told = pyarrow.parquet.read_metadata(path)
        groups = [told.row_group(number) for number in range(told.num_row_groups)]
        laps = max(told.num_rows, sum(group.num_rows for group in groups))
        size = sum(group.total_byte_size for group in groups)
    except (ArrowException, OSError):
        return  # the reader says what is broken
    if laps > MOST_LAPS:
        why = f"has {laps:,} laps; hand in at most {MOST_LAPS:,} in one file"
    elif size > MOST_BYTES:
        why = f"takes {size:,} bytes unpacked; hand in at most {MOST_BYTES:,} in one file"
    else:
        return
    raise FaultyFile([Fault(name, None, "-", "", why)])
