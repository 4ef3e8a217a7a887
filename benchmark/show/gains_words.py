"""Gains, explanations and forecasts for people: what commands and pages share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from benchmark.answers.explain import Explanation
from benchmark.answers.forecast import Forecast
from benchmark.show.output import Column
from benchmark.show.words import lap_text, percent, place_text, range_text

NONE = lap_text(None)  # a dash
PART_WORDS = {
    "parts_together": "how the parts suit this car",
    "tyre_category": "tyre category",
    "tyre_state": "tyre state and lap of the run",
    "track_state": "track state that day",
    "form": "the car's own form that day",
    "unexplained": "unexplained (luck of the two laps)",
}


def seconds_text(value: float | None) -> str:
    """Write a gain in seconds with its sign; a dash where there is none."""
    return NONE if value is None or pd.isna(value) else f"{_signed(value)} s"


def span_text(low: float | None, high: float | None) -> str:
    """Write an interval of gains in seconds."""
    missing = low is None or high is None or pd.isna(low) or pd.isna(high)
    return NONE if missing else f"{_signed(low)} to {_signed(high)} s"


def _signed(seconds: float | None) -> str:
    """Write hundredths with their sign, nought never with a minus."""
    return f"{round(seconds or 0.0, 2) + 0.0:+.2f}"


def words_of(value: Any) -> str:
    """Write a text, or a dash where there is none."""
    return value if isinstance(value, str) and value else NONE


def part_text(part: str) -> str:
    """Name a part of an explanation as people say it."""
    return PART_WORDS.get(part, part.replace("_", " "))


def gains_columns(table: pd.DataFrame, level: float = 0.9) -> list[Column]:
    """Give the table of gains that people read."""
    rows = table.to_dict("records")
    columns = [
        Column("Step", [step_text(row) for row in rows]),
        Column("Gain", [seconds_text(row["gain_s"]) for row in rows], right=True),
        Column(f"{100 * level:.0f} % interval",
               [span_text(row["low_s"], row["high_s"]) for row in rows], right=True),
        Column("Chance that it helps", [percent(row["p_helps"]) for row in rows], right=True),
        Column("Builds before", [str(row["builds_from"]) for row in rows], right=True),
        Column("Builds after", [str(row["builds_to"]) for row in rows], right=True),
        Column("Builds on both", [str(row["changes"]) for row in rows], right=True),
    ]  # fmt: skip
    if "cost" in table:
        columns += _cost_columns(rows)
    return [
        *columns,
        Column("Together with what it cannot be told from", [_together(row) for row in rows]),
        Column("Warning", [words_of(row["warning"]) for row in rows]),
    ]


def step_text(row: Mapping[Any, Any]) -> str:
    """Name a step as people say it."""
    return f"{str(row['area']).replace('_', ' ')} {row['from']} to {row['to']}"


def _together(row: Mapping[Any, Any]) -> str:
    if not isinstance(row["aliased_with"], str):
        return NONE
    return f"{seconds_text(row['sum_gain_s'])} ({span_text(row['sum_low_s'], row['sum_high_s'])})"


def _cost_columns(rows: list[dict[Any, Any]]) -> list[Column]:
    def amount(row: Mapping[Any, Any], name: str) -> str:
        return NONE if pd.isna(row[name]) else f"{row[name]:,.0f} {row['currency']}"

    return [
        Column("Cost", [amount(row, "cost") for row in rows], right=True),
        Column("Cost per tenth", [amount(row, "cost_per_tenth") for row in rows], right=True),
    ]


def gains_sentence(
    table: pd.DataFrame, circuit: str, layout: str, lap_s: float, level: float = 0.9
) -> str:
    """Say in one sentence which step that cars have made buys most here."""
    seen = table[(table["builds_from"] > 0) & (table["builds_to"] > 0)]
    where = place_text(circuit, layout)
    if seen.empty:
        return f"No step was seen at both ends yet: every figure at {where} is what is usual."
    best = seen.iloc[0]
    return (
        f"What buys most at {where}, of the steps seen: {step_text(best.to_dict())}, "
        f"{seconds_text(best['gain_s'])} a lap ({100 * level:.0f} % interval "
        f"{span_text(best['low_s'], best['high_s'])}) on a typical lap of {lap_text(lap_s)}. "
        "Negative is quicker."
    )


def forecast_lines(answer: Forecast, level: float = 0.9) -> list[str]:
    """Say a forecast in sentences."""
    figures, asked = answer.figures, answer.question
    share = f"{100 * level:.0f} % interval"
    at = f" at {figures['best_time']}, the best time" if "best_time" in figures else ""
    lines = [
        f"{asked.build} at {place_text(asked.circuit, asked.layout)}{at}: one clean lap "
        f"{lap_text(figures['lap_s'])} ({share} "
        f"{range_text(figures['lap_low_s'], figures['lap_high_s'])}), the best of {asked.laps} "
        f"{lap_text(figures['best_s'])} ({share} "
        f"{range_text(figures['best_low_s'], figures['best_high_s'])})."
    ]
    if asked.target_s is not None:
        chance = percent(figures["p_target"])
        lines.append(f"Chance of {lap_text(asked.target_s)} or quicker in {asked.laps}: {chance}.")
    if asked.laps > 1:
        lines.append(
            f"Most likely the quickest: lap {figures['quickest_lap']} of the run "
            f"({percent(figures['p_quickest_lap'])})."
        )
    return [*lines, *(f"Note: {warning}." for warning in answer.warnings)]


def hour_columns(hours: pd.DataFrame) -> list[Column]:
    """Give the hours of a day as people read them."""
    rows = hours.to_dict("records")
    return [
        Column("Time", [row["time"] for row in rows]),
        Column("One clean lap", [lap_text(row["lap_s"]) for row in rows], right=True),
        Column("Best of the run", [lap_text(row["best_s"]) for row in rows], right=True),
        Column("Interval of the best",
               [range_text(row["best_low_s"], row["best_high_s"]) for row in rows], right=True),
        Column("Chance of the target", [percent(row["p_target"]) for row in rows], right=True),
    ]  # fmt: skip


def explain_lines(answer: Explanation, level: float = 0.9) -> list[str]:
    """Say an explanation in sentences."""
    before, after = answer.before, answer.after
    quicker = "quicker" if answer.difference_s < 0 else "slower"
    bought = answer.bought
    parts = (
        "No part changed between the two."
        if bought["low_s"] == bought["high_s"] == 0
        else f"Of this the parts account for {seconds_text(bought['gain_s'])} "
        f"({100 * level:.0f} % interval {span_text(bought['low_s'], bought['high_s'])}); "
        "negative is quicker."
    )
    return [
        f"{after['build']} at {place_text(after['circuit'], after['layout'])}: "
        f"{lap_text(before['lap_time_s'])} on {before['date']}, {lap_text(after['lap_time_s'])} on "
        f"{after['date']}, {abs(answer.difference_s):.2f} s {quicker} (best laps as timed).",
        parts,
    ]


def explain_columns(answer: Explanation, level: float = 0.9) -> list[Column]:
    """Give the causes that differed as people read them, the observed difference last."""
    rows = [row for row in answer.parts.to_dict("records") if row["low_s"] or row["high_s"]]
    total = seconds_text(answer.difference_s)
    return [
        Column("Cause", [*(part_text(row["part"]) for row in rows), "observed difference"]),
        Column("Worth", [*(seconds_text(row["gain_s"]) for row in rows), total], right=True),
        Column(f"{100 * level:.0f} % interval",
               [*(span_text(row["low_s"], row["high_s"]) for row in rows), NONE], right=True),
        Column("Before", [*(words_of(row["before"]) for row in rows), NONE]),
        Column("After", [*(words_of(row["after"]) for row in rows), NONE]),
    ]  # fmt: skip
