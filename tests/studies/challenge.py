"""Are the factors fair, and can they be gamed? Simulated club seasons with known truth.

Each season has 24 entries over eight days (`CLUB`, every fact recorded). Its laps make the
factors as they would before a first round. Then events are run in the truth: the true pace of each
entry at both circuits, the true spread of days and outings, the true noise of laps. Beside the
factors from laps stand those of an oracle that knows the true paces. Under `renew` six rounds are
run; each adds twelve laps of every entry to the record, from which the next round's class factors
are made.

In every tenth season the factors are renewed. What slow driving gains is tried by
`tests.studies.slow_driving`.

    python -m tests.studies.challenge --seasons 200 --out seasons.jsonl
    python -m tests.studies.challenge --summary seasons.jsonl

`--kinds class` or `--kinds personal` does one half alone; `--memory FOLDER` keeps refits, so that
a run that was stopped goes on where it was.

Results, 2026-11-27, two cores that other work shared in part, 10 to 15 s of a core a season (60 s
more where factors are renewed): `--seasons 100` and `--seasons 100 --first 101`, 200 seasons in
all. Medians over seasons; then, over all seasons together, wins over fair share of the slowest, the
other and the quickest classes with standard errors:

    rule                                  odds   top   able   slowest      between      quickest
    class factors, first round            4.22  0.50   17 %   0.92 ±0.04   1.01 ±0.04   1.07 ±0.04
    class factors, oracle                 1.06  0.39   17 %   1.00 ±0.00   1.00 ±0.00   1.00 ±0.00
    personal factors, first round         3.45  0.28   50 %   0.89 ±0.03   1.01 ±0.03   1.10 ±0.04
    personal factors, oracle              2.28  0.21   71 %   1.02 ±0.03   1.00 ±0.02   0.98 ±0.03
    personal factors, six rounds          2.18  0.19   74 %   0.95 ±0.02   1.01 ±0.02   1.04 ±0.03
    personal factors, oracle, six rounds  2.29  0.20   71 %   1.02 ±0.03   1.00 ±0.02   0.98 ±0.03

Over all seasons together the odds between those three are 1.16 for class factors and 1.00 from
the true paces, so within 1.3 times; the slowest class comes a little short of its share. Within
a single season they are not (median 4.2 against 1.06), and cannot be from three days of laps: these
tell a car's own pace to 0.30 % (as the fit says of itself), one event's luck is 0.35 %, and a class
hangs on its one or two quickest cars. In ten seasons the odds were no better whether shares or
squared log odds were aimed at and with a tolerance of 0.25 %, 0.75 % or none, and even from the
true paces they would be 1.6 with the sizes of chance that the fit finds. Each round tells more: in
the 20 seasons that renew, factors kept for six rounds had median odds of 3.7, made anew before each
round 2.6 over six and 2.1 in the last, and 1.07 from the true paces.

Personal factors let 1.04 times as many entries win as the oracle's over six rounds (0.73 times
in the first).
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.challenge import owners
from benchmark.answers.challenge.basis import Basis, Memory, basis_of, no_memory
from benchmark.answers.challenge.counting import counted_time
from benchmark.answers.challenge.events import laps_in_event, win_shares
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.fairness import ABLE, odds_between
from benchmark.answers.challenge.scoring import limited, play
from benchmark.answers.challenge.solving import equal_chances, group_best
from benchmark.answers.entries import MODIFICATIONS
from benchmark.intake.rules import Round, parse_rules
from benchmark.model.plan import CLUB
from benchmark.model.simulate import Season, clean_laps, simulate

EVENTS = 6000
SEASONS = 1000
KINDS = ("class", "personal")
WEATHER = {"air_temp_c": 20.0, "track_temp_c": 30.0, "humidity_pct": 50.0}  # of a later round
EVERY = 10  # seasons, of which one renews its factors
FOLD_DRAWS = 60  # only means are read from a fit without some owners
PLAN = replace(CLUB, n_builds=24, n_drivers=24, p_gross=0.0).recorded_fully()
ROUNDS = "\n".join(
    f'[[rounds]]\nname = "R{k}"\ncircuit = "{place}"\ndate = 2027-0{k}-01'
    for k, place in enumerate(["Invented North", "Invented South"] * 3, 1)
)
RULES = f"""
name = "Study"
version = 1
{ROUNDS}
[classes]
minimum = 4
[laps]
count = "expected-best"
k = 3
minimum = 3
[factor]
kind = "personal"
tolerance_pct = 0.75
"""


def true_pace(season: Season, table: Table) -> np.ndarray:
    """True log time of each entry at the reference, (places, entries)."""
    facts = table.entries[table.scoring]
    rows = [facts.assign(circuit=c, layout=at) for c, at in table.places]
    kept = ["circuit", "layout", "build", "model", "induction", "tyre_category", "treadwear",
            "driver", "driver_level", *MODIFICATIONS]  # fmt: skip
    return np.stack([season.truth.log_time(r[kept]) for r in rows])


def true_chances(season: Season, table: Table, events: int, rng: np.random.Generator) -> np.ndarray:
    """What a day, an outing and the laps' noise add in the truth, (events, entries)."""
    sds, noise = season.truth.sds, season.truth.noise
    laps, rule = laps_in_event(table.basis), table.basis.rules.laps
    entries = table.entries[table.scoring]
    tau = np.array([noise.tau[d] for d in entries["driver"]])
    shape = (events, len(tau), laps)
    lap = noise.sigma * rng.standard_normal(shape)
    lap = lap + tau[None, :, None] * rng.standard_exponential(shape)
    state = np.hypot(sds["build_day"], sds["outing"]) * rng.standard_normal(shape[:2])
    return state + counted_time(lap, rule["count"], rule["k"])


