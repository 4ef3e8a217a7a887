"""Whom a claim is compared with: the laps as they were driven, and the entries as they stand.

A rival's lap is in scope where its own specification and tyre on its day are; a rival's entry is
in scope where its latest specification and latest tyre are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case
from benchmark.answers.entries import (
    MODIFICATIONS,
    class_of,
    entries_of,
    reference_rows,
    runs_in_scope,
    usual_levels,
)
from benchmark.answers.quickest import laps_here, quickest, quickest_of_each
from benchmark.model.fit import Fit
from benchmark.model.structure import spec_texts
from benchmark.trade.classes import AREAS, modification_class

RIVAL_WITHIN = 0.01  # share of the lap time


@dataclass(frozen=True)
class Scope:
    """The company that a claim is in.

    Attributes
    ----------
    what : what a rival shares with the claim, such as {"model": ..., "class": ...}.
    laps : number of counted laps of other builds in scope.
    days : the days of these laps, in order.
    best : the quickest of them of each build, the quickest first, with the facts of their run.
    second : the quickest lap but that one, of whatever build; one row, or none.
    entries : other builds in scope as they stand, with a lap here.
    adjusted : of `entries` at reference conditions, log seconds, shape (draws, entries).
    """

    what: Mapping[str, str]
    laps: int
    days: list[str]
    best: pd.DataFrame
    second: pd.DataFrame
    entries: pd.DataFrame
    adjusted: np.ndarray

    @property
    def standing(self) -> pd.Series | None:
        """The quickest counted lap of another build, or None."""
        return None if self.best.empty else self.best.iloc[0]

    def without_standing(self) -> Scope:
        """The scope as it would be if its quickest lap were struck, but for its other laps."""
        return replace(self, best=self.second, second=self.second.head(0))


class Field:
    """All other builds here, from which scopes are chosen.

    What an entry does at reference conditions is asked of the fit when a scope first holds it.

    Attributes
    ----------
    runs : their runs here, each with its class on that day, under its place in the fit's table.
    laps : the counted laps of these.
    entries : the builds as they stand.
    """

    def __init__(self, fit: Fit, case: Case) -> None:
        self._fit, self._case = fit, case
        places = runs_in_scope(fit, *case.where, case.surface)
        runs = fit.runs.iloc[places].set_axis(places)
        runs = runs[runs["build"] != case.build]
        self.runs = runs.assign(**{"class": classes_on_day(fit, runs)})
        self.laps = laps_here(fit, self.runs.index.to_numpy())
        self.entries = entries_of(fit, runs["build"].unique(), case.surface)
        self._adjusted = np.empty((len(self.entries), fit.draws)).T
        self._asked = np.zeros(len(self.entries), dtype=bool)

    def scope(self, what: Mapping[str, str]) -> Scope:
        """Choose the laps and entries that share `what` with a claim."""
        runs = self.runs[_shares(self.runs, what)]
        laps = self.laps.where(np.isin(self.laps.of_run, runs.index.to_numpy()))
        days = sorted(runs["date"].astype(str).unique())
        chosen = _shares(self.entries, what)
        entries = self.entries[chosen].reset_index(drop=True)
        best = quickest_of_each(self._fit, laps)
        left = laps.where(~np.isin(laps.laps, best.index[:1]))
        second = quickest(self._fit, left)
        adjusted = self._at_reference(chosen)
        return Scope(what, len(laps), days, best, second, entries, adjusted)

    def _at_reference(self, chosen: np.ndarray) -> np.ndarray:
        new = chosen & ~self._asked
        if new.any():
            entries = self.entries[new]
            rows = reference_rows(entries, *self._case.where, surface=self._case.surface)
            self._adjusted[:, new] = self._fit.log_time(rows)
            self._asked |= new
        return np.asarray(self._adjusted[:, chosen])


def scope_of(case: Case) -> dict[str, str]:
    """What a rival has to share, by column."""
    values = {
        "model": str(case.facts["model"]),
        "class": case.real_class,
        "tyre": str(case.facts["tyre_category"]),
    }
    return {part: values[part] for part in case.claim.scope.split(",")}


def scope_text(what: Mapping[str, str]) -> str:
    """Name a scope: "model Invented Wren, class light"."""
    return ", ".join(f"{part} {value}" for part, value in what.items())


def classes_on_day(fit: Fit, runs: pd.DataFrame) -> list[str]:
    """Class of each run's specification on its day."""
    levels = runs[list(MODIFICATIONS)].to_numpy(dtype=float)
    specs = np.array(spec_texts(levels), dtype=object)
    model = runs["model"].to_numpy(dtype=object)
    missing = np.isnan(levels).any(axis=1)
    # The model matters only where a level is taken as its most common one.
    code, _ = pd.factorize(np.where(missing, model + chr(31) + specs, specs))
    first = np.unique(code, return_index=True)[1]
    classes = [
        class_of(
            dict(zip(MODIFICATIONS, levels[k].tolist(), strict=True)),
            usual_levels(fit, str(model[k])),
        )
        if missing[k]
        else _class_of_spec(specs[k])
        for k in first
    ]
    return list(np.array(classes, dtype=object)[code])


@lru_cache(maxsize=4**6)  # as many as there are
def _class_of_spec(spec: str) -> str:
    """Class of a specification whose six levels are all recorded, written as digits."""
    return modification_class(dict(zip(AREAS, map(int, spec), strict=True)))


def _shares(table: pd.DataFrame, what: Mapping[str, str]) -> np.ndarray:
    """Whether each row shares what a scope asks for."""
    same = np.ones(len(table), dtype=bool)
    for part, value in what.items():
        same &= (table["tyre_category" if part == "tyre" else part] == value).to_numpy()
    return same


def close_rivals(scope: Scope, claimed_s: float) -> pd.DataFrame:
    """Best laps in scope within 1 % of the claimed one, or quicker."""
    return scope.best[scope.best["lap_time_s"] <= claimed_s * (1 + RIVAL_WITHIN)]
