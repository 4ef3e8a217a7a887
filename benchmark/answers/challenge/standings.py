"""Standings of each round and of the season, as timed and scored, with everybody left out named."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.challenge.basis import Basis, own_pace
from benchmark.answers.challenge.classing import NO_CLASS, complete_levels
from benchmark.answers.challenge.counting import best_of_weights
from benchmark.answers.challenge.entrants import Season, entrants
from benchmark.answers.challenge.events import entry_chances, laps_in_event
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.points import (
    Result,
    places,
    points_of,
    season_total,
    simulated_winners,
)
from benchmark.answers.challenge.scoring import limited, play
from benchmark.errors import BadQuestion
from benchmark.intake.rules import Round

SEASON = "season"
TIME_DECIMALS = 3  # scored times are compared as they are published, to the thousandth
REPEATS = 60  # simulated rounds a posterior draw: 6,000 in all, a chance is known to 0.006
FIELDS = ("place", "build", "driver", "class", "factor", "raw_s", "scored_s", "p_win", "round",
          "points", "status", "reason", "laps", "best_s", "limit_s", "attempts_s",
          "place_equal_attempts", "place_as_timed", "model", "tyre_category")  # fmt: skip
SEASON_FIELDS = (*FIELDS, "rounds")


@dataclass(frozen=True)
class Standings:
    """Standings of a challenge.

    Attributes
    ----------
    rounds : one row an entry and round held, columns `FIELDS`.
    season : one row an entry, columns `SEASON_FIELDS`; its times and factor are those of the
        entry's best round, its `rounds` a list of what it did in each.
    held, ahead : names of the rounds that have laps, and of those that have none yet.
    missing : of each round without laps whose day lies before the store's latest lap, a sentence.
    renewed : of each round whose factors were made anew, its name, data cut-off and fit.
    """

    rounds: pd.DataFrame
    season: pd.DataFrame
    held: tuple[str, ...]
    ahead: tuple[str, ...]
    missing: tuple[str, ...] = ()
    renewed: tuple[dict[str, Any], ...] = ()

    def stamp(self, basis: Basis) -> dict[str, Any]:
        """Give what the standings rest on, with what later rounds' factors were made from."""
        about = basis.stamp()
        return about | {"renewed": list(self.renewed)} if self.renewed else about

    def of(self, name: str | None) -> pd.DataFrame:
        """Give one round, or the season (which is the round itself where there is but one).

        Raises
        ------
        BadQuestion
            No such round has been held.
        """
        only_one = len(self.held) + len(self.ahead) == 1
        if name is None:
            return self.rounds if only_one else self.season
        if name == SEASON:
            return self.season
        if name not in self.held:
            raise BadQuestion.unknown("round held so far", name, [SEASON, *self.held])
        here: pd.DataFrame = self.rounds[self.rounds["round"] == name].reset_index(drop=True)
        return here


@dataclass(frozen=True)
class _Held:
    """One round with its field: entrants that score, in `field`, and those left out."""

    table: Table
    at: Round
    field: pd.DataFrame
    out: pd.DataFrame
    handicap: np.ndarray
    room: np.ndarray
    assumed: np.ndarray


def standings(basis: Basis, laps: pd.DataFrame, *, as_of: date | None = None) -> Standings:
    """Score every round held so far.

    Parameters
    ----------
    basis : rules and the fit of the laps before the freeze.
    laps : all counted laps of the store, with `lap_time_s`. [s]
    as_of : the day on which results are looked at: a round is final once its protest period is
        over. By default the day of the latest counted lap, so that the store alone decides. Where
        a steward has opened or closed the period of a round's day, that counts instead.
    """
    season, table = Season.of(laps), table_of(basis)
    seen = as_of or date.fromisoformat(str(season.frame.runs["date"].max()))
    found = [(at, entrants(basis, season, at)) for at in basis.rules.rounds]
    held = [_held(table.for_round(laps, at), at, who) for at, who in found if len(who)]
    without = [at for at, who in found if not len(who)]
    ahead, missing = tuple(at.name for at in without), _missing(basis, season, without)
    if not held:
        empty = pd.DataFrame(columns=list(SEASON_FIELDS))
        return Standings(empty, empty, (), ahead, missing)
    rounds = _scored(table, held, seen)
    final = not ahead and all(_is_final(basis, one.at, seen) for one in held)
    names = tuple(one.at.name for one in held)
    season_rows = _season(table, held, rounds, final=final)
    return Standings(rounds, season_rows, names, ahead, missing, _renewals(held))