def figures(scores: np.ndarray, table: Table) -> dict[str, float]:
    share = win_shares(scores)
    of_class = np.bincount(table.group, share, minlength=len(table.fair))
    return {
        "odds": odds_between(of_class, table.fair, len(scores)),
        "top": float(share.max()),
        "able": float((share > ABLE).mean()),
        "classes": of_class.tolist(),
        "fair": table.fair.tolist(),
        "names": table.class_names,
    }


def judged(
    season: Season, basis: Basis, kinds: Sequence[str], rng: np.random.Generator, *, renew: bool
) -> dict[str, object]:
    """Fairness in the truth of these kinds of factor, from laps and from the oracle."""
    table = table_of(basis, "class")
    entries = table.entries[table.scoring].reset_index(drop=True)
    names = [c for c in table.classes if c]
    true = true_pace(season, table)
    place = np.arange(EVENTS) % len(true)
    out: dict[str, object] = {}
    for kind in kinds:
        one = Table(basis, kind)
        times = true[place] + true_chances(season, one, EVENTS, rng)
        handicap, _ = one.handicaps(entries, names)
        assumed = np.stack([one.assumed_at(entries, p, handicap) for p in one.places])[place]
        out[kind] = figures(limited(times, assumed, one.policy) + handicap, one)
        other = true[place] + true_chances(season, one, EVENTS, rng)
        if kind == "class":
            best = group_best(limited(other, true[place], one.policy), one.group, len(one.fair))
            oracle = equal_chances(best, one.fair)[one.group]
            out |= renewed_rounds(one, true, season, rng) if renew else {}
        else:
            oracle = -true.mean(axis=0)
            out |= over_rounds(one, true, season, rng)
        out[f"{kind}_oracle"] = figures(limited(times, true[place], one.policy) + oracle, one)
    return out


