"""Options that several commands share, each told once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchmark.show.output import Format

DEFAULT_DB = Path("laps.duckdb")

Db = Annotated[
    Path, typer.Option("--db", envvar="BENCHMARK_DB", help="The store, one file.", metavar="PATH")
]
AnswerFormat = Annotated[
    Format, typer.Option("--format", help="How the answer is written to standard output.")
]
Level = Annotated[
    float, typer.Option("--level", help="Probability that an interval holds, such as 0.9.")
]
Circuit = Annotated[str, typer.Option("--circuit", help="Name of the circuit.", metavar="NAME")]
Layout = Annotated[
    str, typer.Option("--layout", help="Which configuration of the circuit.", metavar="NAME")
]
Surface = Annotated[
    str, typer.Option("--surface", help="Laps on this surface: dry, damp or wet.", metavar="S")
]
Build = Annotated[str, typer.Option("--build", help="Which car.", metavar="NAME")]
CostsFile = Annotated[
    Path | None,
    typer.Option("--costs", help="What steps cost: CSV with step, cost, currency.", metavar="FILE"),
]
Port = Annotated[
    int | None,
    typer.Option("--port", min=1, max=65535, help="Port of the app; the first free from 8501 on."),
]
