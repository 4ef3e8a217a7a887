"""How many days of laps do fair class factors take, and what is the best that any could do?

Seasons as in `tests.studies.challenge`, whose entries have run about three days each before the
freeze. To their laps come further days, on which every entry runs three outings of four laps, at
the circuits in turn. At each number of days the class factors are made in three ways, and the odds
of one entry between classes are told by events run in the truth:

- `pooled`, as the program does: equal chances over all that the true paces may be;
- `middle`: equal chances if every true pace were the middle of what is known of it;
- `least`: the smallest expected log of the odds within one truth. With known sizes that is the
  Bayes limit: no factors that rest on these laps can be expected to do better. What they are
  expected to do stands beside it (`least_expected`, median over the posterior draws).

Beside them `able`: the share of entries able to win the first round under each one's own pace, over
the same from the true paces; and the error of a pace, true and as the fit says of itself.

The sizes of effects and of chance are told as they are, so that nothing but the paces is unknown;
`--learn` has them learned from the laps.

    python -m tests.studies.more_days --seasons 10 --out days.jsonl
    python -m tests.studies.more_days --summary days.jsonl

Results, 2026-11-26, two cores, 3 to 15 s of a core for each (32 s at 96 days): `--seasons 12`, then
`--seasons 6 --days 96`. Medians over seasons; `truth`: run in the truth, else what is expected:

    days                                        3     6    12    24    48    96
    pooled, truth                            7.71  1.96  1.62  1.35  1.42  1.23
    pooled                                   4.92  2.28  1.82  1.53  1.43  1.28
    middle                                   4.83  2.32  1.83  1.54  1.42  1.29
    least: no factors can be expected better 4.86  2.23  1.80  1.52  1.41  1.28
    oracle, truth                            1.06  1.04  1.04  1.04  1.04  1.03
    able, personal over the oracle's         0.70  0.83  0.95  1.00  1.00  1.00
    error of a pace, %                       0.29  0.13  0.09  0.06  0.04  0.03

So class factors are as good as any from the same laps (as geometric means of the first column: 5.4
pooled, 5.0 least), and within one season they come within 1.3 times at about 96 days of the whole
field. An entry's usual three days tell less than three of these: its parts and drivers changed.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Sequence
from itertools import cycle, islice
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import softmax
from threadpoolctl import threadpool_limits

from benchmark.answers.challenge.basis import ground_on, no_memory, own_pace
from benchmark.answers.challenge.events import Events
from benchmark.answers.challenge.factors import Table
from benchmark.answers.challenge.fairness import odds_between
from benchmark.answers.challenge.scoring import limited
from benchmark.answers.challenge.solving import equal_chances, group_best
from benchmark.intake.rules import parse_rules
from benchmark.model.noise import Noise
from benchmark.model.refit import Sizes, learn_sizes, refit
from benchmark.model.simulate import Season, simulate
from tests.studies.challenge import (
    EVENTS,
    PLAN,
    RULES,
    figures,
    laps_of_round,
    true_chances,
    true_pace,
)

USUAL = 3  # days that an entry of these seasons has run before the freeze
DAYS = (3, 6, 12, 24, 48)
DRAWS = 150
NEVER = 1e-9  # the share of a kind of lap that does not occur: its logarithm is asked for
SOFT = 0.0003  # log time: the softness of a win where the least expected odds are sought


def true_sizes(season: Season) -> Sizes:
    """Give the sizes of effects and of chance as they are."""
    truth = season.truth
    noise = truth.noise
    told = Noise(noise.sigma, np.empty(0), noise.tau_centre, noise.tau_spread, noise.slow,
                 noise.gross, np.maximum(noise.shares, NEVER))  # fmt: skip
    return Sizes(dict(truth.sds), told, dict(noise.tau))


def with_days(season: Season, days: int, entries: pd.DataFrame) -> pd.DataFrame:
    """Give the laps of the season and of further days, until each entry has about that many."""
    rules = parse_rules(RULES)
    rng = np.random.default_rng([season.seed, 11])
    new = []
    for number, at in enumerate(islice(cycle(rules.rounds), days - USUAL)):
        day = pd.Timestamp("2026-10-01") + pd.Timedelta(days=number)
        table = laps_of_round(season, entries, at, rng)
        new.append(table.assign(date=day.date().isoformat()))
    return pd.concat([season.counted(), *new], ignore_index=True)


def least_odds(best: np.ndarray, fair: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Handicaps with the least expected log odds within one truth.

    Parameters
    ----------
    best : quickest log time of each class, (draws, events, classes).
    fair : share of the entries in each class.
    start : handicaps to begin at.
    """

    def value(others: np.ndarray) -> float:
        scores = best + np.concatenate([[0.0], others])
        share = softmax(-scores / SOFT, axis=2).mean(axis=1)
        each = np.log(np.maximum(share, 0.5 / best.shape[1]) / fair)
        return float((each.max(axis=1) - each.min(axis=1)).mean())

    found = minimize(value, start[1:] - start[0], method="Nelder-Mead",
                     options={"xatol": 1e-5, "fatol": 1e-3})  # fmt: skip
    handicap = np.concatenate([[0.0], found.x])
    return np.asarray(handicap - fair @ handicap)


