"""The picture of a claim: the claimed lap, the standing lap and rivals, as timed and adjusted."""

from __future__ import annotations

import altair as alt
import pandas as pd

from benchmark.answers.claim import ClaimAnswer
from benchmark.show.figures import board_chart
from benchmark.show.words import lap_text


def claim_rows(answer: ClaimAnswer) -> pd.DataFrame:
    """The rows of the picture, quickest as timed first; the claim is named as such."""
    rivals = answer.rivals.rename(columns={"lap_time_s": "best_s"})
    adjusted = answer.adjusted
    own = pd.DataFrame(
        {
            "build": [f"CLAIM {answer.case.build}"],
            "best_s": [answer.case.lap_time_s],
            "adjusted_s": [adjusted.time_s],
            "low_s": [adjusted.time_low_s],
            "high_s": [adjusted.time_high_s],
            "p_fastest": [adjusted.p_fastest],
        }
    )
    rows = pd.concat([own, rivals.assign(p_fastest=float("nan"))[list(own)]], ignore_index=True)
    rows = rows.sort_values("best_s", kind="stable").reset_index(drop=True)
    return rows.assign(rank=rows.index + 1, raw_rank=rows.index + 1)


def claim_chart(answer: ClaimAnswer) -> alt.LayerChart:
    """Draw the claim among the rivals, each with its lap as timed and its adjusted lap."""
    return board_chart(claim_rows(answer), answer.level)


def claim_alt(answer: ClaimAnswer) -> str:
    """Describe the picture for people who do not see it; its numbers stand in the table."""
    adjusted = answer.adjusted
    return (
        f"Claimed lap {lap_text(answer.case.lap_time_s)} and {len(answer.rivals)} rivals, each "
        f"with its best lap as timed and its adjusted lap with interval; the claimed car's "
        f"adjusted lap is {lap_text(adjusted.time_s)}."
    )
