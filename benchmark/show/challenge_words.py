"""What the fairness figures of a challenge say, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchmark.show.challenge import odds_text
from benchmark.show.challenge_rules import KIND_WORDS
from benchmark.show.words import percent

if TYPE_CHECKING:
    from benchmark.answers.challenge.fairness import Fairness

# Kinds of factor under which what the laps do not tell is what is unfair, and what makes it less.
LUCK_OF_THE_SEASON = {
    "class": "Laps of the whole field on further days before the freeze bring that down, and so "
    "does renew = true.",
    "personal": "Laps of the whole field on further days before the freeze bring that down.",
}


def figure_words() -> list[str]:
    """Say what the figures of compared rules mean, for readers who see only the table."""
    return [
        "Luckiest over unluckiest class: how many times as often an entry of the one wins as one "
        "of the other, averaged over what the cars' true paces may be; 1 is fair. For known "
        "paces: the same if those paces, whatever they are, were the true ones.",
        "Evenness: 1 where each class has its fair share of the wins, 0 where one has all.",
        "Largest share of wins: of the entry that wins most. Entries that can win: those that win "
        "more than one simulated event in a hundred.",
        "Quickest car wins: how often the quickest car of an event wins it by these rules.",
    ]


def kind_words(slow: float) -> list[str]:
    """Say what the figures of compared kinds of factor mean; `slow` is a share of a lap."""
    return [
        "Fair is a kind with which many entries can win, none wins much more than the others, and "
        "nothing is gained by slow driving. The choice is the club's.",
        f"Gained by slow driving: places a round that an entry gains by driving {100 * slow:g} % "
        "slower in every lap before the factors are made; without guards: the same without the "
        "tolerance, the ratchet and the floor of the rules. Near 0 there is nothing to gain. Own "
        "laps do not count: no lap of an entry reaches its own factor.",
        "A specification factor compares any two entries without a lap of either owner; how well "
        "the owner or the car does for its specification is left to win or lose by. Slow laps can "
        "still move the factors of others a little (the README says how little).",
    ]


def fairness_lines(found: Fairness, kind: str) -> list[str]:
    """Say the overall figures in sentences."""
    o = found.overall
    return [
        f"With {KIND_WORDS[kind]}, {percent(o['able_share'])} of the entries can win (more than "
        f"one simulated event in a hundred); {o['top_build']} wins most, {percent(o['top_share'])} "
        "of events.",
        f"By all that is known beforehand, an entry of the luckiest class wins "
        f"{odds_text(o['odds'], 2)} times as often as one of the unluckiest (1 is fair). Evenness "
        f"of wins between classes: {o['evenness']:.3f} (1 where each class has its fair share, 0 "
        "where one has all).",
        _within_one_truth(o, kind),
        f"The quickest car of an event wins it in {percent(o['quickest_wins'])} of events.",
        *_pairs(o),
    ]


def _within_one_truth(o: dict[str, Any], kind: str) -> str:
    """Say how uneven a season is whose true paces are some that the laps allow."""
    low, high = odds_text(o["odds_known_low"]), odds_text(o["odds_known_high"])
    times = f"about {odds_text(o['odds_known'])} times ({low} to {high})"
    if kind in LUCK_OF_THE_SEASON:
        return (
            "But a few days of laps do not tell the cars' true paces. Whatever they are, some "
            f"class will be the lucky one of this season, {times}; which one cannot be said "
            f"beforehand. {LUCK_OF_THE_SEASON[kind]}"
        )
    return (
        f"Were the cars' true paces known, it would be {times}: without class or personal factors "
        "nothing aims at equal chances of the classes."
    )


def _pairs(o: dict[str, Any]) -> list[str]:
    if not o["equivalence"]:
        return []
    equal = [p for p in o["equivalence"] if p["p_equivalent"] < 0.05]
    return [
        f"Pairs of classes shown to be equal in mean scored pace within "
        f"{o['equivalence'][0]['margin_pct']:g} %: {len(equal)} of {len(o['equivalence'])} (two "
        "one-sided tests at 5 %)."
    ]
