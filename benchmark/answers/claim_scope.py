"""Whom a claim is compared with: the laps as they were driven, and the entries as they stand.

A rival's lap is in scope where its own specification and tyre on its day are; a rival's entry is
in scope where its latest specification and latest tyre are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.answers.claim_case import Case
from benchmark.answers.entries import (
    LAP_ORDER,
    MODIFICATIONS,
    class_of,
    entries_of,
    laps_in_scope,
    reference_rows,
    usual_levels,
)
from benchmark.model.fit import Fit
from benchmark.model.structure import spec_texts

RIVAL_WITHIN = 0.01  # share of the lap time


@dataclass(frozen=True)
class Scope:
    """The company that a claim is in.

    Attributes
    ----------
    what : what a rival shares with the claim, such as {"model": ..., "class": ...}.
    laps : counted laps of other builds in scope, the quickest first, with the facts of their run.
    best : the quickest of them of each build, the quickest first.
    entries : other builds in scope as they stand, with a lap here.
    adjusted : of `entries` at reference conditions, log seconds, shape (draws, entries).
    """

    what: Mapping[str, str]
    laps: pd.DataFrame
    best: pd.DataFrame
    entries: pd.DataFrame
    adjusted: np.ndarray

    @property
    def standing(self) -> pd.Series | None:
        """The quickest counted lap of another build, or None."""
        return None if self.best.empty else self.best.iloc[0]


@dataclass(frozen=True)
class Field:
    """All other builds here, from which scopes are chosen: their laps, entries and `adjusted`."""

    laps: pd.DataFrame
    entries: pd.DataFrame
    adjusted: np.ndarray

    def scope(self, what: Mapping[str, str]) -> Scope:
        """Choose the laps and entries that share `what` with a claim."""
        laps = self.laps[_shares(self.laps, what)].reset_index(drop=True)
        chosen = _shares(self.entries, what)
        best = laps.drop_duplicates("build").reset_index(drop=True)
        entries = self.entries[chosen].reset_index(drop=True)
        return Scope(what, laps, best, entries, self.adjusted[:, chosen])


def find_field(fit: Fit, case: Case) -> Field:
    """Find the laps, quickest first with the class on their day, and entries of other builds."""
    laps = laps_in_scope(fit, *case.where, case.surface)
    laps = laps[laps["build"] != case.build]
    laps = laps.assign(**{"class": classes_on_day(fit, laps)})
    laps = laps.sort_values(["lap_time_s", *LAP_ORDER], kind="stable")
    entries = entries_of(fit, laps["build"].unique(), case.surface)
    rows = reference_rows(entries, *case.where, surface=case.surface)
    adjusted = fit.log_time(rows) if len(rows) else np.empty((fit.draws, 0))
    return Field(laps, entries, adjusted)


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


def classes_on_day(fit: Fit, laps: pd.DataFrame) -> list[str]:
    """Class of each lap's specification on its day."""
    usual = {model: usual_levels(fit, model) for model in laps["model"].unique()}
    specs = spec_texts(laps[list(MODIFICATIONS)].to_numpy(dtype=float))
    code, _ = pd.factorize(laps["model"].astype(object) + chr(31) + np.array(specs, object))
    first = np.unique(code, return_index=True)[1]
    rows = laps.iloc[first].to_dict("records")
    classes = [class_of(row, usual[row["model"]]) for row in rows]
    return [classes[k] for k in code]


def _shares(table: pd.DataFrame, what: Mapping[str, str]) -> np.ndarray:
    """Whether each row shares what a scope asks for."""
    same = np.ones(len(table), dtype=bool)
    for part, value in what.items():
        same &= (table["tyre_category" if part == "tyre" else part] == value).to_numpy()
    return same


def close_rivals(scope: Scope, claimed_s: float) -> pd.DataFrame:
    """Best laps in scope within 1 % of the claimed one, or quicker."""
    return scope.best[scope.best["lap_time_s"] <= claimed_s * (1 + RIVAL_WITHIN)]
