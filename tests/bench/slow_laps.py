"""How the rule for slow laps does on the demo season, in which every kind of lap is known.

`python -m tests.bench.slow_laps`: every lap is handed in as timed, file by file, and what the rule
names is counted by the kind that the lap really was. The result stands in `intake/slow_laps.py`.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from benchmark.intake.laptable import read_lap_table
from benchmark.intake.slow_laps import propose_slow, with_kinds

DATASETS = Path(__file__).parents[2] / "datasets"


def main() -> None:
    """Print laps and named laps by kind."""
    laps: Counter[str] = Counter()
    named: Counter[str] = Counter()
    for path in sorted(DATASETS.glob("laps-*.csv")):
        lap_file = read_lap_table(path)
        rows, kinds = (lap_file.run_laps[name].to_pylist() for name in ("row", "lap_kind"))
        kind_of = dict(zip(rows, kinds, strict=True))
        laps.update(kinds)
        unmarked = with_kinds(lap_file, dict.fromkeys(rows, "timed"))
        named.update(kind_of[proposal.row] for proposal in propose_slow(unmarked))
    for kind, count in sorted(laps.items()):
        print(f"{kind}: {named[kind]} of {count} named ({named[kind] / count:.1%})")


if __name__ == "__main__":
    main()
