"""What another rule would do: other rules side by side, other kinds of factor, slow driving."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.challenge.basis import Basis, Progress, own_pace
from benchmark.answers.challenge.events import Events, entry_chances, laps_in_event
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.fairness import OVERALL, Fairness, fairness
from benchmark.answers.challenge.scoring import Policy, play
from benchmark.intake.rule_keys import KINDS

FIGURES = (*OVERALL, "odds_known", "quickest_wins")
FIELDS = ("rules", "class", "entries", "win_share", "fair_share", "low", "high", *FIGURES)
CHOICE_FIELDS = ("kind", *FIGURES, "slow_gain", "slow_gain_unguarded")
SLOW = 0.02  # of the lap: slow driving before the freeze, for what can be gamed
GAMEABLE = ("class", "personal")  # kinds with which an entry's own laps reach its factor
SEASONS = 10  # simulated seasons a posterior draw
EVENTS = 60  # events a draw from which class factors are solved again for each entry


def side_by_side(named: dict[str, Fairness]) -> pd.DataFrame:
    """Lay fairness figures of several rules side by side: their classes, then one row `all`."""
    rows: list[dict[str, Any]] = []
    for name, found in named.items():
        rows += [{"rules": name} | dict(row) for row in _records(found.classes)]
        figures = {k: found.overall[k] for k in FIGURES}
        rows.append({"rules": name, "class": "all", "entries": len(found.entries), **figures})
    return pd.DataFrame(rows).reindex(columns=list(FIELDS))


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def kinds_compared(basis: Basis, progress: Progress | None = None) -> pd.DataFrame:
    """For the club's own entries, what each kind of factor would do.

    Parameters
    ----------
    basis : of the challenge.
    progress : told the share done and what comes next; by default that of the basis.

    Returns
    -------
    One row a kind, columns `CHOICE_FIELDS`: the fairness figures, how often the quickest car of
    an event wins it, and the places in a round that an entry gains on average over the season by
    driving `SLOW` slower in every lap before the freeze, with the guards of the rules (tolerance,
    ratchet, floor) and without: missing for kinds with which no lap of an entry reaches its own
    factor.
    """
    report = progress or basis.progress
    rows = []
    for number, kind in enumerate(KINDS):
        if report:
            report(number / len(KINDS), f"kind {kind}")
        table = table_of(basis, kind)
        found = fairness(table).overall
        row = {"kind": kind, **{name: found[name] for name in FIGURES}}
        if kind in GAMEABLE:
            row["slow_gain"] = slow_gain(table)
            row["slow_gain_unguarded"] = slow_gain(table, guarded=False)
        rows.append(row)
    return pd.DataFrame(rows, columns=list(CHOICE_FIELDS))


def slow_gain(table: Table, *, guarded: bool = True, slow: float = SLOW) -> float:
    """Places a round that slow driving before the freeze gains, averaged over entries and rounds.

    Each entry in turn drives `slow` slower in every earlier lap, so that its earlier pace reads
    that much slower, and then drives as it can. For the kinds in `GAMEABLE`.
    """
    game = _Game(table, guarded=guarded)
    return float(np.mean([game.gain(i, slow) for i in range(game.n)]))


class _Game:
    """Simulated seasons of the known entries, in which one of them may have driven slowly."""

    def __init__(self, table: Table, *, guarded: bool) -> None:
        if not guarded:
            factor = {**table.basis.rules.factor, "ratchet": False, "tolerance_pct": None}
            table = Table(replace(table.basis, rules=replace(table.basis.rules, factor=factor)),
                          table.kind)  # fmt: skip
        self.table = table
        self.policy: Policy = table.policy
        self.entries = table.entries[table.scoring].reset_index(drop=True)
        self.n = len(self.entries)
        self.handicap, self.room = table.handicaps(self.entries, [c for c in table.classes if c])
        if table.kind == "class":
            self.handicap = self._resolved(0, 0.0)
        self.rounds = [table.places.index((r.circuit, r.layout)) for r in table.basis.rules.rounds]
        self.times, self.assumed = self._seasons()
        self.honest = self._places(self.handicap, self.assumed)
        if table.kind == "personal":
            self.own = np.median(table.own_relative(self.entries), axis=0)
            self.floor = self.room - self.handicap

    def _seasons(self) -> tuple[np.ndarray, np.ndarray]:

        basis = self.table.basis
        paces = [own_pace(basis.thin, self.entries, p, basis.surface) for p in self.table.places]
        laps, rule = laps_in_event(basis), basis.rules.laps
        times = [
            paces[p][:, None, :]
            + entry_chances(basis.thin, self.entries, SEASONS, laps, rule, f"season {t}")
            for t, p in enumerate(self.rounds)
        ]
        stacked = np.stack(times, axis=2).reshape(-1, len(self.rounds), self.n)
        centre = [np.median(paces[p], axis=0) for p in self.rounds]
        if self.table.kind == "personal":
            own = np.median(self.table.own_relative(self.entries), axis=0)
            centre = [c - self.handicap - own for c in centre]
        return stacked, np.stack(centre)

    def _places(self, handicap: np.ndarray, assumed: np.ndarray) -> np.ndarray:
        """Mean place of each entry, over seasons and rounds."""
        per_round = np.tile(handicap, (len(self.rounds), 1))
        scored = play(self.times, assumed, per_round, self.room, self.policy).scored
        return np.asarray((np.argsort(np.argsort(scored, axis=2), axis=2) + 1).mean(axis=(0, 1)))

    def gain(self, i: int, slow: float) -> float:
        """Places that entry `i` gains."""
        handicap, assumed = self.handicap.copy(), self.assumed.copy()
        if self.table.kind == "class":
            handicap = self._resolved(i, slow)
            assumed[:, i] += slow
        else:
            pretended = min(self.own[i] + slow, self.floor[i])
            assumed[:, i] += pretended + self.handicap[i]
            handicap[i] = -pretended
        return float(self.honest[i] - self._places(handicap, assumed)[i])

    def _resolved(self, i: int, slow: float) -> np.ndarray:
        """Class handicaps solved for events in which entry `i` is that much slower."""
        table = self.table
        step = max(table.events.log_time.shape[1] // EVENTS, 1)
        times = table.events.log_time[:, ::step].copy()
        times[:, :, i] += slow
        assumed = table.events.assumed[::step].copy()
        assumed[:, i] += slow
        place = table.events.place[::step]
        found = table.solved(Events(times, assumed, place))
        return np.asarray(found[table.group])