def ways(table: Table) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Class handicaps in each of the three ways, and best times by class, draw and event."""
    events, groups = table.events, len(table.class_names)
    pace = _paces(table)
    plain = Events(events.log_time - pace + np.median(pace, axis=0), events.assumed, events.place)
    scores = limited(events.log_time, events.assumed, table.policy)
    best = np.stack([group_best(one, table.group, groups) for one in scores])
    pooled = table.class_handicap
    return {
        "pooled": pooled,
        "middle": table.solved(plain),
        "least": least_odds(best, table.fair, pooled),
    }, best


def _paces(table: Table) -> np.ndarray:
    """Pace of each entry at each event's circuit, (draws, events, entries). [log s]"""
    entries = table.entries[table.scoring].reset_index(drop=True)
    basis = table.basis
    pace = np.stack([own_pace(basis.thin, entries, p, basis.surface) for p in table.places])
    return np.asarray(pace[table.events.place].transpose(1, 0, 2))


def within(best: np.ndarray, fair: np.ndarray, handicap: np.ndarray) -> float:
    """Median over the draws of the odds within one."""
    won = np.argmin(best + handicap, axis=2)
    shares = np.stack([(won == k).mean(axis=1) for k in range(len(fair))], axis=1)
    return float(np.median([odds_between(one, fair, best.shape[1]) for one in shares]))


def judged(season: Season, days: int, *, learn: bool) -> dict[str, float]:
    """Odds in the truth of the class factors that this many days make."""
    rules = parse_rules(RULES)
    laps = season.counted()
    sizes = true_sizes(season)
    now = ground_on(rules, "dry", refit(laps, sizes, draws=2), laps, sizes, no_memory).entries
    laps = with_days(season, days, now)
    sizes = learn_sizes(laps) if learn else sizes
    fit = refit(laps, sizes, draws=DRAWS)
    table = Table(ground_on(rules, "dry", fit, laps, sizes, no_memory), "class")
    entries = table.entries[table.scoring].reset_index(drop=True)
    found, best = ways(table)
    true = true_pace(season, table)
    place = np.arange(EVENTS) % len(true)
    rng = np.random.default_rng([season.seed, 13])
    times = true[place] + true_chances(season, table, EVENTS, rng)
    out: dict[str, float] = {}
    for name, handicap in found.items():
        assumed = np.stack([table.assumed_at(entries, p, handicap) for p in table.places])[place]
        scores = limited(times, assumed, table.policy) + handicap[table.group]
        out[name] = float(figures(scores, table)["odds"])
        out[f"{name}_expected"] = within(best, table.fair, handicap)
    other = true[place] + true_chances(season, table, EVENTS, rng)
    best_known = group_best(limited(other, true[place], table.policy), table.group, len(table.fair))
    known = equal_chances(best_known, table.fair)[table.group]
    level = limited(times, true[place], table.policy)
    own, spread = np.median(table.own_relative(entries), axis=0), table.own_relative(entries)
    mean = table.weights @ true
    at_place = np.stack([np.median(own_pace(fit, entries, p, "dry"), axis=0) for p in table.places])
    personal = figures(limited(times, at_place[place], table.policy) - own, table)
    return out | {
        "oracle": float(figures(level + known, table)["odds"]),
        "able": float(personal["able"] / figures(level - mean, table)["able"]),
        "error_pct": 100 * float((own - mean).std()),
        "said_pct": 100 * float(np.sqrt((spread.std(axis=0) ** 2).mean())),
    }


def run(numbers: range, days: Sequence[int], out: Path, *, learn: bool) -> None:
    """Append one line a season and number of days; what is there already is not done again."""
    lines = [json.loads(line) for line in out.open()] if out.exists() else []
    done = {(line["season"], line["days"]) for line in lines}
    for number in numbers:
        season = simulate(PLAN, number)
        for count in days:
            if (number, count) in done:
                continue
            start = time.process_time()
            told: dict[str, float] = {"season": number, "days": count}
            told |= judged(season, count, learn=learn)
            told["cpu_s"] = time.process_time() - start
            with out.open("a") as file:
                file.write(json.dumps(told) + "\n")


def summary(path: Path) -> pd.DataFrame:
    """Give medians over seasons by number of days, and how many seasons."""
    rows = pd.DataFrame([json.loads(line) for line in path.open()])
    groups = rows.drop(columns="season").groupby("days")
    return groups.median().assign(seasons=groups.size()).round(3)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=10)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--days", type=int, nargs="+", default=list(DAYS))
    parser.add_argument("--learn", action="store_true", help="learn the sizes from the laps")
    parser.add_argument("--out", type=Path, default=Path("days.jsonl"))
    parser.add_argument("--summary", type=Path, help="only report this file")
    asked = parser.parse_args()
    if asked.summary is None:
        numbers = range(asked.first, asked.first + asked.seasons)
        with threadpool_limits(limits=1):
            run(numbers, asked.days, asked.out, learn=asked.learn)
    print(summary(asked.summary or asked.out).to_string())


if __name__ == "__main__":
    main()
