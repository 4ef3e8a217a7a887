"""What each entry's time is multiplied by: by class, by declared specification, or by own pace.

A factor is exp(handicap); the average entry known before the freeze has a factor of 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from benchmark.answers.challenge.basis import (
    Basis,
    declared_pace,
    own_pace,
    place_weights,
    renewed,
)
from benchmark.answers.challenge.classing import (
    class_order,
    complete_levels,
    declared_classes,
    pools,
)
from benchmark.answers.challenge.events import Events, simulate_events
from benchmark.answers.challenge.scoring import Policy, limited
from benchmark.answers.challenge.solving import equal_chances, group_best
from benchmark.answers.entries import MODIFICATIONS
from benchmark.intake.rules import Round
from benchmark.model.fit import Fit

# Draws by draw, softer: a single draw has few events. Choice of ours.
SOFT_OF_A_DRAW = (0.004, 0.0015)


@dataclass(frozen=True)
class Table:
    """The factors of a challenge, for entries known before the freeze and for newcomers.

    `first` is the table of the first round where this one was made anew for a later round: it
    says who is in which class, so that no entry changes class because others came.
    """

    basis: Basis
    kind: str
    first: Table | None = field(default=None, repr=False, compare=False)

    def for_round(self, laps: pd.DataFrame, at: Round) -> Table:
        """Give the factors of one round: these, or made anew where the rules renew them.

        Parameters
        ----------
        laps : all counted laps of the store, with `lap_time_s`; those before the round's day
            count. [s]
        """
        if not self.renews or at.date <= self.basis.rules.rounds[0].date:
            return self
        now = renewed(self.basis, laps, at.date)
        return self if now is self.basis else replace(self, basis=now, first=self)

    @property
    def renews(self) -> bool:
        """Whether the rules make these factors anew before each later round."""
        return self.kind == "class" and bool(self.basis.rules.factor["renew"])

    @property
    def entries(self) -> pd.DataFrame:
        """Entries known before the freeze, levels completed."""
        return complete_levels(self.basis.entries, self.basis.entries)

    @cached_property
    def places(self) -> tuple[tuple[str, str], ...]:
        """Circuits and layouts of the rounds."""
        return self.basis.rules.places

    @cached_property
    def weights(self) -> np.ndarray:
        """Share of the rounds at each."""
        return place_weights(self.basis.rules, self.places)

    @cached_property
    def policy(self) -> Policy:
        """How scored times are limited and personal factors move."""
        return Policy.of(self.basis.rules, self.kind)

    @cached_property
    def classes(self) -> list[str | None]:
        """Scoring class of each known entry; None where its class is left out."""
        if self.first is not None:
            return self.first.classes_of(self.entries)
        return [self.pooled.get(c) if c else None for c in self._declared]

    @cached_property
    def _declared(self) -> list[str | None]:
        return declared_classes(self.entries, self.basis.rules, self._pct(self.entries))

    @cached_property
    def pooled(self) -> dict[str, str | None]:
        """Scoring class of each class of the rules that has an entry."""
        return pools(self.basis.rules, self._declared, self._declared_median(self.entries))

    def _declared_median(self, facts: pd.DataFrame) -> np.ndarray:
        draws = self.averaged(self.basis.thin, facts, declared=True)
        return np.asarray(np.median(draws, axis=0))

    def _pct(self, facts: pd.DataFrame) -> np.ndarray | None:
        if self.basis.rules.classes["by"] != "pace":
            return None
        return expected_pct(self.basis.thin, facts, self.places, self.weights, self.basis.surface)

    def averaged(self, fit: Fit, facts: pd.DataFrame, *, declared: bool) -> np.ndarray:
        """Draws of pace, averaged over the rounds' places; log seconds, (draws, entries)."""
        ask = declared_pace if declared else own_pace
        paces = [ask(fit, facts, place, self.basis.surface) for place in self.places]
        return np.asarray(np.tensordot(self.weights, np.stack(paces), axes=1))

    def classes_of(self, facts: pd.DataFrame) -> list[str | None]:
        """Scoring class of entries as they stand in a round.

        A class that had no entry before the freeze scores with the one of nearest expected pace,
        or by itself where the rules keep small classes.
        """
        if self.first is not None:
            return self.first.classes_of(facts)
        facts = complete_levels(facts, self.basis.entries)
        found = declared_classes(facts, self.basis.rules, self._pct(facts) if len(facts) else None)
        return [self._scoring(c, facts.iloc[[i]]) for i, c in enumerate(found)]

    def _scoring(self, declared: str | None, row: pd.DataFrame) -> str | None:
        if declared is None:
            return None
        if self.basis.fit is None or declared in self.pooled:
            return self.pooled.get(declared) if self.basis.fit else declared
        small = self.basis.rules.classes["small"]
        if small == "pool":
            return self._nearest(row)
        return declared if small == "keep" else None

    def _nearest(self, row: pd.DataFrame) -> str:
        pace = float(self._declared_median(row)[0])
        return min(self._class_pace, key=lambda c: abs(self._class_pace[c] - pace))

    @cached_property
    def _class_pace(self) -> dict[str, float]:
        pace = self._declared_median(self.entries)
        names = [c for c in dict.fromkeys(self.classes) if c]
        return {c: float(np.mean(pace[[k == c for k in self.classes]])) for c in names}

    # Handicaps, in log time: what is added to the log of a time.

    @cached_property
    def scoring(self) -> np.ndarray:
        """Which known entries score at all."""
        return np.array([c is not None for c in self.classes])

    @cached_property
    def events(self) -> Events:
        """Simulated events of the known entries that score."""
        chosen = self.entries[self.scoring].reset_index(drop=True)
        return simulate_events(self.basis, chosen, self.places, self.weights)

    @cached_property
    def class_names(self) -> list[str]:
        """Scoring classes that have an entry, in the order of the rules."""
        if self.first is not None:
            there = {c for c in self.classes if c}
            kept = [c for c in self.first.class_names if c in there]
            return kept + sorted(there - set(kept))
        order = class_order(self.basis.rules, self._declared)
        return list(dict.fromkeys(name for c in order if (name := self.pooled[c])))

    @cached_property
    def group(self) -> np.ndarray:
        """Index of its class of each known entry that scores."""
        return np.array([self.class_names.index(c) for c in self.classes if c])

    @cached_property
    def fair(self) -> np.ndarray:
        """Share of the entries in each class."""
        return np.bincount(self.group, minlength=len(self.class_names)) / len(self.group)

    @cached_property
    def class_handicap(self) -> np.ndarray:
        """Handicap of each class, solved for equal chances of winning."""
        return self.solved(self.events)

    def solved(self, events: Events) -> np.ndarray:
        """Solve the class handicaps on given events."""
        scores = limited(events.log_time, events.assumed, self.policy)
        flat = scores.reshape(-1, scores.shape[-1])
        return equal_chances(group_best(flat, self.group, len(self.class_names)), self.fair)

    def class_handicap_draws(self) -> np.ndarray:
        """The handicaps that would be solved if one draw were the truth, (draws, classes)."""
        scores = limited(self.events.log_time, self.events.assumed, self.policy)
        return np.array([
            equal_chances(group_best(one, self.group, len(self.class_names)), self.fair,
                          SOFT_OF_A_DRAW)
            for one in scores
        ])  # fmt: skip

    @cached_property
    def _own_mean(self) -> np.ndarray:
        own = self.averaged(self.basis.known, self.entries, declared=False)
        return np.asarray(own.mean(axis=1))

    def own_relative(self, facts: pd.DataFrame) -> np.ndarray:
        """Draws of own earlier pace less that of the average known entry."""
        own = self.averaged(self.basis.known, facts, declared=False)
        return np.asarray(own - self._own_mean[:, None])

    def declared_relative(self, facts: pd.DataFrame) -> np.ndarray:
        """What each declared car's pace is less that of the average known entry. [log s]

        Each is compared with the known entries fold by fold, in the fit that left out its own
        owner and theirs; an entry of no fold is in no fit.
        """
        left, known = self.basis.left_out, self.entries
        fold = [left.number(build) for build in facts["build"]]
        out = np.zeros(len(facts))
        for other, builds in enumerate(left.folds):
            rivals = known[known["build"].isin(builds)]
            for own in set(fold):
                mine = [i for i, number in enumerate(fold) if number == own]
                fit = left.without(other if own is None else own, other)
                both = pd.concat([facts.iloc[mine], rivals], ignore_index=True)
                pace = self.averaged(fit, both, declared=True).mean(axis=0)
                off = pace[: len(mine)] - pace[len(mine) :].mean()
                out[mine] += off * len(rivals) / len(known)
        return out

    def declared_draws(self) -> np.ndarray:
        """Draws of the declared pace of each known entry less the average, (draws, entries).

        From the fit without its own fold's owners; for intervals.
        """
        left, known = self.basis.left_out, self.entries
        out: dict[str, np.ndarray] = {}
        for number, builds in enumerate(left.folds):
            pace = self.averaged(left.without(number, number), known, declared=True)
            pace = pace - pace.mean(axis=1, keepdims=True)
            names = enumerate(known["build"])
            out |= {build: pace[:, k] for k, build in names if build in builds}
        return np.column_stack([out[build] for build in known["build"]])

    def is_newcomer(self, facts: pd.DataFrame) -> np.ndarray:
        """Which entries have no lap before the freeze."""
        return ~facts["build"].isin(self.basis.entries["build"]).to_numpy()

    def assumed_relative(self, facts: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        """What a personal factor assumes of each entry, and how slow it may ever assume it.

        The entry's own earlier pace, but no slower than the floor above its declared
        specification; a newcomer's is its declared specification's, less the caution.
        """
        factor = self.basis.rules.factor
        own = np.median(self.own_relative(facts), axis=0)
        declared = self.declared_relative(facts)
        new = self.is_newcomer(facts)
        floor = np.full(len(facts), np.inf)
        if factor["ratchet"]:
            floor = declared + factor["floor_pct"] / 100
        assumed = np.minimum(own, floor)
        assumed[new] = declared[new] - factor["newcomer_pct"] / 100
        return assumed, np.maximum(floor, assumed)

    def handicaps(
        self, facts: pd.DataFrame, classes: Sequence[str | None]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Handicap of each entry of a round, and how far a personal one may loosen from there."""
        room = np.zeros(len(facts))
        if self.kind == "none" or not len(facts):
            return np.zeros(len(facts)), room
        facts = complete_levels(facts, self.basis.entries)
        if self.kind == "class":
            by_class = dict(zip(self.class_names, self.class_handicap, strict=True))
            known = [c if c in by_class else self._nearest(facts.iloc[[i]])
                     for i, c in enumerate(classes)]  # fmt: skip
            return np.array([by_class[c] for c in known]), room
        if self.kind == "specification":
            return -self.declared_relative(facts), room
        assumed, floor = self.assumed_relative(facts)
        return -assumed, floor - assumed

    def assumed_at(
        self, facts: pd.DataFrame, place: tuple[str, str], handicap: np.ndarray
    ) -> np.ndarray:
        """Pace assumed of each entry at a circuit, against which the tolerance is held. [log s]

        Its own earlier pace there; under a personal factor moved as the factor is.
        """
        if self.basis.fit is None:
            return np.full(len(facts), np.nan)
        facts = complete_levels(facts, self.basis.entries)
        here = np.median(own_pace(self.basis.known, facts, place, self.basis.surface), axis=0)
        if self.kind != "personal":
            return np.asarray(here)
        moved = -handicap - np.median(self.own_relative(facts), axis=0)
        return np.asarray(here + moved)


def expected_pct(
    fit: Fit,
    facts: pd.DataFrame,
    places: Sequence[tuple[str, str]],
    weights: np.ndarray,
    surface: str,
) -> np.ndarray:
    """Expected pace at equal driver and conditions, in percent of a standard car's lap.

    The declared car with an average club driver, over the average standard natural car on
    touring tyres with the same driver.
    """
    equal = facts.assign(driver_level="club")
    standard = equal.head(1).assign(model=None, induction="natural", tyre_category="touring",
                                    build=None, **dict.fromkeys(MODIFICATIONS, 0))  # fmt: skip
    both = pd.concat([equal, standard], ignore_index=True)
    paces = np.stack([declared_pace(fit, both, place, surface) for place in places])
    pace = np.tensordot(weights, paces, axes=1)
    return np.asarray(100 * np.exp(np.median(pace[:, :-1] - pace[:, -1:], axis=0)))


def table_of(basis: Basis, kind: str | None = None) -> Table:
    """Make the table of factors that the rules ask for, or of another kind."""
    wanted = kind or basis.rules.factor["kind"]
    table: Table = basis.made.setdefault(wanted, Table(basis, wanted))
    return table