def over_rounds(
    table: Table, true: np.ndarray, season: Season, rng: np.random.Generator
) -> dict[str, object]:
    """Share of wins over six rounds under personal factors that move as the rules say."""
    entries = table.entries[table.scoring].reset_index(drop=True)
    handicap, room = table.handicaps(entries, [c for c in table.classes if c])
    at = [table.places.index((r.circuit, r.layout)) for r in table.basis.rules.rounds]
    times = np.stack([true[p] + true_chances(season, table, SEASONS, rng) for p in at], axis=1)
    assumed = np.stack([table.assumed_at(entries, table.places[p], handicap) for p in at])
    scored = play(times, assumed, np.tile(handicap, (len(at), 1)), room, table.policy).scored
    known = [limited(times[:, k], true[p], table.policy) for k, p in enumerate(at)]
    oracle = np.stack(known, axis=1) - true.mean(axis=0)
    flat = {"rounds": scored, "rounds_oracle": oracle}
    return {name: figures(s.reshape(-1, s.shape[-1]), table) for name, s in flat.items()}


def renewed_rounds(
    table: Table, true: np.ndarray, season: Season, rng: np.random.Generator
) -> dict[str, object]:
    """Wins of one season's six rounds under class factors made anew before each round.

    Every round is judged by many events in the truth; one day of laps is then added to the record.
    """
    entries = table.entries[table.scoring].reset_index(drop=True)
    rules = table.basis.rules
    basis = replace(table.basis, rules=replace(rules, factor={**rules.factor, "renew": True}))
    first = Table(basis, "class")
    laps = season.counted()
    still: list[np.ndarray] = []
    moved: list[np.ndarray] = []
    known: list[np.ndarray] = []
    for at in rules.rounds:
        place = (at.circuit, at.layout)
        here = true[table.places.index(place)]
        times = here + true_chances(season, table, SEASONS, rng)
        now = first.for_round(laps, at)
        for scores, one in ((still, first), (moved, now)):
            handicap, _ = one.handicaps(entries, [c for c in table.classes if c])
            assumed = one.assumed_at(entries, place, handicap)
            scores.append(limited(times, assumed, one.policy) + handicap)
        other = limited(here + true_chances(season, table, SEASONS, rng), here, table.policy)
        oracle = equal_chances(group_best(other, table.group, len(table.fair)), table.fair)
        known.append(limited(times, here, table.policy) + oracle[table.group])
        laps = pd.concat([laps, laps_of_round(season, entries, at, rng)], ignore_index=True)
    out: dict[str, object] = {
        name: figures(np.concatenate(scores), table)
        for name, scores in (("class_rounds", still), ("renewed", moved), ("class_known", known))
    }
    out["renewed_last"] = figures(np.concatenate(moved[-2:]), table)
    return out


def laps_of_round(
    season: Season, entries: pd.DataFrame, at: Round, rng: np.random.Generator
) -> pd.DataFrame:
    """One round as it goes into the record: three outings of four laps by every entry."""
    drivers = list(entries["driver"])
    outings = []
    day = _effects(season, "day", 1, rng)
    of_build = _effects(season, "build_day", len(entries), rng)
    for number in (1, 2, 3):
        state = day + of_build + _effects(season, "outing", len(entries), rng)
        state = state + _effects(season, "session", 1, rng)
        noise = clean_laps(season.truth, drivers, 4, rng)
        rows = pd.concat([entries.assign(lap=lap) for lap in range(2, 6)], ignore_index=True)
        rows = rows.assign(circuit=at.circuit, layout=at.layout)
        luck = np.tile(state, 4) + noise.T.ravel()
        rows["lap_time_s"] = np.round(np.exp(season.truth.log_time(rows) + luck), 3)
        outings.append(rows.assign(session=f"Session {number}", run=1))
    same: dict[str, Any] = {"date": at.date.isoformat(), "surface": "dry", "timing": "transponder",
            "lap_kind": "timed", "tyre_heat_cycles": 2.0, **WEATHER}  # fmt: skip
    table = pd.concat(outings, ignore_index=True).assign(**same)
    return table.reindex(columns=season.laps.columns)


def _effects(season: Season, group: str, number: int, rng: np.random.Generator) -> np.ndarray:
    return season.truth.sds[group] * rng.standard_normal(number)


