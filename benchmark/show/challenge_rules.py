"""The rules of a challenge in words, for everybody who reads its results."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchmark.show.words import count_text

if TYPE_CHECKING:
    from benchmark.intake.rules import ClassRule, Round, Rules, When

KIND_WORDS = {
    "none": "no factor",
    "class": "class factors, solved so that classes win equally often",
    "specification": "specification factors, from cars of the same kind without one's own laps",
    "personal": "personal factors, from each entry's own earlier pace",
}
COUNT_WORDS = {
    "best": "the best lap",
    "mean-of-best": "the mean of the best {k} laps",
    "first": "the best of the first {k} laps",
    "expected-best": "the expected best of {k} over all laps",
    "equal-conditions": "the best lap at equal conditions",
}
CLASS_WORDS = {
    "modification": "how far the car is modified",
    "tyre": "tyre category",
    "model": "car model",
    "pace": "expected pace",
    "declared": "conditions of the club",
}
SMALL_WORDS = {
    "pool": "joins its neighbour of nearest pace",
    "keep": "stays a class",
    "leave-out": "is left out",
}
TIE_WORDS = {
    "second-best": "the better second-best lap",
    "earlier": "who set the time earlier",
    "wins": "more wins",
    "places": "more of the better places",
    "latest": "the better place in the latest round",
}


def counted_words(rules: Rules) -> str:
    """Say which time counts."""
    return COUNT_WORDS[rules.laps["count"]].format(k=rules.laps["k"])


def rules_lines(rules: Rules) -> list[str]:
    """Say every rule that decides a place, in the order of the rules file."""
    return [
        *(_round_line(at) for at in rules.rounds),
        *_entry_lines(rules),
        *_class_lines(rules),
        f"Of each round counts {counted_words(rules)}; an entry needs at least "
        f"{count_text(rules.laps['minimum'], 'counted lap')} to be placed.",
        *_factor_lines(rules),
        *_points_lines(rules),
        f"Protests: a round is final {count_text(rules.results['protest_days'], 'day')} after it, "
        "unless a steward opens or closes its protest period.",
    ]


def _round_line(at: Round) -> str:
    return f"{at.name}: {at.circuit}, {at.layout}, {at.date}."


def _entry_lines(rules: Rules) -> list[str]:
    asked = rules.entries
    who = f"only {', '.join(asked['builds'])}" if asked["builds"] else "every car"
    lines = [f"An entry is a car, whoever drives it. May enter: {who}."]
    lines.append(f"Tyres allowed: {', '.join(asked['tyres'])}.")
    timing = ", ".join(asked["timing"]) if asked["timing"] else "any way of timing"
    evidence = "must be on record" if asked["evidence"] else "is not asked for"
    lines.append(f"Timed by: {timing}. Evidence of a lap (sheet or trace) {evidence}.")
    return lines


def _class_lines(rules: Rules) -> list[str]:
    asked = rules.classes
    small = SMALL_WORDS[asked["small"]]
    lines = [
        f"Classes by {CLASS_WORDS[asked['by']]}; one of fewer than "
        f"{count_text(asked['minimum'], 'entry', 'entries')} {small}."
    ]
    if asked["by"] == "pace":
        bounds = " and ".join(f"{bound:g} %" for bound in asked["boundaries_pct"])
        lines.append(
            f"The classes {', '.join(asked['names'])}, quickest first, part at {bounds} of the lap "
            "of the average standard car on touring tyres."
        )
    return lines + [_declared_line(one) for one in rules.declared]


def _declared_line(one: ClassRule) -> str:
    ways = "; or ".join(_way(way) for way in one.when)
    return f"Class {one.name}: {ways or 'every other entry'}."


def _way(way: When) -> str:
    told = [
        f"{name} {' or '.join(values)}"
        for name, values in (("tyres", way.tyres), ("model", way.models),
                             ("modification", way.modification))
        if values
    ]  # fmt: skip
    told += [f"{area} level {' or '.join(map(str, levels))}" for area, levels in way.areas.items()]
    return " and ".join(told)


def _factor_lines(rules: Rules) -> list[str]:
    factor = rules.factor
    kind = factor["kind"]
    if kind == "none":
        return ["Times are scored as they are, without a factor."]
    lines = [f"Times are multiplied by {KIND_WORDS[kind]}, from laps before {rules.freeze}."]
    if kind == "class" and factor["renew"]:
        lines.append("Factors are made anew before each later round.")
    if kind in ("class", "personal") and factor["tolerance_pct"] is not None:
        lines.append(
            f"A time is scored as no more than {factor['tolerance_pct']:g} % quicker than the "
            "factors assume of the entry."
        )
    if kind == "personal":
        lines += _personal_lines(rules)
    return lines


def _personal_lines(rules: Rules) -> list[str]:
    factor = rules.factor
    guard = (
        f"tightens at once and loosens by at most {factor['loosen_pct']:g} % a round"
        if factor["ratchet"]
        else "holds for all rounds"
    )
    new = (
        f"gets its specification's factor less {factor['newcomer_pct']:g} %"
        if factor["newcomers"] == "specification"
        else "is left out"
    )
    return [
        f"A factor {guard}, and never assumes a lap more than {factor['floor_pct']:g} % slower "
        "than the declared specification's.",
        f"An entry without earlier laps {new}.",
    ]


def _points_lines(rules: Rules) -> list[str]:
    points, ties = rules.points, rules.ties
    table = ", ".join(f"{p:g}" for p in points["by_place"])
    among = "all entries" if points["scored_in"] == "overall" else "the entries of a class"
    shared = (
        "each get the points of their place"
        if points["shared"] == "same"
        else "share the points of the places that they fill"
    )
    drop = points["drop_rounds"]
    lines = [f"Points by place among {among}, from the first: {table}. Tied entries {shared}."]
    if drop:
        lines.append(
            f"Of each entry the worst {count_text(drop, 'round')} count for no points, but for "
            "tie-breaks."
        )
    of_round = ", then ".join(TIE_WORDS[tie] for tie in ties["round"])
    of_season = ", then ".join(TIE_WORDS[tie] for tie in ties["season"])
    lines.append(f"A tie in a round goes to {of_round}; in the season to {of_season}.")
    return lines
