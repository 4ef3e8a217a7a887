"""What a challenge rests on: the laps before its freeze, their fit, and who they belong to.

Later laps change nothing here, so a table of factors computed in spring is the same in autumn.
Fits are slow, so whoever asks may hand in a memory that keeps their bytes by a key.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.challenge.owners import FOLDS, LeftOut, leave_out
from benchmark.answers.entries import MODIFICATIONS, check_known, entries_of
from benchmark.errors import BadQuestion
from benchmark.intake.rules import Rules
from benchmark.model.fit import Draws, Fit
from benchmark.model.noise import Noise
from benchmark.model.refit import KEEP, Sizes, learn_sizes, refit, usual_sizes
from benchmark.trade.classes import SURFACES

Progress = Callable[[float, str], None]
Memory = Callable[[str, Callable[[], bytes]], bytes]
FACTS = ("build", "model", "induction", *MODIFICATIONS, "tyre_category", "treadwear", "driver",
         "driver_level")  # fmt: skip
RENEWAL_DRAWS = 150  # of a fit made anew before a later round
CROSS_FITTED = ("specification", "personal")  # kinds of factor that need fits without an owner
FOLDS_SHARE = 0.7  # of the work, where those are needed
THIN = 100  # posterior draws that events are simulated from
REFIT_FORMAT = "1"  # raised when a refit of the same laps would give other numbers


def no_memory(key: str, make: Callable[[], bytes]) -> bytes:
    """Make it anew each time."""
    del key
    return make()


@dataclass(frozen=True)
class Basis:
    """The ground of a challenge.

    Attributes
    ----------
    rules : as read.
    surface : of the laps that count in the rounds.
    fit : of the counted laps before the freeze, sizes plugged in; None where there are none.
    entries : one row an entry known before the freeze, as it stood then.
    cut_off : day of the latest lap before the freeze.
    laps : those laps.
    periods : what stewards ruled of protest periods, by circuit and ISO day: `open` or `closed`.
    """

    rules: Rules
    surface: str
    fit: Fit | None
    entries: pd.DataFrame
    cut_off: str | None
    laps: pd.DataFrame
    sizes: Sizes | None
    memory: Memory = field(default=no_memory, repr=False)
    progress: Progress | None = field(default=None, repr=False)
    periods: Mapping[tuple[str, str], str] = field(default_factory=dict, repr=False)
    # Tables of factors made so far, by kind; never handed on to another basis.
    made: dict[str, Any] = field(init=False, default_factory=dict, repr=False, compare=False)

    @property
    def known(self) -> Fit:
        """The fit.

        Raises
        ------
        BadQuestion
            No lap was driven before the freeze, so nothing is known of any entry.
        """
        if self.fit is None or self.entries.empty:
            raise BadQuestion(
                f"no counted {self.surface} lap before {self.rules.freeze} makes a factor: import "
                'earlier laps, write a later factor.freeze, or use factor.kind = "none"'
            )
        return self.fit

    @cached_property
    def thin(self) -> Fit:
        """The fit with few draws, evenly chosen, for events."""
        return thinned(self.known, THIN)

    @cached_property
    def left_out(self) -> LeftOut:
        """The owners in folds, with fits that never saw a lap of theirs.

        How large effects usually are is taken as published, the same for every club, since what
        the laps say of that would let an owner's laps in again.
        """
        if self.laps.empty:
            raise BadQuestion("no earlier laps to cross-fit a specification factor from")
        return leave_out(self.laps, self.entries, self._refit_without)

    def _refit_without(self, laps: pd.DataFrame, draws: int, done: float) -> Fit:
        start, share = 1 - FOLDS_SHARE + FOLDS_SHARE * done, FOLDS_SHARE / (FOLDS * (FOLDS + 1) / 2)
        part = _part(self.progress, start, share, "leaving owners out in turn")
        return remembered_fit(laps, usual_sizes(), self.memory, part, draws=draws)

    def stamp(self) -> dict[str, Any]:
        """Give what every table names: rules, data cut-off, fit, reference."""
        about: dict[str, Any] = {**self.rules.stamp(), "cut_off": self.cut_off}
        about["fit"] = self.fit.fit_id if self.fit else None
        about["mode"] = self.fit.mode if self.fit else None
        about["reference"] = {"surface": self.surface, "freeze": self.rules.freeze.isoformat()}
        if self.fit is not None:
            seen = [place for place in self.rules.places if place in self.fit.circuits.index]
            about["reference"]["conditions"] = {
                f"{circuit} {layout}": self.fit.reference(circuit, layout)
                for circuit, layout in seen
            }
        return about


def basis_of(
    laps: pd.DataFrame,
    rules: Rules,
    *,
    surface: str = "dry",
    memory: Memory = no_memory,
    progress: Progress | None = None,
) -> Basis:
    """Fit the counted laps before the freeze and say who they belong to.

    Parameters
    ----------
    laps : all counted laps of the store, with `lap_time_s`. [s]
    rules : of the challenge.
    surface : `dry`, `damp` or `wet`.
    memory : keeps refits by key; by default every refit is made anew.

    Raises
    ------
    BadQuestion
        An unknown surface, circuit, layout, car or model.
    """
    check_known("surface", surface, SURFACES)
    _check_names(laps, rules)
    before = _before(laps, rules.freeze)
    if before.empty:
        return Basis(rules, surface, None, pd.DataFrame(columns=FACTS), None, before, None)
    whole = 1 - FOLDS_SHARE if rules.factor["kind"] in CROSS_FITTED else 1.0
    learning = _part(progress, 0.0, 0.6 * whole, "how large chance is")
    sizes = _remembered_sizes(before, memory, learning)
    found = remembered_fit(before, sizes, memory, _part(progress, 0.6 * whole, 0.4 * whole, "pace"))
    return ground_on(rules, surface, found, before, sizes, memory, progress)


def renewed(basis: Basis, laps: pd.DataFrame, day: date) -> Basis:
    """Give the ground as it stands on a later day; the sizes stay as they were first learned.

    Parameters
    ----------
    laps : all counted laps of the store, with `lap_time_s`. [s]
    day : laps before it count.

    Returns
    -------
    The same object where no lap has been added, or where nothing was known before either.
    """
    before = _before(laps, day)
    if basis.sizes is None or len(before) <= len(basis.laps):
        return basis
    part = _part(basis.progress, 0.0, 1.0, f"anew, with the laps before {day}")
    found = remembered_fit(before, basis.sizes, basis.memory, part, draws=RENEWAL_DRAWS)
    about = (basis.rules, basis.surface, found, before, basis.sizes)
    ground = ground_on(*about, basis.memory, basis.progress)
    return replace(ground, periods=basis.periods)


def _before(laps: pd.DataFrame, day: date) -> pd.DataFrame:
    days = pd.to_datetime(laps["date"]).dt.strftime("%Y-%m-%d")
    return laps[(days < day.isoformat()).to_numpy()]


def ground_on(
    rules: Rules,
    surface: str,
    fit: Fit,
    laps: pd.DataFrame,
    sizes: Sizes,
    memory: Memory,
    progress: Progress | None = None,
) -> Basis:
    """Give the ground that a fit of these laps makes, whatever sizes it was told."""
    entries = _entries(fit, rules, surface)
    cut_off = str(fit.runs["date"].max())
    return Basis(rules, surface, fit, entries, cut_off, laps, sizes, memory, progress)


def _check_names(laps: pd.DataFrame, rules: Rules) -> None:
    for place in rules.rounds:
        check_known("circuit", place.circuit, laps["circuit"])
        here = laps[laps["circuit"] == place.circuit]
        check_known(f"layout of {place.circuit}", place.layout, here["layout"])
    for build in rules.entries["builds"]:
        check_known("build", build, laps["build"])
    for rule in rules.declared:
        for model in (model for way in rule.when for model in way.models):
            check_known("model", model, laps["model"])


def _entries(fit: Fit, rules: Rules, surface: str) -> pd.DataFrame:
    """Entries with a counted lap on this surface before the freeze, of those that may enter."""
    here = fit.runs[fit.runs["surface"] == surface]
    builds = set(here["build"])
    if rules.entries["builds"]:
        builds &= set(rules.entries["builds"])
    entries = entries_of(fit, builds, surface)
    allowed = entries["tyre_category"].isin(rules.entries["tyres"])
    return entries[allowed].reset_index(drop=True)


def rows_at(facts: pd.DataFrame, place: tuple[str, str], surface: str) -> pd.DataFrame:
    """The same entries at one circuit and layout, everything else at the reference."""
    rows = facts[list(FACTS)].reset_index(drop=True)
    return rows.assign(circuit=place[0], layout=place[1], surface=surface)


def own_pace(fit: Fit, facts: pd.DataFrame, place: tuple[str, str], surface: str) -> np.ndarray:
    """Draws of each entry's clean lap at the reference, log seconds, shape (draws, entries)."""
    return fit.log_time(_known_place(fit, rows_at(facts, place, surface)))


