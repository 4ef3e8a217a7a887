"""A challenge for people: the columns and sentences that terminal, page and report share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from benchmark.show.challenge_rules import KIND_WORDS
from benchmark.show.output import Column
from benchmark.show.words import MISSING, lap_text, percent

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchmark.answers.challenge.basis import Basis
    from benchmark.answers.challenge.standings import Standings
    from benchmark.intake.rules import Rules

MOST_ODDS = 1000
GROUNDS = {  # what else a kind of factor rests on
    "specification": "; two entries are compared by fits that saw no lap of either owner and were "
    "told the usual sizes of effects",
}


def ask_basis(
    db: Path,
    rules: Rules,
    surface: str,
    report: Callable[[float, str], None] | None = None,
) -> tuple[Basis, pd.DataFrame]:
    """Read the store's counted laps and make the ground of a challenge, refits kept on disk.

    Raises
    ------
    NoStore, StoreBusy, BadQuestion
        There is no store, another process holds it, or the rules name what it does not know.
    """
    from benchmark.answers.challenge.basis import basis_of
    from benchmark.errors import BadQuestion
    from benchmark.show.remembering import on_disk
    from benchmark.store.rulings import protests_of
    from benchmark.store.store import Store

    with Store.open(db) as store:
        laps = store.counted_laps()
        periods = {(one.circuit, one.date.isoformat()): one.state for one in protests_of(store)}
    if laps.empty:
        raise BadQuestion(f"{db} holds no counted lap yet: run `benchmark import` first")
    basis = basis_of(laps, rules, surface=surface, memory=on_disk, progress=report)
    return replace(basis, periods=periods), laps


def _cells(rows: list[dict[Any, Any]], heading: str, text: Any, *, right: bool = True) -> Column:
    return Column(heading, [str(text(row)) for row in rows], right)


def _name(value: object) -> str:
    return value if isinstance(value, str) else MISSING


def _number(value: Any, pattern: str = "{:.4f}") -> str:
    return "-" if value is None or pd.isna(value) else pattern.format(value)


def odds_text(value: Any, decimals: int = 1) -> str:
    """Write a ratio of chances; how far beyond a thousand no simulation of events can tell."""
    known = value is not None and not pd.isna(value)
    return "over 1000" if known and value > MOST_ODDS else _number(value, f"{{:.{decimals}f}}")


def standing_columns(table: pd.DataFrame) -> list[Column]:
    """Give standings as people read them; entries left out stand last, with the reason."""
    rows = table.to_dict("records")
    is_season = "rounds" in table
    who = ("Drivers", _drivers) if is_season else ("Driver", lambda r: _name(r["driver"]))
    columns = [
        _cells(rows, "Place", lambda r: _number(r["place"], "{:.0f}")),
        _cells(rows, "Points", lambda r: _number(r["points"], "{:g}")),
        _cells(rows, "Build", lambda r: r["build"], right=False),
        _cells(rows, *who, right=False),
        _cells(rows, "Class", lambda r: _name(r["class"]), right=False),
    ]
    if is_season:
        columns.append(_cells(rows, "Places by round", _by_round, right=False))
    else:
        columns += _of_one_round(table, rows)
    columns.append(_cells(rows, "Chance beforehand", lambda r: percent(r["p_win"])))
    columns.append(_cells(rows, "Status", lambda r: r["status"], right=False))
    columns.append(_cells(rows, "Note", lambda r: r["reason"] or "", right=False))
    return columns


def _of_one_round(table: pd.DataFrame, rows: list[dict[Any, Any]]) -> list[Column]:
    """What only a single round has: its times, the place as timed, what attempts were worth."""

    def place(name: str) -> Callable[[Mapping[Any, Any]], str]:
        return lambda row: _number(row[name], "{:.0f}")

    columns = [
        _cells(rows, "Time that counts", lambda r: lap_text(r["raw_s"])),
        _cells(rows, "Factor", lambda r: _number(r["factor"])),
        _cells(rows, "Scored", lambda r: lap_text(r["scored_s"])),
        _cells(rows, "Place as timed", place("place_as_timed")),
        _cells(rows, "Laps", place("laps")),
    ]
    if table["attempts_s"].notna().any():
        worth = _cells(rows, "From attempts [s]", lambda r: _number(r["attempts_s"], "{:+.3f}"))
        columns += [worth, _cells(rows, "Place at equal attempts", place("place_equal_attempts"))]
    return columns


def _drivers(row: Mapping[Any, Any]) -> str:
    """Name everybody who drove the car in a round, once each."""
    names = [one["driver"] for one in row["rounds"] if isinstance(one["driver"], str)]
    return ", ".join(dict.fromkeys(names)) or MISSING


def _by_round(row: Mapping[Any, Any]) -> str:
    told = []
    for one in row["rounds"]:
        place = "out" if pd.isna(one["place"]) else f"{one['place']:.0f}"
        told.append(f"{one['round']} {f'({place})' if one['dropped'] else place}")
    return ", ".join(told)


def table_words(rules: Rules) -> str:
    """Say for how long one table of factors holds."""
    factor = rules.factor
    if factor["kind"] == "class" and factor["renew"]:
        return "The table of the first round; it is made anew before each later round."
    if factor["kind"] != "personal":
        return "One table for all rounds, published before the first."
    if not factor["ratchet"]:
        return "The table before the first round; without a ratchet it holds for all rounds."
    return (
        "The table before the first round. After each round the factor of an entry that was "
        "quicker than assumed tightens at once; any other loosens by at most "
        f"{factor['loosen_pct']:g} %. Standings name the factor of each round."
    )


def factor_columns(table: pd.DataFrame, level: float) -> list[Column]:
    """Give a table of factors as people read it."""
    rows = table.to_dict("records")
    columns = [_cells(rows, "Class", lambda r: _name(r["class"]), right=False)]
    if table["build"].notna().any():
        columns.append(_cells(rows, "Build", lambda r: _name(r["build"]), right=False))
    columns += [
        _cells(rows, "Factor", lambda r: _number(r["factor"])),
        _cells(
            rows,
            f"{100 * level:.0f} % interval",
            lambda r: f"{_number(r['low'])} to {_number(r['high'])}",
        ),
    ]
    if not table["build"].notna().any():
        columns.append(_cells(rows, "Builds", lambda r: r["builds"]))
    if table["note"].notna().any():
        columns.append(_cells(rows, "Note", lambda r: r["note"] or "", right=False))
    return columns


def fairness_columns(classes: pd.DataFrame, level: float) -> list[Column]:
    """Give the shares of the classes as people read them."""
    rows = classes.to_dict("records")
    wide = f"{100 * level:.0f} % interval"
    return [
        _cells(rows, "Class", lambda r: r["class"], right=False),
        _cells(rows, "Entries", lambda r: r["entries"]),
        _cells(rows, "Fair share", lambda r: percent(r["fair_share"])),
        _cells(rows, "Wins", lambda r: percent(r["win_share"])),
        _cells(rows, wide, lambda r: f"{percent(r['low'])} to {percent(r['high'])}"),
        _cells(rows, "Podiums", lambda r: percent(r["podium_share"])),
    ]


def entry_columns(entries: pd.DataFrame) -> list[Column]:
    """Give the chance of each entry as people read it."""
    rows = entries.to_dict("records")
    return [
        _cells(rows, "Build", lambda r: r["build"], right=False),
        _cells(rows, "Class", lambda r: _name(r["class"]), right=False),
        _cells(rows, "Wins of 100 events", lambda r: f"{100 * r['win_share']:.1f}"),
    ]


def proposal_columns(rows: pd.DataFrame) -> list[Column]:
    """Give proposed and compared classes as people read them."""
    told = rows.to_dict("records")
    return [
        _cells(told, "Scheme", lambda r: r["scheme"], right=False),
        _cells(told, "Class", lambda r: r["class"], right=False),
        _cells(told, "Cars", lambda r: r["entries"]),
        _cells(told, "Expected pace [% of standard]",
               lambda r: f"{r['low_pct']:.1f} to {r['high_pct']:.1f}"),
        _cells(told, "Spread [%]", lambda r: f"{r['spread_pct']:.2f}"),
        _cells(told, "Entries that can win", lambda r: percent(r["able_share"])),
        _cells(told, "Largest share of wins", lambda r: percent(r["top_share"])),
        _cells(told, "What makes it", lambda r: r["words"], right=False),
    ]  # fmt: skip


def compared_columns(rows: pd.DataFrame) -> list[Column]:
    """Give rules side by side as people read them."""
    told = rows.to_dict("records")
    return [
        _cells(told, "Rules", lambda r: r["rules"], right=False),
        _cells(told, "Class", lambda r: r["class"], right=False),
        _cells(told, "Entries", lambda r: _number(r["entries"], "{:.0f}")),
        _cells(told, "Fair share", lambda r: percent(r["fair_share"])),
        _cells(told, "Wins", lambda r: percent(r["win_share"])),
        _cells(told, "Luckiest over unluckiest class", lambda r: odds_text(r["odds"])),
        _cells(told, "The same for known paces", lambda r: odds_text(r["odds_known"])),
        _cells(told, "Evenness", lambda r: _number(r["evenness"], "{:.2f}")),
        _cells(told, "Largest share of wins", lambda r: percent(r["top_share"])),
        _cells(told, "Entries that can win", lambda r: percent(r["able_share"])),
        _cells(told, "Quickest car wins", lambda r: percent(r["quickest_wins"])),
    ]


def kind_columns(rows: pd.DataFrame) -> list[Column]:
    """Give the kinds of factor side by side as people read them."""
    told = rows.to_dict("records")
    return [
        _cells(told, "Kind of factor", lambda r: r["kind"], right=False),
        _cells(told, "Entries that can win", lambda r: percent(r["able_share"])),
        _cells(told, "Largest share of wins", lambda r: percent(r["top_share"])),
        _cells(told, "Gained by slow driving [places]", lambda r: _gain(r["slow_gain"])),
        _cells(told, "The same without guards", lambda r: _gain(r["slow_gain_unguarded"])),
        _cells(told, "Quickest car wins", lambda r: percent(r["quickest_wins"])),
        _cells(told, "Luckiest over unluckiest class", lambda r: odds_text(r["odds"])),
        _cells(told, "The same for known paces", lambda r: odds_text(r["odds_known"])),
        _cells(told, "Evenness", lambda r: _number(r["evenness"], "{:.2f}")),
    ]


def _gain(places: float) -> str:
    """Write places gained by slow driving; missing where an entry's laps reach no factor of its."""
    return "own laps do not count" if pd.isna(places) else f"{places:+.1f}"


