"""Pictures of gains, of what made a difference, and of a build's days."""

from __future__ import annotations

import altair as alt
import pandas as pd

from benchmark.answers.explain import Explanation
from benchmark.show.figures import (
    ADJUSTED,
    ADJUSTED_COLOUR,
    CLOCK,
    PAGE_BESIDE_PX,
    ROW_PX,
    TIMED,
    TIMED_COLOUR,
    interval_title,
    layered,
    names_axis,
)
from benchmark.show.gains_words import part_text, seconds_text, span_text, step_text

MOST_ROWS = 40
TITLE_AT_END = alt.Axis(titleAnchor="end", labelOverlap=True)  # a long title is not cut off
QUICKER, SLOWER, OBSERVED = "quicker", "slower", "observed difference"


def gains_chart(table: pd.DataFrame, level: float = 0.9) -> alt.LayerChart:
    """Draw each step's gain with its interval; left of nought is quicker."""
    rows = table.head(MOST_ROWS)
    data = pd.DataFrame(
        {
            "step": [step_text(row) for row in rows.to_dict("records")],
            "gain_s": rows["gain_s"].to_numpy(),
            "low_s": rows["low_s"].to_numpy(),
            "high_s": rows["high_s"].to_numpy(),
            "says": [seconds_text(value) for value in rows["gain_s"]],
            "interval": [span_text(*pair) for pair in rows[["low_s", "high_s"]].to_numpy()],
        }
    )
    y = alt.Y("step:N", sort=list(data["step"]), title=None, axis=names_axis(190))
    title = ["Gain [s a lap], left is quicker", interval_title(level)]
    base = alt.Chart().encode(y=y)
    tips = [alt.Tooltip("step:N"), alt.Tooltip("says:N", title="Gain"), alt.Tooltip("interval:N")]
    bars = base.mark_rule(strokeWidth=3, opacity=0.55, color=ADJUSTED_COLOUR).encode(
        x=alt.X("low_s:Q", title=title, axis=TITLE_AT_END), x2="high_s:Q", tooltip=tips
    )
    dots = base.mark_point(filled=True, size=70, opacity=1, color=ADJUSTED_COLOUR).encode(
        x="gain_s:Q", tooltip=tips
    )
    return layered([_nought(), bars, dots], data, ROW_PX * len(data) + PAGE_BESIDE_PX)


def _nought() -> alt.Chart:
    line = alt.Chart(pd.DataFrame({"x": [0.0]})).mark_rule(strokeDash=[4, 4], color="#888888")
    return line.encode(x="x:Q")


def waterfall_chart(answer: Explanation) -> alt.LayerChart:
    """Draw how the causes add up from nought to the observed difference."""
    changed = answer.parts[answer.parts["gain_s"] != 0]
    ends = changed["gain_s"].cumsum()
    data = pd.DataFrame(
        {
            "cause": [part_text(part) for part in changed["part"]],
            "start": (ends - changed["gain_s"]).to_numpy(),
            "end": ends.to_numpy(),
            "says": [seconds_text(value) for value in changed["gain_s"]],
            "kind": [QUICKER if gain < 0 else SLOWER for gain in changed["gain_s"]],
        }
    )
    total = {"cause": OBSERVED, "start": 0.0, "end": answer.difference_s,
             "says": seconds_text(answer.difference_s), "kind": OBSERVED}  # fmt: skip
    data = pd.concat([data, pd.DataFrame([total])], ignore_index=True)
    y = alt.Y("cause:N", sort=list(data["cause"]), title=None, axis=names_axis(200))
    legend = alt.Legend(title=None, orient="top", direction="vertical")
    colours = alt.Scale(domain=[QUICKER, SLOWER, OBSERVED],
                        range=[ADJUSTED_COLOUR, TIMED_COLOUR, "#777777"])  # fmt: skip
    base = alt.Chart().encode(y=y)
    bars = base.mark_bar().encode(
        x=alt.X("start:Q", title="Change of the lap [s], left is quicker", axis=TITLE_AT_END),
        x2="end:Q",
        color=alt.Color("kind:N", scale=colours, legend=legend),
        tooltip=[alt.Tooltip("cause:N"), alt.Tooltip("says:N", title="Worth")],
    )
    return layered([_nought(), bars], data, ROW_PX * len(data) + PAGE_BESIDE_PX)


def history_chart(days: pd.DataFrame) -> alt.LayerChart:
    """Draw a build's days: as timed, and at reference conditions; lines mark changed parts."""
    data = days.assign(changed=days["changed"].fillna("").astype(str))
    x = alt.X("date:T", title=None, axis=alt.Axis(format="%d %b", labelOverlap=True))
    axis = alt.Axis(labelExpr=CLOCK, tickCount=5)

    def y(field: str) -> alt.Y:
        title = "Lap time [m:ss.s]"
        return alt.Y(f"{field}:Q", scale=alt.Scale(zero=False), axis=axis, title=title)

    base = alt.Chart().encode(x=x)
    changes = base.transform_filter("datum.changed != ''")
    changes = changes.mark_rule(strokeDash=[3, 3], color="#888888")
    colours = alt.Scale(domain=[ADJUSTED, TIMED], range=[ADJUSTED_COLOUR, TIMED_COLOUR])
    shapes = alt.Scale(domain=[ADJUSTED, TIMED], range=["circle", "diamond"])
    legend = alt.Legend(title=None, orient="top", direction="vertical", labelLimit=300)

    def marks(field: str, what: str) -> alt.Chart:
        told = base.transform_calculate(what=f"'{what}'").mark_point(
            filled=what == ADJUSTED, size=80, opacity=1
        )
        return told.encode(
            y=y(field),
            color=alt.Color("what:N", scale=colours, legend=legend),
            shape=alt.Shape("what:N", scale=shapes, legend=legend),
        )

    layers = [
        changes.encode(tooltip=[alt.Tooltip("changed:N", title="Changed")]),
        base.mark_rule(strokeWidth=3, opacity=0.55, color=ADJUSTED_COLOUR).encode(
            y=y("low_s"), y2="high_s:Q"
        ),
        marks("adjusted_s", ADJUSTED),
        marks("best_s", TIMED),
    ]
    return layered(layers, data, 300)