def _missing(basis: Basis, season: Season, without: list[Round]) -> tuple[str, ...]:
    """Say of rounds that should have been run what the store has of their day instead."""
    days = season.laps["date"]
    told = []
    for at in without:
        day = at.date.isoformat()
        if day > str(days.max()):
            continue
        here = season.laps[days == day][["circuit", "layout", "surface"]].drop_duplicates()
        had = "; ".join(", ".join(map(str, place)) for place in here.to_numpy())
        told.append(
            f"{at.name}: no counted lap of {at.circuit}, {at.layout}, {basis.surface} on {day}. "
            f"Of that day the store has {had or 'no laps at all'}."
        )
    return tuple(told)


def _renewals(held: list[_Held]) -> tuple[dict[str, Any], ...]:
    """Say what the factors of each round rest on that were made anew."""
    grounds = [(one.at.name, one.table.basis.stamp()) for one in held if one.table.first]
    return tuple(
        {"round": name, "cut_off": about["cut_off"], "fit": about["fit"]} for name, about in grounds
    )


def _held(table: Table, at: Round, who: pd.DataFrame) -> _Held:
    classes = table.classes_of(who)
    reasons = []
    for (_, row), name in zip(who.iterrows(), classes, strict=True):
        told = row["reason"] if isinstance(row["reason"], str) else None
        if told is None and name is None:
            told = NO_CLASS
        reasons.append(told)
    who = who.copy()
    who["reason"] = pd.Series(reasons, who.index, dtype=object)
    who["class"] = pd.Series(classes, who.index, dtype=object)
    new = who["build"].isin(table.basis.entries["build"])
    rules = table.basis.rules.factor
    if table.kind == "personal" and rules["newcomers"] == "leave-out":
        why = "it has no lap before the freeze, and newcomers are left out"
        who["reason"] = who["reason"].where(who["reason"].notna() | new, why)
    inside = who["reason"].isna()
    field = who[inside].reset_index(drop=True)
    handicap, room = table.handicaps(field, list(field["class"]))
    assumed = table.assumed_at(field, (at.circuit, at.layout), handicap) if len(field) else handicap
    return _Held(table, at, field, who[~inside].reset_index(drop=True), handicap, room, assumed)


def _aligned(held: list[_Held]) -> tuple[list[str], dict[str, np.ndarray]]:
    """Lay the rounds over one list of builds: arrays (rounds, builds), NaN where absent."""
    builds = sorted({build for one in held for build in one.field["build"]})
    column = {build: i for i, build in enumerate(builds)}
    shape = (len(held), len(builds))
    out = {name: np.full(shape, np.nan) for name in ("log_time", "assumed", "handicap", "room")}
    for t, one in enumerate(held):
        at = [column[build] for build in one.field["build"]]
        out["log_time"][t, at] = np.log(one.field["raw_s"].to_numpy(dtype=float))
        out["assumed"][t, at] = one.assumed
        out["handicap"][t, at] = one.handicap
        out["room"][t, at] = one.room
    return builds, out


def _scored(table: Table, held: list[_Held], seen: date) -> pd.DataFrame:
    builds, grid = _aligned(held)
    room = np.nan_to_num(np.nanmax(np.vstack([grid["room"], np.zeros(len(builds))]), axis=0))
    played = play(grid["log_time"], grid["assumed"], grid["handicap"], room, table.policy)
    shifted = grid["assumed"] + (grid["handicap"] - played.log_factor)
    tables = []
    for t, one in enumerate(held):
        at = [builds.index(build) for build in one.field["build"]]
        numbers = {
            "factor": np.round(np.exp(played.log_factor[t, at]), 4),
            "scored_s": np.round(np.exp(played.scored[t, at]), TIME_DECIMALS),
            "limit_s": one.field["raw_s"] * np.expm1(played.limit[t, at]),
            "p_win": _chances(one.table, one, played.log_factor[t, at], shifted[t, at]),
        }
        tables.append(_round_rows(one.table, one, numbers, seen))
    return pd.concat(tables, ignore_index=True)


