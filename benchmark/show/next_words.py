"""Next steps, test plans and coaching for people: what commands and pages share."""

from __future__ import annotations

import pandas as pd

from benchmark.answers.plan import Plan
from benchmark.show.gains_words import NONE, seconds_text, span_text, step_text
from benchmark.show.output import Column
from benchmark.show.words import count_text, percent


def advise_columns(table: pd.DataFrame, level: float = 0.9) -> list[Column]:
    """Give the open steps as people read them; costs only where some are known."""
    rows = table.to_dict("records")
    cost = [NONE if pd.isna(r["cost"]) else f"{r['cost']:,.0f} {r['currency']}" for r in rows]
    tenth = [
        NONE if pd.isna(r["cost_per_tenth"]) else f"{r['cost_per_tenth']:,.0f} {r['currency']}"
        for r in rows
    ]
    costs = [Column("Cost", cost, right=True), Column("Cost per tenth", tenth, right=True)]
    return [
        Column("Step", [step_text(row) for row in rows]),
        Column("Gain", [seconds_text(row["gain_s"]) for row in rows], right=True),
        Column(f"{100 * level:.0f} % interval",
               [span_text(row["low_s"], row["high_s"]) for row in rows], right=True),
        Column("Chance that it helps", [percent(row["p_helps"]) for row in rows], right=True),
        *(costs if set(cost) != {NONE} else []),
        Column("What it means", [row["words"] for row in rows]),
    ]  # fmt: skip


def coach_lines(table: pd.DataFrame) -> list[str]:
    """Say the advice in sentences."""
    return [
        f"{row['advice']}: {row['width_then_s']:.2f} s instead of {row['width_s']:.2f} s wide, "
        f"{100 * row['narrower_share']:.0f} % narrower."
        for row in table.to_dict("records")
    ]


def coach_columns(table: pd.DataFrame) -> list[Column]:
    """Give the advice as people read it."""
    rows = table.to_dict("records")
    return [
        Column("What would help", [row["advice"] for row in rows]),
        Column("Interval now", [f"{row['width_s']:.2f} s wide" for row in rows], right=True),
        Column("Expected then", [f"{row['width_then_s']:.2f} s wide" for row in rows], right=True),
        Column("Narrower by", [f"{100 * row['narrower_share']:.0f} %" for row in rows], right=True),
    ]


def plan_lines(found: Plan) -> list[str]:
    """Say a test plan in sentences."""
    needed = {name: int(value) for name, value in found.needed.items() if name != "power"}
    swaps = count_text(needed["swaps"], "swap")
    return [
        f"To see a gain of {found.gain_s:.2f} s a lap with a chance (power) of "
        f"{percent(found.power)}: {swaps} A-B-A in runs of {needed['laps_a_run']} clean flying "
        f"laps, that is {needed['runs']} runs and {needed['laps']} laps with out and in laps. The "
        f"chance is then {percent(found.needed['power'])}.",
        "A-B-A: a run as before, a run with the part, a run as before, in one session with one "
        "driver and one set of tyres. Compare the mean of B with the mean of the two A.",
        f"Why so many: in this store luck alone moves a lap by {100 * found.spreads.lap:.2f} %, a "
        f"run by {100 * found.spreads.outing:.2f} %, a session by "
        f"{100 * found.spreads.session:.2f} % and a day by {100 * found.spreads.day:.2f} % of the "
        "lap time (standard deviations).",
    ]


def plan_columns(found: Plan) -> list[Column]:
    """Give the run lengths that reach the power."""
    rows = found.options.to_dict("records")
    headings = (
        ("Clean laps a run", "laps_a_run"),
        ("Swaps A-B-A", "swaps"),
        ("Runs", "runs"),
        ("Flying laps", "flying_laps"),
        ("Laps with out and in laps", "laps"),
    )
    columns = [Column(h, [f"{r[name]:.0f}" for r in rows], right=True) for h, name in headings]
    return [*columns, Column("Power", [percent(row["power"]) for row in rows], right=True)]


def waste_lines(found: Plan) -> list[str]:
    """Say the designs that waste laps in sentences."""
    return [
        f"{row['design']}: with as many runs it sees the gain with a chance of "
        f"{percent(row['power'])}, and a gain that is not there with {percent(row['false_alarm'])};"
        f" {row['why']}."
        for row in found.wasteful.to_dict("records")
    ]


def waste_columns(found: Plan) -> list[Column]:
    """Give the designs that waste laps."""
    rows = found.wasteful.to_dict("records")
    return [
        Column("Design that wastes laps", [row["design"] for row in rows]),
        Column("Power with as many runs", [percent(row["power"]) for row in rows], right=True),
        Column("Chance of a false alarm", [percent(row["false_alarm"]) for row in rows],
               right=True),
        Column("Why", [row["why"] for row in rows]),
    ]  # fmt: skip
