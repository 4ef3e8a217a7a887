"""Is a challenge fair: who wins simulated events, how evenly, and who does not fit his papers."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import ttest_ind

from benchmark.answers.challenge.factors import Table
from benchmark.answers.challenge.scoring import limited

ABLE = 0.01  # an entry that wins more than one event in a hundred can win; choice of ours
FIELDS = ("class", "entries", "win_share", "fair_share", "low", "high", "podium_share",
          "podium_low", "podium_high")  # fmt: skip
OVERALL = ("evenness", "odds", "top_share", "able_share")


@dataclass(frozen=True)
class Fairness:
    """Fairness figures of one set of rules.

    Attributes
    ----------
    classes : one row a class, columns `FIELDS`.
    overall : `evenness`, `odds`, `top_share`, `able_share` of the mean shares, which are averages
        over what the true paces may be; the same within one truth, as `_known` (median over the
        posterior draws), `_known_low` and `_known_high`; `top_build`;
        `quickest_wins`, the chance that the quickest car of an event wins it;
        `equivalence`, a list of pairs of classes.
    entries : one row an entry: `build`, `class`, `win_share`.
    questions : entries whose pace does not fit their declared specification, see `questions`.
    """

    classes: pd.DataFrame
    overall: dict[str, Any]
    entries: pd.DataFrame
    questions: pd.DataFrame


def evenness(share: np.ndarray, fair: np.ndarray) -> float:
    """How evenly wins are spread over classes.

    1 where each class has its fair share, 0 where the one that was due least has all.
    One less the divergence of the shares from the fair ones (Kullback and Leibler, Annals of
    Mathematical Statistics 22 (1951) 79) over its largest possible value. With equal fair shares
    this is Shannon's entropy of the shares over its maximum, the evenness of Pielou (Journal of
    Theoretical Biology 13 (1966) 131).

    Parameters
    ----------
    share, fair : both add up to 1; fair shares are positive.
    """
    if len(fair) == 1:
        return 1.0
    seen = share > 0
    divergence = float(np.sum(share[seen] * np.log(share[seen] / fair[seen])))
    return 1.0 - divergence / float(-np.log(fair.min()))


def odds_between(share: np.ndarray, fair: np.ndarray, events: int) -> float:
    """Largest over smallest chance of one entry to win, between classes.

    A class without a win counts as half a win (Haldane, Annals of Human Genetics 20 (1956) 309),
    so that the ratio stays finite; 1 is fair.
    """
    each = np.maximum(share, 0.5 / events) / fair
    return float(each.max() / each.min())


def equivalence(first: np.ndarray, second: np.ndarray, margin: float) -> float:
    """p-value that two means differ by less than the margin: two one-sided Welch tests.

    Small: the classes' mean scored pace counts as equal. Schuirmann, Journal of Pharmacokinetics
    and Biopharmaceutics 15 (1987) 657.
    """
    if min(len(first), len(second)) < 2:
        return float("nan")
    above = ttest_ind(first + margin, second, equal_var=False, alternative="greater").pvalue
    below = ttest_ind(first - margin, second, equal_var=False, alternative="less").pvalue
    return float(max(above, below))


def fairness(table: Table, level: float = 0.9) -> Fairness:
    """Give the fairness figures of a table of factors, for the entries known before the freeze.

    Every event has all entries in it. Intervals are over what the true paces may be: a figure
    computed within each posterior draw. Class factors are fair on average over the draws, and much
    less so within one, so both are told.
    """
    entries = table.entries[table.scoring].reset_index(drop=True)
    names = [c for c in table.classes if c]
    handicap, _ = table.handicaps(entries, names)
    events = table.events
    scores = limited(events.log_time, events.assumed, table.policy) + handicap
    wins, podiums = _wins(scores), _podiums(scores)
    group, fair = table.group, table.fair
    classes = _class_rows(table, wins, podiums, level)
    overall = _overall(wins, group, fair, scores.shape[1], level)
    overall["quickest_wins"] = float(
        np.mean(np.argmin(events.log_time, axis=2) == np.argmin(scores, axis=2))
    )
    share = wins.mean(axis=0)
    overall["top_build"] = str(entries["build"].iloc[int(np.argmax(share))])
    overall["equivalence"] = _pairs(table, scores)
    each = pd.DataFrame({"build": entries["build"], "class": names, "win_share": share})
    each = each.sort_values(["win_share", "build"], ascending=[False, True], ignore_index=True)
    return Fairness(classes, overall, each, questions(table))


def _wins(scores: np.ndarray) -> np.ndarray:
    """Share of wins of each entry within each draw, (draws, entries)."""
    first = np.argmin(scores, axis=2)
    n = scores.shape[2]
    return np.stack([np.bincount(row, minlength=n) / len(row) for row in first])


def _podiums(scores: np.ndarray) -> np.ndarray:
    """Share of the first three places of each entry within each draw."""
    n = scores.shape[2]
    top = min(3, n)
    best = np.argpartition(scores, top - 1, axis=2)[:, :, :top].reshape(len(scores), -1)
    return np.stack([np.bincount(row, minlength=n) / len(row) for row in best])


def _by_class(shares: np.ndarray, group: np.ndarray, classes: int) -> np.ndarray:
    return np.stack([shares[:, group == g].sum(axis=1) for g in range(classes)], axis=1)


def _class_rows(table: Table, wins: np.ndarray, podiums: np.ndarray, level: float) -> pd.DataFrame:
    count = len(table.class_names)
    of_class = _by_class(wins, table.group, count)
    on_podium = _by_class(podiums, table.group, count)
    tails = [(1 - level) / 2, (1 + level) / 2]
    low, high = _around(of_class, tails)
    podium_low, podium_high = _around(on_podium, tails)
    return pd.DataFrame(
        {
            "class": table.class_names,
            "entries": np.bincount(table.group, minlength=count),
            "win_share": of_class.mean(axis=0),
            "fair_share": table.fair,
            "low": low,
            "high": high,
            "podium_share": on_podium.mean(axis=0),
            "podium_low": podium_low,
            "podium_high": podium_high,
        }
    )


def _around(shares: np.ndarray, tails: list[float]) -> np.ndarray:
    """Quantiles over draws, widened to the mean: where few draws hold all wins it lies outside."""
    low, high = np.quantile(shares, tails, axis=0)
    mean = shares.mean(axis=0)
    return np.stack([np.minimum(low, mean), np.maximum(high, mean)])


def _overall(
    wins: np.ndarray, group: np.ndarray, fair: np.ndarray, repeats: int, level: float
) -> dict[str, Any]:
    """The figures on the mean shares; and within single draws, their median and interval."""

    def figures(share: np.ndarray, events: int) -> list[float]:
        of_class = np.array([share[group == g].sum() for g in range(len(fair))])
        return [
            evenness(of_class, fair),
            odds_between(of_class, fair, events),
            float(share.max()),
            float((share > ABLE).mean()),
        ]

    centre = figures(wins.mean(axis=0), repeats * len(wins))
    each = np.array([figures(row, repeats) for row in wins])
    within = np.quantile(each, [0.5, (1 - level) / 2, (1 + level) / 2], axis=0)
    out: dict[str, Any] = dict(zip(OVERALL, centre, strict=True))
    for k, name in enumerate(OVERALL):
        told = zip(("_known", "_known_low", "_known_high"), within[:, k].tolist(), strict=True)
        out |= {name + ending: value for ending, value in told}
    return out


def _pairs(table: Table, scores: np.ndarray) -> list[dict[str, Any]]:
    """Equivalence of mean scored pace of each pair of classes."""
    pace = scores.mean(axis=(0, 1))
    margin = table.basis.rules.results["margin_pct"] / 100
    out = []
    for a, b in combinations(range(len(table.class_names)), 2):
        first, second = pace[table.group == a], pace[table.group == b]
        out.append(
            {
                "classes": f"{table.class_names[a]}, {table.class_names[b]}",
                "difference_pct": 100 * float(first.mean() - second.mean()),
                "margin_pct": 100 * margin,
                "p_equivalent": equivalence(first, second, margin),
            }
        )
    return out


RARE = 0.05  # a question is asked below this chance, after allowing for the number of entries


def questions(table: Table) -> pd.DataFrame:
    """Entries whose pace does not fit their declared specification, as questions to a steward.

    For each entry: the chance that an honest car of its declared specification with a driver of
    its level is this quick or quicker, and the same for the quickest of as many cars as there are
    entries (1 - (1 - p) to the power of their number), which is the chance that it is luck.

    Returns
    -------
    Columns `build`, `class`, `quicker_pct` (than expected of the specification), `p_this_quick`,
    `p_luck` and `question`; only those with `p_luck` under `RARE`, the rarest first.
    """
    fit, entries = table.basis.thin, table.entries
    own = table.averaged(fit, entries, declared=False)
    declared = table.averaged(fit, entries, declared=True)
    spread = np.sqrt(sum(fit.sds[g].astype(float) ** 2 for g in ("build", "build_spec", "driver")))
    rows = []
    for i, build in enumerate(entries["build"]):
        rng = np.random.default_rng(i)
        others = declared[:, i] + spread * rng.standard_normal((200, fit.draws))
        rare = float((others <= own[:, i]).mean())
        luck = 1 - (1 - rare) ** len(entries)
        off = 100 * float(np.expm1(np.median(own[:, i] - declared[:, i])))
        rows.append({"build": build, "class": table.classes[i], "quicker_pct": -off,
                     "p_this_quick": rare, "p_luck": luck})  # fmt: skip
    table_ = pd.DataFrame(rows)
    rare_ones = table_[table_["p_luck"] < RARE].sort_values("p_luck")
    return rare_ones.assign(
        question=[_question(row, len(entries)) for row in rare_ones.to_dict("records")]
    ).reset_index(drop=True)


def _question(row: dict[Any, Any], n: int) -> str:
    return (
        f"{row['build']} is {row['quicker_pct']:.1f} % quicker than expected of its declared "
        f"specification. Among {n} honest entries the quickest is this far off by luck in "
        f"{100 * row['p_luck']:.1f} of 100 fields. Is its specification on record complete, and "
        "is the driver's level right?"
    )
