"""How long the answers take once a store is fitted, by the number of laps behind the fit.

    python -m tests.bench.answers_scale [LAPS ...] [--profile leaderboard|claim|gains|forecast]

The fit is made up (`tests.bench.made_up_fit`): the answers do what they would do with a real one.
The first answer of each kind pays for what all later ones share, so it is told by itself, and the
median of the next five. Milliseconds of the wall; those of the processor behind.

26 November 2026, two cores taken twenty times over by other work, 1,000 draws; milliseconds of the
processor, the first in brackets:

| laps | leaderboard | claim | gains | forecast |
| --- | --- | --- | --- | --- |
| 100,000, board of 250 | 352 (430) | 433 (371) | 103 (693) | 36 (32) |
| 1,000,000, board of 400 | 615 (882) | 492 (618) | 111 (4,745) | 20 (20) |

Leaderboard and claim cost what the entries of the place cost, whatever the laps behind.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import time
from collections.abc import Callable

from benchmark.answers.claim import check_claim
from benchmark.answers.claim_case import Claim
from benchmark.answers.forecast import Question, forecast
from benchmark.answers.gains import gains
from benchmark.answers.leaderboard import leaderboard
from benchmark.model.fit import Fit
from tests.bench.made_up_fit import made_up_fit

TIMES = 5


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("laps", nargs="*", type=int, default=[100_000, 1_000_000])
    parser.add_argument("--profile", choices=("leaderboard", "claim", "gains", "forecast"))
    options = parser.parse_args()
    for laps in options.laps:
        fit = made_up_fit(laps)
        builds = fit.runs["build"].nunique()
        peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(f"{laps:,} laps, {len(fit.runs):,} runs, {builds:,} builds, {peak_gb:.1f} GB")
        for name, ask in questions(fit).items():
            if options.profile in (None, name):
                measure(name, ask, profile=options.profile is not None)


def questions(fit: Fit) -> dict[str, Callable[[], object]]:
    """Ask about the circuit of the first run, and the build that ran there."""
    run = fit.runs.iloc[0]
    circuit, build = str(run["circuit"]), str(run["build"])
    best = float(fit.laps["lap_time_s"][fit.laps["run_id"] == 0].min())
    claimed = Claim(
        {
            "circuit": circuit,
            "build": build,
            "model": str(run["model"]),
            "driver": str(run["driver"]),
            "lap_time": f"{best - 0.2:.3f}",
            "date": "2025-12-30",
            "tyre_category": str(run["tyre_category"]),
        }
    )
    return {
        "leaderboard": lambda: leaderboard(fit, circuit),
        "claim": lambda: check_claim(fit, claimed),
        "gains": lambda: gains(fit, circuit),
        "forecast": lambda: forecast(fit, Question(build, circuit)),
    }


def measure(name: str, ask: Callable[[], object], *, profile: bool) -> None:
    first = milliseconds(ask)
    if profile:
        with cProfile.Profile() as watched:
            ask()
        pstats.Stats(watched).sort_stats("cumulative").print_stats(30)
    later = sorted(milliseconds(ask) for _ in range(TIMES))
    wall, cpu = later[TIMES // 2]
    print(f"   {name:12} {wall:8.0f} ms ({cpu:.0f}); the first {first[0]:.0f} ms ({first[1]:.0f})")


def milliseconds(ask: Callable[[], object]) -> tuple[float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    ask()
    return 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)


if __name__ == "__main__":
    main()