def leader_line(standings: Standings, rules: Rules, table: pd.DataFrame) -> str:
    """Answer in one sentence who leads."""
    if not standings.held:
        return f"{rules.name}: no round has been held yet."
    first = table[table["place"] == 1]
    names = " and ".join(first["build"])
    if first.empty:
        return f"{rules.name}: no entry could be placed."
    what = str(first["round"].iloc[0])
    if what == "season":
        rounds = f"after {len(standings.held)} of {len(rules.rounds)} rounds"
        points = f"{first['points'].iloc[0]:g} points"
        status = str(first["status"].iloc[0])
        verb = "won" if status == "final" else "leads" if len(first) == 1 else "lead"
        lead = f"{rules.name}, {rounds}: {names} {verb} with {points} ({status})."
        return f"{lead}{_tie_words(table, first)}"
    time_s = lap_text(first["scored_s"].iloc[0])
    return f"{rules.name}, {what}: {names} first with {time_s} scored ({first['status'].iloc[0]})."


def _tie_words(table: pd.DataFrame, first: pd.DataFrame) -> str:
    """Name those who have as many points as the first and stand behind by a tie-break."""
    level = table[(table["points"] == first["points"].iloc[0]) & (table["place"] > 1)]
    if level.empty or first["class"].nunique() > 1:  # placed within classes: no tie between them
        return ""
    verbs = ("has", "stands") if len(level) == 1 else ("have", "stand")
    names = " and ".join(level["build"])
    return f" {names} {verbs[0]} as many and {verbs[1]} behind by the tie-breaks."


def rests_on_lines(basis: Basis, found: Standings | None = None) -> list[str]:
    """Say what every published table rests on: rules, data cut-off, fit."""
    stamp, rules = basis.stamp(), basis.rules
    kind = rules.factor["kind"]
    anew = ", and before each later round anew" if rules.factor["renew"] else ""
    lines = [
        f"Rules: {rules.name}, version {rules.version}, SHA-256 {rules.digest}.",
        f"Factors: {KIND_WORDS[kind]}, from laps before {rules.freeze}{GROUNDS.get(kind, '')}"
        f"{anew}.",
    ]
    if basis.fit is not None:
        lines.append(
            f"Data up to {stamp['cut_off']}: {basis.fit.laps_used:,} counted laps of "
            f"{len(basis.entries)} entries; fit {stamp['fit']}, {stamp['mode']} mode. "
            f"{basis.fit.mode_note}"
        )
    lines += [
        f"Factors of {one['round']}: made anew from laps up to {one['cut_off']}; fit {one['fit']}."
        for one in (found.renewed if found else ())
    ]
    lines.append(
        "Scored time is the time that counts multiplied by the factor, to the thousandth of a "
        "second. Whoever has the laps and the rules file can recompute every number."
    )
    return lines
