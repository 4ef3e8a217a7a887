"""A lap table small enough to read: three invented cars on a cold and a hot day."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

CIRCUIT = "Larkhill Ring"
HEADER = (
    "circuit,date,session,model,build,driver,tyre_category,air_temp_c,track_temp_c,lap,lap_time"
)
COLD, HOT = "Larkhill Ring,2025-03-02,S1,Invented Wren", "Larkhill Ring,2025-07-02,S1,Invented Wren"
ROWS = (
    f"{COLD},Red Wren,Ada,track-day,6,8,1,1:45.200",
    f"{COLD},Red Wren,Ada,track-day,6,8,2,1:39.400",
    f"{COLD},Red Wren,Ada,track-day,6,8,3,1:39.600",
    f"{HOT},Blue Wren,Bo,track-day,31,48,2,1:39.900",
    f"{HOT},Blue Wren,Bo,track-day,31,48,3,1:39.700",
    f"{HOT},=Green [b]Wren[/b],Cy,sport,31,48,2,1:41.100",
    f"{HOT},=Green [b]Wren[/b],Cy,sport,31,48,3,1:41.900",
)


def write_sheet(path: Path, rows: Sequence[str] = ROWS, header: str = HEADER) -> Path:
    """Write rows as a lap table."""
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path