def _round_rows(table: Table, one: _Held, numbers: dict[str, Any], seen: date) -> pd.DataFrame:
    rules = table.basis.rules
    status = "final" if _is_final(table.basis, one.at, seen) else "provisional"
    field = one.field.assign(**numbers, round=one.at.name, status=status)
    field = field.assign(**_attempts(table, field))
    field["place"], field["points"] = 0, 0.0
    field["place_as_timed"] = 0
    for _, group in field.groupby(_group(rules.points["scored_in"], field), sort=False):
        given = places(_keys(group, rules.ties["round"]))
        field.loc[group.index, "place"] = given
        points = rules.points
        field.loc[group.index, "points"] = points_of(given, points["by_place"], points["shared"])
        timed = group["best_s"].rank(method="min").astype(int)
        field.loc[group.index, "place_as_timed"] = timed
    limit = field["limit_s"] > 0
    tolerance = rules.factor["tolerance_pct"]
    words = f"quicker than assumed by more than {tolerance} %: scored at that limit"
    field["reason"] = [words if limited_ else None for limited_ in limit]
    out = one.out.assign(round=one.at.name, status="left out", points=0.0)
    both = pd.concat([field.sort_values(["place", "build"]), out], ignore_index=True)
    return _typed(both.reindex(columns=list(FIELDS)))


def _typed(rows: pd.DataFrame) -> pd.DataFrame:
    """Whole numbers as such, with gaps; missing words as None."""
    for column in ("place", "place_as_timed", "place_equal_attempts", "laps"):
        rows[column] = pd.to_numeric(rows[column]).astype("Int64")
    for column in ("reason", "class", "driver"):
        rows[column] = rows[column].astype(object).where(rows[column].notna(), None)
    return rows


def _group(scored_in: str, field: pd.DataFrame) -> pd.Series:
    return field["class"] if scored_in == "class" else pd.Series("all", field.index)


def _keys(group: pd.DataFrame, ties: tuple[str, ...]) -> list[tuple[float, ...]]:
    """Scored time, then what breaks ties."""
    breaks = {
        "second-best": (group["second_s"] * group["factor"]).round(TIME_DECIMALS),
        "earlier": group["order"].astype(float),
    }
    columns = [group["scored_s"], *(breaks[tie] for tie in ties)]
    return [tuple(map(float, key)) for key in zip(*columns, strict=True)]


def _is_final(basis: Basis, at: Round, seen: date) -> bool:
    ruled = basis.periods.get((at.circuit, at.date.isoformat()))
    if ruled is not None:
        return ruled == "closed"
    return seen > at.date + timedelta(days=int(basis.rules.results["protest_days"]))


def _attempts(table: Table, field: pd.DataFrame) -> dict[str, Any]:
    """What the number of laps was worth where the best lap counts.

    `attempts_s` is how much quicker the best of an entry's laps is expected to be than the best
    of as many laps as the entry with fewest had; `place_equal_attempts` is its place by the
    expected best of that number.
    """
    none = {"attempts_s": np.nan, "place_equal_attempts": np.nan}
    if table.basis.rules.laps["count"] != "best" or table.basis.fit is None or field.empty:
        return none
    fewest = int(field["laps"].min())
    worth = []
    for row in field.to_dict("records"):
        name = row["driver"] if isinstance(row["driver"], str) else None
        noise = table.basis.thin.lap_noise([name], np.random.default_rng(1), int(row["laps"]))
        ordered = np.sort(noise[:, 0], axis=1)
        few = ordered @ best_of_weights(ordered.shape[1], fewest)
        worth.append(float((ordered[:, 0] - few).mean()))
    gained = field["best_s"].to_numpy(dtype=float) * np.expm1(np.array(worth))
    equal = (field["scored_s"] - gained * field["factor"]).round(TIME_DECIMALS)
    groups = _group(table.basis.rules.points["scored_in"], field)
    place = equal.groupby(groups).rank(method="min")
    return {"attempts_s": gained, "place_equal_attempts": place}


def _simulated(table: Table, one: _Held, salt: str) -> np.ndarray:
    """Log counted times of one round, simulated: (draws * repeats, entries)."""
    basis = table.basis
    facts = complete_levels(one.field, basis.entries)
    pace = own_pace(basis.thin, facts, (one.at.circuit, one.at.layout), basis.surface)
    chance = entry_chances(basis.thin, facts, REPEATS, laps_in_event(basis), basis.rules.laps, salt)
    return np.asarray((pace[:, None, :] + chance).reshape(-1, len(facts)))


