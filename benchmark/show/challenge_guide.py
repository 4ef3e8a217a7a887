"""What a steward needs while writing rules: keys in words, the store's days, rounds in doubt."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from benchmark.errors import BadQuestion
from benchmark.intake.rule_keys import CLASS, ROUND, TABLES, TOP, WHEN, Key
from benchmark.show.words import count_text

if TYPE_CHECKING:
    import pandas as pd

    from benchmark.errors import Fault
    from benchmark.intake.rules import Round, Rules

DAY_KEYS = ["date", "circuit", "layout", "surface"]

ROUND_TEXT = """[[rounds]]
name = "Round {number}"
circuit = {circuit}
layout = {layout}
date = {day}
"""

DECLARED_TEXT = """[classes]
by = "declared"

[[class]]
name = "Slicks"
when = [{ tyres = ["slick"] }]

[[class]]
name = "Engine or weight changed much"
when = [{ engine = [2, 3] }, { weight = [2, 3] }]

[[class]]
name = "All others"
when = []
"""

WORDS = {
    "TOML": "the way in which the rules file is written: key = value, a remark after #",
    "store": "the file that holds all laps handed in",
    "build": "one individual car; it is the entry, whoever drives it",
    "declared specification": "the levels of its parts and its tyre category, as the lap tables "
    "give them",
    "freeze": "the day before which laps make the factors; later laps do not change them",
    "pool": "to join a class of too few entries to its neighbour",
    "expected best of k": "the best lap to be expected if each entry had driven k laps, from all "
    "the laps that it drove; so many attempts are no advantage",
    "equal conditions": "lap times brought to the same weather and tyre wear",
    "tolerance": "how much quicker than assumed a time may be and still count in full",
    "ratchet": "a personal factor tightens at once when its car is quicker than assumed, and "
    "loosens slowly",
    "floor": "a personal factor assumes no lap much slower than its car's specification suggests",
    "known paces": "what if the cars' true paces, which a few days of laps leave open, were known",
    "evenness": "1 where each class wins its fair share, 0 where one wins everything",
    "90 % interval": "the range that holds the true value nine times in ten",
    "two one-sided tests": "how a difference is shown to be too small to matter",
    "fit, and its number": "the computation of all cars' paces from the laps; the number tells one "
    "from another",
    "SHA-256": "a fingerprint of the rules: another text has another one",
}


def key_sections() -> list[tuple[str, list[tuple[str, str]]]]:
    """Give every key of a rules file: of each table, its heading, then names and sentences."""
    sections: dict[str, Mapping[str, Key]] = {
        "At the top": TOP,
        "[[rounds]], once for each round": ROUND,
        **{f"[{name}]": keys for name, keys in TABLES.items()},
        '[[class]], once for each class, only with by = "declared"': CLASS,
        "What may stand in a condition of when": WHEN,
    }
    return [
        (heading, [(name, _sentence(key)) for name, key in keys.items()])
        for heading, keys in sections.items()
    ]


def _sentence(key: Key) -> str:
    if key.needed:
        left_out = "It must be there."
    elif key.default in (None, ()):
        left_out = "It may be left out."
    else:
        left_out = f"Left out: {_written(key.default)}."
    return f"{key.meaning}. Write {key.legal}. {left_out}"


def _written(value: object) -> str:
    """Write a default as it would stand in the file."""
    return json.dumps(value, ensure_ascii=False)


def fault_line(fault: Fault) -> str:
    """Say one fault: the key with its value, or the line as it stands, then what to do."""
    if fault.column.startswith("line "):
        return f"{fault.column} says {fault.value}: {fault.message}"
    value = f" = {fault.value}" if fault.value else ""
    return f"{fault.column}{value}: {fault.message}"


def days_held(laps: pd.DataFrame) -> pd.DataFrame:
    """List the days of a store, the latest first, with how many cars and laps each has.

    Parameters
    ----------
    laps : counted laps with date, circuit, layout, surface and build.

    Returns
    -------
    One row for each date, circuit, layout and surface; columns those, `cars` and `laps`.
    """
    told = laps.assign(
        date=laps["date"].astype(str).str[:10], surface=laps["surface"].fillna("dry")
    )
    days = told.groupby(DAY_KEYS, sort=True)["build"].agg(cars="nunique", laps="size")
    return days.reset_index().sort_values("date", ascending=False, ignore_index=True)


def day_line(day: Mapping[Any, Any]) -> str:
    """Name one of `days_held` in a line to pick from."""
    cars, laps = count_text(int(day["cars"]), "car"), count_text(int(day["laps"]), "lap")
    return f"{day['date']}, {day['circuit']}, {day['layout']}, {day['surface']}: {cars}, {laps}"


def rounds_text(days: Iterable[Mapping[Any, Any]]) -> str:
    """Write days as rounds of a rules file, in the order of their dates."""
    in_order = sorted(days, key=lambda day: str(day["date"]))
    return "\n".join(
        ROUND_TEXT.format(
            number=number,
            circuit=_written(day["circuit"]),
            layout=_written(day["layout"]),
            day=day["date"],
        )
        for number, day in enumerate(in_order, 1)
    )


def rounds_in_doubt(rules: Rules, days: pd.DataFrame) -> list[str]:
    """Say of each round what the store does not have of it, before anything is computed.

    Parameters
    ----------
    rules : of the challenge.
    days : of the store, from `days_held`.
    """
    latest = str(days["date"].max())
    told = [_doubt(at, days) for at in rules.rounds]
    lines = [line for line in told if line]
    ahead = [at.name for at in rules.rounds if at.date.isoformat() > latest]
    if ahead:
        lines.append(
            f"Still to come: {', '.join(ahead)}. A round is scored once laps of its day are "
            "handed in; factors, fairness and the page to publish are there before."
        )
    needs_earlier = rules.factor["kind"] != "none"
    if needs_earlier and days["date"].min() >= rules.freeze.isoformat():
        lines.append(
            f"The store has no lap before {rules.freeze}, so there is nothing to make factors "
            f"from: let the first round be later than {days['date'].min()}."
        )
    return lines


def _doubt(at: Round, days: pd.DataFrame) -> str | None:
    if at.circuit not in set(days["circuit"]):
        return f"{at.name}: {BadQuestion.unknown('circuit', at.circuit, days['circuit'])}"
    there = days[days["circuit"] == at.circuit]
    if at.layout not in set(there["layout"]):
        kind = f"layout of {at.circuit}"
        return f"{at.name}: {BadQuestion.unknown(kind, at.layout, there['layout'])}"
    day = at.date.isoformat()
    there = there[there["layout"] == at.layout]
    if day in set(there["date"]):
        return None
    if day > days["date"].max():
        return None
    near = ", ".join(there["date"].drop_duplicates().head(4))
    return (
        f"{at.name}: the store has no laps of {at.circuit}, {at.layout} on {day}. Its latest days "
        f"there: {near}."
    )
