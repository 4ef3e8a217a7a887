"""The verdicts on a claim, the rule of each, and the decision.

The README, the help of the command, the page, the report and the answer show `VERDICTS` as it
stands here, so the rule that people read is the rule that decides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

STANDS = "stands"
AS_TIMED = "stands-as-timed"
TOO_CLOSE = "too-close"
FALLS = "does-not-stand"
NO_COMPARISON = "cannot-compare"

OK, NOTE, FAIL = "ok", "note", "fail"

# Quicker as timed from this probability on, slower below its complement; between them the order
# may be timing error. A false "quicker" is then at most 5 in 100 (ILAC-G8:09/2019, table 1: a
# guard band of 0.8224 of the expanded uncertainty U = 2 u). At 0.90 the guard band is 0.64 U.
QUICKER_AT_LEAST = 0.95
# Quickest at equal conditions from this chance on. A choice of ours; at 0.95 more claims stand
# as timed only, none changes between standing and falling.
FASTEST_AT_LEAST = 0.90
# A lap this unlikely for its specification is not taken for one until somebody explains it; one
# in a thousand honest claims is held up. A choice of ours; at 0.002 it would be two.
IMPLAUSIBLE_BELOW = 0.001
RARE_BELOW = 0.05  # told as a note; a choice of ours
TRACE_TIME = "trace: claimed time"
OVERTURN = "what would overturn it"

# One line a verdict: its name, what it means to an owner, and its rule.
VERDICTS: Mapping[str, tuple[str, str]] = {
    STANDS: (
        "The claim stands, as timed and at equal conditions.",
        "the lap counts and is quicker than the quickest counted lap of every other car in scope "
        f"with a probability of at least {QUICKER_AT_LEAST:.2f} from timing error alone, and the "
        "chance of being the quickest at equal conditions is at least "
        f"{FASTEST_AT_LEAST:.2f}",
    ),
    AS_TIMED: (
        "The claim stands as timed; at equal conditions it is not shown.",
        f"quicker as timed with a probability of at least {QUICKER_AT_LEAST:.2f}, but the chance "
        f"of being the quickest at equal conditions is under {FASTEST_AT_LEAST:.2f}",
    ),
    TOO_CLOSE: (
        "Too close to call: the margin is within timing error.",
        "the probability of being quicker, from timing error alone, lies between "
        f"{1 - QUICKER_AT_LEAST:.2f} and {QUICKER_AT_LEAST:.2f}",
    ),
    FALLS: (
        "The claim does not stand.",
        f"another car in scope was quicker with a probability of at least {QUICKER_AT_LEAST:.2f}; "
        "or the lap is no counted flying lap; or the car does not belong to the class or tyre "
        "category that was claimed; or the trace shows another lap time",
    ),
    NO_COMPARISON: (
        "The claim cannot be compared.",
        "no other car in scope has a counted lap of this layout and surface; or the trace is not "
        "one of such a lap; or a lap this quick is so unlikely for the specification (chance under "
        f"{IMPLAUSIBLE_BELOW:g}) that another layout, specification or timing has to be ruled out "
        "first",
    ),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: `outcome` is ok, note or fail, `detail` a sentence."""

    check: str
    outcome: str
    detail: str


@dataclass(frozen=True, slots=True)
class Grounds:
    """What the verdict rests on.

    Attributes
    ----------
    falls, held_up : reasons, in words, why the claim falls or cannot be compared whatever the
        times say.
    p_quicker : from timing alone, against the standing lap; None without one.
    p_fastest : chance of being the quickest in scope at equal conditions.
    """

    falls: tuple[str, ...]
    held_up: tuple[str, ...]
    p_quicker: float | None
    p_fastest: float


def decide(grounds: Grounds) -> str:
    """Give the verdict: the first rule that applies, in the order written here."""
    if grounds.falls:
        return FALLS
    if grounds.held_up or grounds.p_quicker is None:
        return NO_COMPARISON
    if grounds.p_quicker <= 1 - QUICKER_AT_LEAST:
        return FALLS
    if grounds.p_quicker < QUICKER_AT_LEAST:
        return TOO_CLOSE
    return STANDS if grounds.p_fastest >= FASTEST_AT_LEAST else AS_TIMED


def rule_table() -> str:
    """Give the verdicts as a table in Markdown, as the README shows it."""
    rows = [f"| `{name}` | {meaning} | {rule} |" for name, (meaning, rule) in VERDICTS.items()]
    return "\n".join(["| verdict | what it means | rule |", "| --- | --- | --- |", *rows])
