"""What does driving slowly before the freeze gain? Simulated club seasons with known truth.

Seasons as in `tests.studies.challenge`. In each, one entry drives 2 % slower in all its laps before
the freeze and the factors are made anew; its places over six rounds in the truth are compared with
its honest ones, the same days, outings and laps being run twice.

    python -m tests.studies.slow_driving --seasons 200 --kinds specification --out slow.jsonl
    python -m tests.studies.slow_driving --summary slow.jsonl

Results, 2026-11-26, two cores shared with other work, seasons 1 to 200, places a round of 24
entries gained (a place lost is negative):

    class factors                                     -1.78 ± 0.11
    specification factors                             +0.057 ± 0.016
    personal factors                                  +0.96 ± 0.09
    the same without ratchet, floor and tolerance     +10.92 ± 0.25

`--kinds specification` takes 10 s of a core a season, `--kinds class personal personal-unguarded`
some 30 s. Under specification factors the owner's own factor and the mean of the others' stay as
they are, to rounding: cars of his model are helped, the rest is harmed by as much in log time. In
places that does not cancel quite.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from benchmark.answers.challenge import owners
from benchmark.answers.challenge.basis import Basis, Memory, basis_of, ground_on
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.scoring import play
from benchmark.intake.rules import parse_rules
from benchmark.model import refit as refits
from benchmark.model.simulate import Season, simulate
from tests.studies.challenge import PLAN, RULES, SEASONS, true_chances, true_pace

SLOW = 0.02
DRAWS = 20  # to settle and to keep, of each fit without some owners: only means are read from them
# How a kind is called here, the kind of factor, and whether its guards hold.
ARMS = {
    "class": ("class", True),
    "class-unguarded": ("class", False),
    "specification": ("specification", True),
    "personal": ("personal", True),
    "personal-unguarded": ("personal", False),
}
UNGUARDED = "ratchet = false"


def rules_text(*, guarded: bool) -> str:
    """Give the study's rules, or the same without tolerance, ratchet and floor."""
    return RULES if guarded else RULES.replace("tolerance_pct = 0.75", UNGUARDED)


def remembering() -> Memory:
    """Keep refits for one season: most fits of both worlds are the same."""
    known: dict[str, bytes] = {}

    def kept(key: str, make: Callable[[], bytes]) -> bytes:
        if key not in known:
            known[key] = make()
        return known[key]

    return kept


def basis_for(laps: pd.DataFrame, arm: str, memory: Memory) -> Basis:
    """Give what the factors of an arm rest on; of a specification, nothing else is fitted."""
    kind, guarded = ARMS[arm]
    rules = parse_rules(rules_text(guarded=guarded))
    if kind != "specification":
        return basis_of(laps, rules, memory=memory)
    sizes = refits.usual_sizes()
    plain = refits.refit(laps, sizes, draws=2)  # only who stood how is read from it
    return ground_on(rules, "dry", plain, laps, sizes, memory)


def gained(season: Season, arm: str, number: int, memory: Memory) -> dict[str, float]:
    """Give the places a round that one entry gains by slow driving, and how factors move.

    `own_pct` and `others_pct`: change of its own factor and mean change of the others'.
    """
    laps = season.counted()
    honest = basis_for(laps, arm, memory)
    table = table_of(honest, ARMS[arm][0])
    entries = table.entries[table.scoring].reset_index(drop=True)
    i = number % len(entries)
    slow = laps.copy()
    slow.loc[slow["build"] == entries["build"][i], "lap_time_s"] *= 1 + SLOW
    slowed = table_of(basis_for(slow, arm, memory), ARMS[arm][0])
    rng = np.random.default_rng([number, 7])
    true = true_pace(season, table)
    at = [table.places.index((r.circuit, r.layout)) for r in honest.rules.rounds]
    times = np.stack([true[p] + true_chances(season, table, SEASONS, rng) for p in at], axis=1)
    (was, before), (now, after) = (_places(one, entries, at, times) for one in (table, slowed))
    moved = 100 * (after - before)
    told = {
        "places": was[i] - now[i],
        "own_pct": moved[i],
        "others_pct": np.delete(moved, i).mean(),
    }
    return {name: float(value) for name, value in told.items()}


def _places(
    table: Table, entries: pd.DataFrame, at: Sequence[int], times: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean place of each entry over all rounds, and the log of its factor before the first."""
    handicap, room = table.handicaps(entries, [c for c in table.classes if c])
    assumed = np.stack([table.assumed_at(entries, table.places[p], handicap) for p in at])
    scored = play(times, assumed, np.tile(handicap, (len(at), 1)), room, table.policy).scored
    places = np.argsort(np.argsort(scored, axis=2), axis=2) + 1
    return places.mean(axis=(0, 1)), handicap


def run(numbers: range, arms: Sequence[str], out: Path) -> None:
    """Append one line a season to the file; what is there already is not done again."""
    owners.ALONE_DRAWS = owners.PAIR_DRAWS = DRAWS
    if set(arms) == {"specification"}:
        refits.WARM_UP = DRAWS
    done = {json.loads(line)["season"] for line in out.open()} if out.exists() else set()
    for number in numbers:
        if number in done:
            continue
        start = time.process_time()
        season, memory = simulate(PLAN, number), remembering()
        told: dict[str, object] = {"season": number}
        told |= {arm: gained(season, arm, number, memory) for arm in arms}
        told["cpu_s"] = time.process_time() - start
        with out.open("a") as file:
            file.write(json.dumps(told) + "\n")


def summary(paths: Sequence[Path]) -> dict[str, object]:
    """Give means over seasons with standard errors."""
    rows = [json.loads(line) for path in paths for line in path.open()]
    out: dict[str, object] = {"seasons": len(rows)}
    for arm in [a for a in ARMS if any(a in row for row in rows)]:
        told = [row[arm] for row in rows if arm in row]
        for name in told[0]:
            values = np.array([one[name] for one in told])
            error = values.std(ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
            out[f"{arm} {name}"] = f"{values.mean():+.3f} ± {error:.3f} ({len(values)})"
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("slow.jsonl"))
    parser.add_argument("--kinds", nargs="+", default=list(ARMS), choices=list(ARMS))
    parser.add_argument("--summary", type=Path, nargs="+", help="only report these files")
    asked = parser.parse_args()
    if asked.summary is None:
        with threadpool_limits(limits=1):
            run(range(asked.first, asked.first + asked.seasons), asked.kinds, asked.out)
    print(json.dumps(summary(asked.summary or [asked.out]), indent=1, ensure_ascii=False))


if __name__ == "__main__":
    main()