def _chances(table: Table, one: _Held, log_factor: np.ndarray, assumed: np.ndarray) -> np.ndarray:
    """Chance of each entry to win the round, before it was run."""
    if table.basis.fit is None or one.field.empty:
        return np.full(len(one.field), np.nan)
    times = _simulated(table, one, one.at.name)
    scored = limited(times, assumed, table.policy) + log_factor
    groups = _codes(table, one.field)
    out = np.zeros(len(one.field))
    for g in np.unique(groups):
        mine = np.flatnonzero(groups == g)
        first = np.argmin(scored[:, mine], axis=1)
        out[mine] = np.bincount(first, minlength=len(mine)) / len(first)
    return out


def _codes(table: Table, field: pd.DataFrame) -> np.ndarray:
    keys = _group(table.basis.rules.points["scored_in"], field)
    return np.asarray(pd.factorize(keys)[0])


def _season(table: Table, held: list[_Held], rounds: pd.DataFrame, *, final: bool) -> pd.DataFrame:
    rules = table.basis.rules
    names = [one.at.name for one in held]
    placed = rounds[rounds["place"].notna()]
    chance = _season_chances(table, held)
    rows = []
    for build, own in placed.groupby("build"):
        results = {r["round"]: Result(int(r["place"]), float(r["points"]))
                   for r in own.to_dict("records")}  # fmt: skip
        drop = rules.points["drop_rounds"]
        total = season_total(results, names, drop, rules.ties["season"])
        best = own.sort_values(["place", "round"]).iloc[0]
        rows.append(
            best.to_dict()
            | {
                "build": build,
                "class": own.iloc[-1]["class"],
                "points": total.points,
                "key": total.key,
                "round": SEASON,
                "status": "final" if final else "provisional",
                "p_win": chance.get(str(build), np.nan),
                "reason": None,
                "rounds": [_line(r, total.dropped) for r in own.to_dict("records")],
            }
        )
    season = pd.DataFrame(rows, columns=[*SEASON_FIELDS, "key"])
    for _, group in season.groupby(_group(rules.points["scored_in"], season), sort=False):
        season.loc[group.index, "place"] = places(list(group["key"]))
    out = _left_out(rounds, set(placed["build"]))
    both = pd.concat([season.sort_values(["place", "build"]), out], ignore_index=True)
    return _typed(both.reindex(columns=list(SEASON_FIELDS)))


def _line(row: dict[Any, Any], dropped: tuple[Any, ...]) -> dict[str, Any]:
    shown = ("round", "place", "points", "driver", "factor", "raw_s", "scored_s")
    told = {k: row[k] for k in shown}
    return told | {"dropped": row["round"] in dropped}


def _left_out(rounds: pd.DataFrame, placed: set[Any]) -> pd.DataFrame:
    """Entries that were placed in no round, with the reason of the latest."""
    never = rounds[~rounds["build"].isin(placed)].drop_duplicates("build", keep="last")
    theirs = rounds[rounds["build"].isin(never["build"])].groupby("build")
    lines = [[_line(r, ()) for r in own.to_dict("records")] for _, own in theirs]
    never = never.sort_values("build").assign(round=SEASON)
    never["rounds"] = pd.Series(lines, never.index, dtype=object)
    return never


def _season_chances(table: Table, held: list[_Held]) -> dict[str, float]:
    """Chance of each entry to win the season over the rounds in which it took part."""
    if table.basis.fit is None or not any(len(one.field) for one in held):
        return {}
    builds, grid = _aligned(held)
    column = {build: i for i, build in enumerate(builds)}
    seasons = table.basis.thin.draws * REPEATS
    times = np.full((seasons, len(held), len(builds)), np.nan)
    for t, one in enumerate(held):
        if len(one.field):
            at = [column[build] for build in one.field["build"]]
            times[:, t, at] = _simulated(table, one, one.at.name)
    room = np.nan_to_num(np.nanmax(np.vstack([grid["room"], np.zeros(len(builds))]), axis=0))
    played = play(times, grid["assumed"], grid["handicap"], room, table.policy)
    last = {b: c for one in held for b, c in zip(one.field["build"], _keys_of(table, one),
                                                 strict=True)}  # fmt: skip
    group = pd.factorize(pd.Series([last[build] for build in builds]))[0]
    points = table.basis.rules.points
    won = simulated_winners(played.scored, group, points["by_place"], points["drop_rounds"])
    return dict(zip(builds, won.tolist(), strict=True))


def _keys_of(table: Table, one: _Held) -> list[Any]:
    return list(_group(table.basis.rules.points["scored_in"], one.field))