def declared_pace(
    fit: Fit, facts: pd.DataFrame, place: tuple[str, str], surface: str
) -> np.ndarray:
    """The same for an average car of the declared specification and a driver average of his level.

    Neither the car's nor the driver's own effect counts.
    """
    rows = rows_at(facts, place, surface).assign(build=None, driver=None, treadwear=np.nan)
    rows[list(MODIFICATIONS)] = rows[list(MODIFICATIONS)].fillna(0)
    return fit.log_time(_known_place(fit, rows))


def _known_place(fit: Fit, rows: pd.DataFrame) -> pd.DataFrame:
    """Stand in a circuit that the fit has not seen by the one it has seen most.

    What a circuit's lap takes is shared by all entries and cancels; only what suits a car or
    driver there is not known.
    """
    key = (rows["circuit"].iloc[0], rows["layout"].iloc[0])
    if key in fit.circuits.index:
        return rows
    most = fit.runs.groupby(["circuit", "layout"]).size().idxmax()
    return rows.assign(circuit=most[0], layout=most[1])  # type: ignore[index]


def thinned(fit: Fit, draws: int) -> Fit:
    """The same fit with fewer draws, evenly chosen."""
    keep = np.unique(np.linspace(0, fit.draws - 1, draws).astype(int))
    arrays = {name: value[keep] for name, value in fit.posterior.arrays().items()}
    return replace(fit, posterior=Draws.from_arrays(arrays))


