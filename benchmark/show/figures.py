"""Pictures of answers, shared by the pages and the reports."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from benchmark.show.words import lap_text, percent, range_text

# Blue-green and orange differ in hue and in lightness for every common kind of colour vision, and
# both stand out on a light and on a dark ground. Shape tells them apart as well.
ADJUSTED_COLOUR, TIMED_COLOUR = "#16868C", "#D97A1E"
ADJUSTED, TIMED = "adjusted lap, with its interval", "best lap as timed"
ROW_PX = 24
BESIDE_PX = 20  # height beside the rows of a picture in a report, whose legend stands outside
PAGE_BESIDE_PX = 170  # on a page, which fits legend, axis and title into the height
# Around a drawn picture: the reader's font may be wider than the one it was laid out with.
ROOM_PX = {"left": 30, "top": 5, "right": 10, "bottom": 5}
MOST_ROWS = 60  # more entries than this make no picture that anybody can read

# Vega counts in seconds; people read minutes and seconds.
CLOCK = "floor(datum.value / 60) + ':' + format(datum.value % 60, '04.1f')"


def board_chart(
    board: pd.DataFrame, level: float = 0.9, *, beside_px: int = BESIDE_PX
) -> alt.LayerChart:
    """Draw each entry's adjusted lap with its interval, and its best lap as timed.

    Entries stand in the order of the board, the quickest on top; at most the first `MOST_ROWS`.
    `beside_px` is the height beside the rows: `PAGE_BESIDE_PX` on a page. [px]
    """
    rows = _rows(board.head(MOST_ROWS))
    order = list(rows["build"])
    y = alt.Y("build:N", sort=order, title=None, axis=names_axis(150))
    base = alt.Chart().encode(y=y)
    interval = base.mark_rule(strokeWidth=3, opacity=0.55, color=ADJUSTED_COLOUR).encode(
        x=_time_axis("low_s"), x2="high_s:Q"
    )
    layers = [interval, _marks(base, "adjusted_s", ADJUSTED), _marks(base, "best_s", TIMED)]
    title = ["Lap time [m:ss.s]", interval_title(level)]
    return layered(
        layers,
        rows,
        ROW_PX * len(rows) + beside_px,
        encoding=alt.SharedEncoding(x={"title": title}),
        config=alt.Config(view=alt.ViewConfig(stroke=None)),
    )


def layered(
    layers: list[alt.Chart], data: pd.DataFrame, height_px: int, **more: Any
) -> alt.LayerChart:
    """Lay charts of the same data over each other, as wide as the page.

    All at once: each method of a chart copies all of it, and data that each layer brings would be
    digested to find out that they are the same.
    """
    return alt.LayerChart(layer=layers, data=data, width="container", height=height_px, **more)


def names_axis(limit_px: int) -> alt.Axis:
    """Name every row at its own height, however many there are."""
    return alt.Axis(labelLimit=limit_px, labelOverlap=False, labelFlush=False, labelBound=False)


def interval_title(level: float) -> str:
    """Say what a bar is, in a line of its own: one long line is cut off on a phone."""
    return f"the bar is the {100 * level:.0f} % interval"


def _rows(board: pd.DataFrame) -> pd.DataFrame:
    """The rows of the picture with the words that pointing at a mark shows."""
    rows = board[["build", "adjusted_s", "low_s", "high_s", "best_s", "rank", "raw_rank"]].copy()
    rows["adjusted"] = [lap_text(value) for value in board["adjusted_s"]]
    rows["interval"] = [
        range_text(low, high) for low, high in zip(board["low_s"], board["high_s"], strict=True)
    ]
    rows["best"] = [lap_text(value) for value in board["best_s"]]
    rows["chance"] = [percent(value) for value in board["p_fastest"]]
    return rows


def _time_axis(field: str) -> alt.X:
    axis = alt.Axis(labelExpr=CLOCK, tickCount=5, labelOverlap=True, titleAnchor="end")
    return alt.X(f"{field}:Q", scale=alt.Scale(zero=False, nice=False, padding=12), axis=axis)


def _marks(base: alt.Chart, field: str, what: str) -> alt.Chart:
    """One mark an entry; colour and shape both say which time it is."""
    colours = alt.Scale(domain=[ADJUSTED, TIMED], range=[ADJUSTED_COLOUR, TIMED_COLOUR])
    shapes = alt.Scale(domain=[ADJUSTED, TIMED], range=["circle", "diamond"])
    legend = alt.Legend(title=None, orient="top", direction="vertical", labelLimit=300)
    tooltip = [
        alt.Tooltip("build:N", title="Build"),
        alt.Tooltip("adjusted:N", title="Adjusted lap"),
        alt.Tooltip("interval:N", title="Interval"),
        alt.Tooltip("best:N", title="Best lap as timed"),
        alt.Tooltip("chance:N", title="Chance of being quickest"),
    ]
    filled = what == ADJUSTED
    marks: alt.Chart = (
        base.transform_calculate(what=f"'{what}'")
        .mark_point(filled=filled, size=70, opacity=1, strokeWidth=2)
        .encode(
            x=_time_axis(field),
            color=alt.Color("what:N", scale=colours, legend=legend),
            shape=alt.Shape("what:N", scale=shapes, legend=legend),
            tooltip=tooltip,
        )
    )
    return marks


def board_alt(board: pd.DataFrame) -> str:
    """Describe the picture for people who do not see it; its numbers stand in the table."""
    if board.empty:
        return "No entry to draw."
    first = board.iloc[0]
    return (
        f"Adjusted lap with interval, and best lap as timed, of {len(board)} entries. Quickest at "
        f"equal conditions: {first['build']}, {lap_text(first['adjusted_s'])}."
    )


def svg(chart: alt.LayerChart, width_px: int = 640) -> str:
    """Draw a chart as SVG text with no network, for a page that is printed or sent."""
    import vl_convert as vlc

    fixed = chart.properties(width=width_px, padding=ROOM_PX).configure(
        font="sans-serif", background="white"
    )
    return str(vlc.vegalite_to_svg(fixed.to_json()))
