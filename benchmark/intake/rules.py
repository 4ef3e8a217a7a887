"""A challenge's rules as a TOML file: read, checked, every fault at once.

The keys, their legal values and defaults stand in `rule_keys`; here they are joined into `Rules`,
and what one key says is held against what the others say.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any

from benchmark.errors import BadQuestion, BadValue, Fault, FaultyFile
from benchmark.intake.rule_keys import CLASS, ONLY_WITH, ROUND, TABLES, TOP, WHEN, Key
from benchmark.intake.toml_text import read_toml, text_of
from benchmark.trade.classes import AREAS


@dataclass(frozen=True)
class Round:
    """One event that counts."""

    name: str
    circuit: str
    layout: str
    date: date


@dataclass(frozen=True)
class When:
    """One way into a class: all that is named must hold; what is empty is not asked."""

    tyres: tuple[str, ...] = ()
    models: tuple[str, ...] = ()
    modification: tuple[str, ...] = ()
    areas: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class ClassRule:
    """A class as declared: an entry that meets one of `when` belongs to it."""

    name: str
    when: tuple[When, ...]


@dataclass(frozen=True)
class Rules:
    """The rules of a challenge; what each key means stands in `rule_keys`.

    `digest` is the SHA-256 of the content with its defaults written out, so that comments, order
    and layout of the file do not change it, and any change of a rule does.
    """

    name: str
    version: int
    rounds: tuple[Round, ...]
    entries: Mapping[str, Any]
    classes: Mapping[str, Any]
    declared: tuple[ClassRule, ...]
    laps: Mapping[str, Any]
    factor: Mapping[str, Any]
    points: Mapping[str, Any]
    ties: Mapping[str, Any]
    results: Mapping[str, Any]

    @property
    def digest(self) -> str:
        """Hexadecimal SHA-256 of the canonical content."""
        text = json.dumps(asdict(self), sort_keys=True, ensure_ascii=False, default=str)
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def freeze(self) -> date:
        """Laps before this day make the factors: as written, else the day of the first round."""
        written: date | None = self.factor["freeze"]
        return written or self.rounds[0].date

    @property
    def places(self) -> tuple[tuple[str, str], ...]:
        """Circuits and layouts of the rounds, in the order of the rounds, each once."""
        return tuple(dict.fromkeys((r.circuit, r.layout) for r in self.rounds))

    def round(self, name: str | None) -> Round:
        """Give the round of that name, or the first.

        Raises
        ------
        BadQuestion
            No round has that name.
        """
        named = {r.name: r for r in self.rounds}
        if name is None:
            return self.rounds[0]
        if name not in named:
            raise BadQuestion.unknown("round", name, list(named))
        return named[name]

    def stamp(self) -> dict[str, Any]:
        """What every published table names: the challenge, the version and the digest."""
        return {
            "challenge": self.name,
            "rules_version": self.version,
            "rules_digest": self.digest,
        }


MOST_ROWS = 100  # rounds, or classes: no season has more, and each costs simulated events


def read_rules(path: Path) -> Rules:
    """Read a rules file.

    Raises
    ------
    FaultyFile
        With every fault: key, value, what is wrong, and the legal choices.
    """
    return parse_rules(text_of(path), path.name)


def parse_rules(text: str, name: str = "rules") -> Rules:
    """Read rules from text; `name` is what faults call the file.

    Raises
    ------
    FaultyFile
        With every fault.
    """
    try:
        data = read_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise FaultyFile([_not_toml(text, name, error)]) from error
    except BadValue as bad:
        raise FaultyFile([Fault(name, None, "-", "", str(bad))]) from bad
    reading = _Reading(name)
    rules = reading.rules(data)
    if reading.faults or rules is None:
        raise FaultyFile(reading.faults)
    return rules


# What the TOML reader says, and what a steward can do about it.
REPAIRS = (
    (
        "Invalid date",
        "there is no such day or time in the calendar: write year, month and day, such as "
        "2026-05-31",
    ),
    (
        "Unclosed array",
        "a list is not closed: look at the line before for a missing ], and for commas between "
        "the values",
    ),
    ("overwrite a value", "this key stands twice in its table: take one out"),
    (
        "twice",
        "this table stands twice: a round starts with [[rounds]] and a class with [[class]], in "
        "double brackets; every other table may stand once",
    ),
)
REPAIR = (
    'write key = value, such as name = "Spring" (text in double quotes), date = 2026-05-31 (year, '
    'month, day of the calendar, no quotes), k = 3, renew = true, tyres = ["sport", "slick"]; a '
    "remark starts with #"
)


def _not_toml(text: str, name: str, error: tomllib.TOMLDecodeError) -> Fault:
    """Say in which line the reader stopped, what stands there and how such a line is written."""
    said = str(error)
    place = re.search(r"\(at line (\d+), column \d+\)", said)
    lines = text.splitlines()
    number = int(place[1]) if place else len(lines)
    line = lines[number - 1].strip() if 0 < number <= len(lines) else ""
    repair = next((advice for words, advice in REPAIRS if words in said), REPAIR)
    return Fault(name, None, f"line {number}", line, f"cannot be read: {repair} (TOML: {said})")


class _Reading:
    """One reading of a file: collects faults while it takes values."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []

    def fault(self, key: str, value: object, message: str) -> None:
        self.faults.append(Fault(self.file, None, key, _shown(value), message))

    def rules(self, data: Mapping[str, Any]) -> Rules | None:
        top = self.table("", {k: v for k, v in data.items() if k in TOP}, TOP)
        self.unknown("", data, [*TOP, *TABLES, "rounds", "class"])
        tables = {name: self.section(name, data, keys) for name, keys in TABLES.items()}
        rounds = self.rows("rounds", data, ROUND)
        classes = self.rows("class", data, CLASS)
        for row, known in zip(classes, data.get("class", ()), strict=False):
            row["when"] = self.whens(row.get("when", ()), f"class {known.get('name', '?')}.when")
        if self.faults:
            return None
        self.hold_together(data, rounds, classes, tables)
        if self.faults:
            return None
        return Rules(
            name=top["name"],
            version=top["version"],
            rounds=tuple(Round(**row) for row in rounds),
            declared=tuple(ClassRule(row["name"], row["when"]) for row in classes),
            **tables,
        )

    def section(
        self, name: str, data: Mapping[str, Any], keys: Mapping[str, Key]
    ) -> dict[str, Any]:
        found = data.get(name, {})
        if not isinstance(found, dict):
            self.fault(name, found, f"must be a table: write a line [{name}] and its keys below")
            return {}
        self.unknown(f"{name}.", found, list(keys))
        return self.table(f"{name}.", found, keys)

    def table(
        self, prefix: str, found: Mapping[str, Any], keys: Mapping[str, Key]
    ) -> dict[str, Any]:
        """Take every key of a table: as written and legal, else its default."""
        taken: dict[str, Any] = {}
        for name, key in keys.items():
            if name not in found:
                if key.needed:
                    self.fault(prefix + name, "", f"is missing: write {key.legal}")
                taken[name] = key.default
                continue
            value = found[name]
            if not key.accepts(value):
                self.fault(prefix + name, value, f"is not legal here: write {key.legal}")
            taken[name] = tuple(value) if isinstance(value, list) else value
        return taken

    def rows(
        self, name: str, data: Mapping[str, Any], keys: Mapping[str, Key]
    ) -> list[dict[str, Any]]:
        """Take an array of tables."""
        found = data.get(name, [])
        if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
            self.fault(name, found, f"must be tables: write a line [[{name}]] for each")
            return []
        if name == "rounds" and not found:
            self.fault(name, "", "is missing: write a line [[rounds]] for each round")
        if len(found) > MOST_ROWS:
            self.fault(name, f"{len(found)} tables", f"is too much: write {MOST_ROWS} or fewer")
            return []
        taken = []
        for number, row in enumerate(found, 1):
            prefix = f"{name}[{number}]."
            self.unknown(prefix, row, list(keys))
            taken.append(self.table(prefix, row, keys))
        return taken

    def whens(self, found: object, prefix: str) -> tuple[When, ...]:
        """Take the ways into a class; an empty list lets everybody in."""
        if not isinstance(found, (list, tuple)) or not all(isinstance(w, dict) for w in found):
            return ()  # the fault was told where the key was taken
        ways = []
        for number, way in enumerate(found, 1):
            here = f"{prefix}[{number}]."
            self.unknown(here, way, list(WHEN))
            taken = self.table(here, way, WHEN)
            areas = {a: taken.pop(a) for a in AREAS}
            ways.append(When(**taken, areas={a: levels for a, levels in areas.items() if levels}))
        return tuple(ways)

    def unknown(self, prefix: str, found: Mapping[str, Any], legal: Sequence[str]) -> None:
        for name, value in found.items():
            if name not in legal:
                near = get_close_matches(name, legal, n=1, cutoff=0.6)
                meant = f" (did you mean {near[0]}?)" if near else ""
                self.fault(
                    prefix + name, value, f"is not a key here{meant}: use {', '.join(legal)}"
                )

    def hold_together(
        self,
        data: Mapping[str, Any],
        rounds: list[dict[str, Any]],
        classes: list[dict[str, Any]],
        tables: Mapping[str, Mapping[str, Any]],
    ) -> None:
        """Hold each key against the others."""
        self._only_with(data, tables)
        self._rounds(rounds, tables)
        self._classes(classes, tables["classes"])
        self._laps(tables["laps"])
        if tables["points"]["drop_rounds"] >= len(rounds):
            drop = tables["points"]["drop_rounds"]
            why = f"leaves none of {len(rounds)} rounds: write {len(rounds) - 1} or less"
            self.fault("points.drop_rounds", drop, why)
        points = tables["points"]["by_place"]
        if list(points) != sorted(points, reverse=True):
            self.fault("points.by_place", points, "must not rise: the first place gets most")

    def _only_with(self, data: Mapping[str, Any], tables: Mapping[str, Mapping[str, Any]]) -> None:
        """Refuse a key that has no effect with the choice made elsewhere in its table."""
        for (table, key), (choice, values) in ONLY_WITH.items():
            chosen = tables[table][choice]
            if key in data.get(table, {}) and chosen not in values:
                legal = " or ".join(f'"{value}"' for value in values)
                why = f'has no effect with {choice} = "{chosen}": leave it out, or use {legal}'
                self.fault(f"{table}.{key}", data[table][key], why)

    def _rounds(
        self, rounds: list[dict[str, Any]], tables: Mapping[str, Mapping[str, Any]]
    ) -> None:
        days = [row["date"] for row in rounds]
        for number, (earlier, later) in enumerate(pairwise(days), 2):
            if later < earlier:
                self.fault(f"rounds[{number}].date", later, f"is before {earlier}: order by date")
        self._once([row["name"] for row in rounds], "rounds", "name")
        where = [(row["circuit"], row["layout"], str(row["date"])) for row in rounds]
        self._once(where, "rounds", "circuit, layout and date")
        freeze = tables["factor"]["freeze"]
        if freeze is not None and days and freeze > days[0]:
            why = f"is after the first round: write a day up to {days[0]}"
            self.fault("factor.freeze", freeze, why)

    def _once(self, names: Sequence[object], rows: str, key: str) -> None:
        for number, name in enumerate(names, 1):
            if name in names[: number - 1]:
                self.fault(f"{rows}[{number}].{key}", name, "is there twice: each must differ")

    def _classes(self, classes: list[dict[str, Any]], table: Mapping[str, Any]) -> None:
        by = table["by"]
        self._once([row["name"] for row in classes], "class", "name")
        if by == "declared" and not classes:
            self.fault("class", "", 'is missing: with by = "declared" write a [[class]] for each, '
                       f'with a name and when = {CLASS["when"].legal}')  # fmt: skip
        if by != "declared" and classes:
            self.fault("class", f"{len(classes)} tables", f'has no effect with by = "{by}": '
                       'write by = "declared"')  # fmt: skip
        for row, later in pairwise(classes):
            if not row["when"]:
                why = f'lets everybody in, so "{later["name"]}" below it stays empty: put it last'
                self.fault(f"class {row['name']}.when", row["when"], why)
        if by != "pace":
            return
        bounds, names = table["boundaries_pct"], table["names"]
        if list(bounds) != sorted(set(bounds)) or not bounds:
            self.fault("classes.boundaries_pct", bounds, "must rise: write one or more numbers "
                       "such as [92.0, 96.0]")  # fmt: skip
        if len(names) != len(bounds) + 1:
            why = f"must be {len(bounds) + 1} names, the quickest class first"
            self.fault("classes.names", names, why)

    def _laps(self, laps: Mapping[str, Any]) -> None:
        if laps["count"] == "expected-best" and laps["minimum"] < laps["k"]:
            why = f"is below laps.k: with expected-best write {laps['k']} or more"
            self.fault("laps.minimum", laps["minimum"], why)


def _shown(value: object) -> str:
    """Write a value about as it stands in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_shown(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_shown(v)}" for k, v in value.items()) + "}"
    return str(value)