def laps_key(laps: pd.DataFrame, *more: str) -> str:
    """Key of a refit: everything that its numbers depend on."""
    columns = sorted(c for c in laps.columns if c != "evidence")
    ordered = laps[columns].sort_values(columns).to_csv(index=False)
    return hashlib.sha256("\n".join([REFIT_FORMAT, *more, ordered]).encode()).hexdigest()


def remembered_fit(
    laps: pd.DataFrame,
    sizes: Sizes,
    memory: Memory,
    progress: Progress | None,
    *,
    draws: int = KEEP,
) -> Fit:
    """Refit these laps, or take the refit from the memory."""
    key = laps_key(laps, "fit", str(draws), _sizes_text(sizes))

    def make() -> bytes:
        return refit(laps, sizes, draws=draws, progress=progress).to_bytes()

    return Fit.from_bytes(memory(key, make))


def _remembered_sizes(laps: pd.DataFrame, memory: Memory, progress: Progress | None) -> Sizes:
    def make() -> bytes:
        return _sizes_text(learn_sizes(laps, progress=progress)).encode()

    told = json.loads(memory(laps_key(laps, "sizes"), make))
    noise = told["noise"]
    arrays = {name: np.array(noise[name]) for name in ("tau", "shares")}
    return Sizes(told["sd"], Noise(**(noise | arrays)), told["tau_of"])


def _sizes_text(sizes: Sizes) -> str:
    noise = {k: np.asarray(v).tolist() for k, v in sizes.noise.__dict__.items()}
    told = {"sd": dict(sizes.sd), "noise": noise, "tau_of": dict(sizes.tau_of)}
    return json.dumps(told, sort_keys=True)


def _part(progress: Progress | None, start: float, share: float, what: str) -> Progress | None:
    if progress is None:
        return None
    return lambda done, _: progress(min(start + share * done, 1.0), what)


def place_weights(rules: Rules, places: Sequence[tuple[str, str]]) -> np.ndarray:
    """Share of the rounds that each circuit and layout has."""
    count = np.array([sum((r.circuit, r.layout) == p for r in rules.rounds) for p in places])
    return np.asarray(count / count.sum())
