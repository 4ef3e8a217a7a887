"""Classes proposed from data: boundaries on expected pace, told in words a steward can publish.

Expected pace is that of the declared car with an average club driver at equal conditions. The
boundaries minimise the sum of squares within classes over all ways to cut the ordered cars into
that many runs of at least a given length (Fisher, Journal of the American Statistical Association
53 (1958) 789). A small decision tree then says the same in areas, levels and tyres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from sklearn.tree import DecisionTreeClassifier

from benchmark.answers.challenge.basis import Basis
from benchmark.answers.challenge.classing import complete_levels
from benchmark.answers.challenge.factors import Table, expected_pct, table_of
from benchmark.answers.challenge.fairness import fairness
from benchmark.answers.entries import MODIFICATIONS
from benchmark.errors import BadQuestion
from benchmark.intake.rules import ClassRule, Rules, When
from benchmark.trade.classes import AREAS, LEVELS, TYRE_CATEGORIES

MOST_WAYS = 8  # leaves of the tree: more words than this nobody reads at scrutineering
NAMES = "ABCDEFGHIJKL"
FIELDS = ("scheme", "class", "entries", "low_pct", "high_pct", "spread_pct", "words", "evenness",
          "odds", "top_share", "able_share")  # fmt: skip


@dataclass(frozen=True)
class Proposal:
    """Proposed classes and what they compare with.

    Attributes
    ----------
    rows : one row a class and scheme ("proposed", "rules", "default"), columns `FIELDS`;
        `low_pct` to `high_pct` is the expected pace of its cars, `spread_pct` their standard
        deviation about the class's mean; the fairness figures are of class factors.
    rules : the rules with the proposed classes.
    agreed : share of the cars that the words put where their pace would.
    """

    rows: pd.DataFrame
    rules: Rules
    agreed: float


def cut(values: np.ndarray, groups: int, least: int) -> list[int]:
    """Cut sorted values into runs that minimise the sum of squares within them.

    Returns
    -------
    The index at which each run after the first begins.

    Raises
    ------
    BadQuestion
        There are fewer than groups times least values.
    """
    n = len(values)
    if groups < 1 or least < 1 or groups * least > n:
        raise BadQuestion(
            f"{groups} classes of at least {least} need {groups * least} cars: there are {n}"
        )
    total = np.concatenate([[0.0], np.cumsum(values)])
    square = np.concatenate([[0.0], np.cumsum(values**2)])

    def within(i: int, j: int) -> float:
        return float(square[j] - square[i] - (total[j] - total[i]) ** 2 / (j - i))

    best = np.full((groups + 1, n + 1), np.inf)
    start = np.zeros((groups + 1, n + 1), dtype=int)
    best[0, 0] = 0.0
    for g in range(1, groups + 1):
        for j in range(g * least, n + 1):
            for i in range((g - 1) * least, j - least + 1):
                value = best[g - 1, i] + within(i, j)
                if value < best[g, j] - 1e-12:
                    best[g, j], start[g, j] = value, i
    starts, j = [], n
    for g in range(groups, 1, -1):
        j = int(start[g, j])
        starts.append(j)
    return starts[::-1]


def propose(basis: Basis, number: int, least: int) -> Proposal:
    """Propose `number` classes of at least `least` cars, class A the quickest.

    Raises
    ------
    BadQuestion
        There are too few cars, or no lap before the freeze.
    """
    table = table_of(basis, "class")
    entries = complete_levels(basis.entries, basis.entries)
    pct = expected_pct(basis.thin, entries, table.places, table.weights, basis.surface)
    order = np.argsort(pct, kind="stable")
    starts = cut(pct[order], number, least)
    wanted = np.empty(len(pct), dtype=int)
    wanted[order] = np.searchsorted(starts, np.arange(len(pct)), side="right")
    declared, said = _words(entries, wanted)
    proposed = _with_classes(basis.rules, declared, least)
    schemes = {
        "proposed": proposed,
        "rules": basis.rules,
        "default": _with_default(basis.rules),
    }
    rows = [
        row
        for scheme, rules in schemes.items()
        for row in _rows(replace(basis, rules=rules), scheme, pct)
    ]
    return Proposal(
        pd.DataFrame(rows, columns=list(FIELDS)), proposed, float(np.mean(said == wanted))
    )


def _features(entries: pd.DataFrame) -> np.ndarray:
    tyres = entries["tyre_category"].map(TYRE_CATEGORIES.index)
    return np.column_stack([tyres, *(entries[column] for column in MODIFICATIONS)]).astype(float)


def _words(entries: pd.DataFrame, wanted: np.ndarray) -> tuple[tuple[ClassRule, ...], np.ndarray]:
    """Classes as conditions on tyres and levels, and where they put each car."""
    tree = DecisionTreeClassifier(max_leaf_nodes=MOST_WAYS, random_state=0)
    features = _features(entries)
    tree.fit(features, wanted)
    ways: dict[int, list[When]] = {}
    _walk(tree, 0, [[*range(len(TYRE_CATEGORIES))], *([*LEVELS] for _ in AREAS)], ways)
    rules = tuple(ClassRule(NAMES[k], tuple(ways[k])) for k in sorted(ways))
    return rules, tree.predict(features)


def _walk(tree: Any, node: int, legal: list[list[int]], ways: dict[int, list[When]]) -> None:
    """Gather what leads to each leaf as lists of tyres and levels."""
    t = tree.tree_
    if t.children_left[node] < 0:
        won = int(tree.classes_[int(np.argmax(t.value[node][0]))])
        ways.setdefault(won, []).append(_way(legal))
        return
    feature, bound = int(t.feature[node]), float(t.threshold[node])
    for child, side in ((t.children_left[node], True), (t.children_right[node], False)):
        narrowed = list(legal)
        narrowed[feature] = [v for v in legal[feature] if (v <= bound) == side]
        _walk(tree, int(child), narrowed, ways)


def _way(legal: list[list[int]]) -> When:
    tyres, *levels = legal
    named = () if len(tyres) == len(TYRE_CATEGORIES) else tuple(TYRE_CATEGORIES[t] for t in tyres)
    areas = {a: tuple(v) for a, v in zip(AREAS, levels, strict=True) if len(v) < len(LEVELS)}
    return When(tyres=named, areas=areas)


def _with_classes(rules: Rules, declared: tuple[ClassRule, ...], least: int) -> Rules:
    classes = {**rules.classes, "by": "declared", "boundaries_pct": (), "names": (),
               "minimum": least}  # fmt: skip
    return replace(rules, declared=declared, classes=classes)


def _with_default(rules: Rules) -> Rules:
    classes = {**rules.classes, "by": "modification", "boundaries_pct": (), "names": ()}
    return replace(rules, declared=(), classes=classes)


def _rows(basis: Basis, scheme: str, pct: np.ndarray) -> list[dict[str, Any]]:
    table = Table(basis, "class")
    found = fairness(table).overall
    figures = {name: found[name] for name in ("evenness", "odds", "top_share", "able_share")}
    classes = np.array([c or "" for c in table.classes], dtype=object)
    rows = []
    for name in table.class_names:
        own = pct[classes == name]
        rows.append(
            {
                "scheme": scheme,
                "class": name,
                "entries": len(own),
                "low_pct": float(own.min()),
                "high_pct": float(own.max()),
                "spread_pct": float(own.std()),
                "words": class_words(basis.rules, name),
                **figures,
            }
        )
    return rows


def class_words(rules: Rules, name: str) -> str:
    """Say in words what makes a class (a pool joins the words of its parts)."""
    by = rules.classes["by"]
    known = {rule.name: rule for rule in rules.declared}
    parts = [name] if name in known else name.split("+")
    if by == "declared":
        return "; or ".join(_rule_words(known[part]) for part in parts)
    what = {"modification": "modification class", "tyre": "tyres", "model": "model",
            "pace": "expected pace"}[by]  # fmt: skip
    return f"{what} {_either(parts)}"


def _rule_words(rule: ClassRule) -> str:
    if not rule.when:
        return "everybody else"
    return "; or ".join(_way_words(way) for way in rule.when)


def _way_words(way: When) -> str:
    told = []
    if way.tyres:
        told.append(f"{_either(way.tyres)} tyres")
    if way.models:
        told.append(_either(way.models))
    if way.modification:
        told.append(f"modification class {_either(way.modification)}")
    told += [f"{area} level {_levels_words(v)}" for area, v in way.areas.items()]
    return (
        " with ".join([told[0], _listed(told[1:], "and")]) if told[1:] else "".join(told) or "any"
    )


def _either(values: Sequence[str]) -> str:
    return _listed(values, "or")


def _listed(values: Sequence[str], last: str) -> str:
    """Join texts as in a sentence: "a, b or c"."""
    return f" {last} ".join([", ".join(values[:-1]), values[-1]] if values[1:] else values)


def _levels_words(levels: tuple[int, ...]) -> str:
    """Say levels in ascending order; three or more in a row as from and to."""
    if len(levels) > 2 and levels[-1] - levels[0] == len(levels) - 1:
        return f"{levels[0]} to {levels[-1]}"
    return _either([str(level) for level in levels])


def classes_toml(rules: Rules) -> str:
    """Write declared classes as they go into a rules file."""
    lines = ["[classes]", 'by = "declared"', f"minimum = {rules.classes['minimum']}"]
    for rule in rules.declared:
        ways = ",\n  ".join(_way_toml(way) for way in rule.when)
        lines += ["", "[[class]]", f'name = "{rule.name}"', f"when = [\n  {ways},\n]"]
    return "\n".join(lines) + "\n"


def _way_toml(way: When) -> str:
    parts = [f"tyres = {_list(way.tyres)}"] if way.tyres else []
    parts += [f"{area} = {_list(levels)}" for area, levels in way.areas.items()]
    return "{ " + ", ".join(parts) + " }"


def _list(values: tuple[Any, ...]) -> str:
    return "[" + ", ".join(f'"{v}"' if isinstance(v, str) else str(v) for v in values) + "]"