def run(numbers: range, kinds: Sequence[str], out: Path, memory: Memory = no_memory) -> None:
    """Append one line a season to the file; what is there already is not done again."""
    rules = parse_rules(RULES)
    owners.ALONE_DRAWS = owners.PAIR_DRAWS = FOLD_DRAWS
    done = {json.loads(line)["season"] for line in out.open()} if out.exists() else set()
    for number in numbers:
        if number in done:
            continue
        start = time.time()
        season = simulate(PLAN, number)
        laps = season.counted()
        basis = basis_of(laps, rules, memory=memory)
        told: dict[str, object] = {"season": number}
        rng = np.random.default_rng(number)
        told |= judged(season, basis, kinds, rng, renew=number % EVERY == EVERY // 2)
        told["seconds"] = time.time() - start
        with out.open("a") as file:
            file.write(json.dumps(told) + "\n")


def folder(path: Path) -> Memory:
    """Keep refits as files in a folder, for runs that are stopped and started again."""
    path.mkdir(parents=True, exist_ok=True)

    def kept(key: str, make: Callable[[], bytes]) -> bytes:
        file = path / key
        if not file.exists():
            file.write_bytes(make())
        return file.read_bytes()

    return kept


def pooled(kind: str, told: list[dict[str, Any]]) -> dict[str, object]:
    """Wins over fair share of the slowest, the quickest and the other classes, over all seasons.

    With the standard error over seasons; the odds are the largest over the smallest.
    """
    extra: dict[str, list[float]] = {}
    due: dict[str, float] = {}
    for one in told:
        last = len(one["names"]) - 1
        for k, (won, fair) in enumerate(zip(one["classes"], one["fair"], strict=True)):
            name = "slowest" if k == 0 else "quickest" if k == last else "between"
            extra.setdefault(name, []).append(won - fair)
            due[name] = due.get(name, 0.0) + fair
    ratio = {c: 1 + sum(extra[c]) / due[c] for c in due}
    error = {c: float(np.std(extra[c])) * np.sqrt(len(extra[c])) / due[c] for c in due}
    return {
        f"{kind} pooled wins over fair": {c: f"{ratio[c]:.2f} ± {error[c]:.2f}" for c in due},
        f"{kind} pooled odds": round(max(ratio.values()) / min(ratio.values()), 3),
    }


def summary(paths: Sequence[Path]) -> dict[str, object]:
    """Medians over seasons, and pooled shares."""
    rows = [json.loads(line) for path in paths for line in path.open()]
    out: dict[str, object] = {"seasons": len(rows)}
    kinds = ("class", "class_oracle", "class_rounds", "renewed", "renewed_last", "class_known",
             "personal", "personal_oracle", "rounds", "rounds_oracle")  # fmt: skip
    for kind in kinds:
        told = [row[kind] for row in rows if kind in row]
        if not told:
            continue
        out[f"{kind} seasons"] = len(told)
        for name in ("odds", "top", "able"):
            out[f"{kind} {name}"] = round(float(np.median([one[name] for one in told])), 3)
        out |= pooled(kind, told)
    for kind in [k for k in ("personal", "rounds") if k in rows[0]]:
        able, known = (
            np.mean([r[name]["able"] for r in rows]) for name in (kind, f"{kind}_oracle")
        )
        out[f"{kind} able over oracle's"] = round(float(able / known), 3)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("seasons.jsonl"))
    parser.add_argument("--kinds", nargs="+", default=KINDS, choices=KINDS)
    parser.add_argument("--memory", type=Path, help="folder that keeps refits")
    parser.add_argument("--summary", type=Path, nargs="+", help="only report these files")
    asked = parser.parse_args()
    if asked.summary is None:
        memory = folder(asked.memory) if asked.memory else no_memory
        numbers = range(asked.first, asked.first + asked.seasons)
        run(numbers, asked.kinds, asked.out, memory)
    print(json.dumps(summary(asked.summary or [asked.out]), indent=1))


if __name__ == "__main__":
    main()
