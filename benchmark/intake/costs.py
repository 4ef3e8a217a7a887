"""What steps cost, as a CSV file: columns `step`, `cost` and `currency`, one row a step.

A step is written `engine 0 to 1`, `tyre_category track-day to semi-slick` or `driver_level club to
expert`; `engine 1` is short for the step from the level below. One file has one currency.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from pathlib import Path

from benchmark.errors import BadValue
from benchmark.intake.sheet import Faults, read_sheet
from benchmark.trade.classes import SCALED, scale

LADDERS = {area: scale(area) for area in SCALED}
STEP = re.compile(r"(\S+)\s+(?:(\S+)\s+to\s+)?(\S+)")
COST = re.compile(r"[0-9]{1,9}([.,][0-9]{1,2})?")
CURRENCY = re.compile(r"\S{1,12}")
EXAMPLE = "write `engine 0 to 1` or `tyre_category track-day to semi-slick`"

Step = tuple[str, str, str]


@dataclass(frozen=True)
class Costs:
    """What steps cost: by (area, from, to), all in one currency."""

    currency: str
    steps: dict[Step, float]

    def of(self, area: str, start: str, end: str) -> float | None:
        """Cost of a step: as given, else the sum of its single steps, else None.

        Single steps are the ones to the next level; all of them have to be given.
        """
        if (area, start, end) in self.steps:
            return self.steps[area, start, end]
        rungs = LADDERS[area]
        between = rungs[rungs.index(start) : rungs.index(end) + 1]
        singles = [self.steps.get((area, a, b)) for a, b in itertools.pairwise(between)]
        known = [cost for cost in singles if cost is not None]
        return sum(known) if known and len(known) == len(singles) else None


def cost_per_tenth(cost: float | None, gain_s: float) -> float | None:
    """Cost of each tenth of a second won; None without a cost, or where nothing is won.

    Parameters
    ----------
    cost : of the step, in the costs' currency.
    gain_s : what the step is worth, negative where it is quicker. [s]
    """
    return None if cost is None or gain_s >= 0 else cost / (-10 * gain_s)


def read_costs(path: Path) -> Costs:
    """Read a file of costs.

    Raises
    ------
    FaultyFile
        With every fault: file, row (1 is the first after the header), column, value.
    """
    faults = Faults(path.name)
    steps: dict[Step, float] = {}
    currencies: list[str] = []
    columns = ("step", "cost", "currency")
    for row, record in enumerate(read_sheet(path, columns, ()), start=1):
        step = faults.read(row, "step", record, read_step)
        cost = faults.read(row, "cost", record, _cost)
        currency = faults.read(row, "currency", record, _currency)
        if step in steps:
            faults.add(row, "step", record["step"], "stands twice; one row a step")
        if currency and currency not in (currencies or [currency]):
            message = f"is not {currencies[0]}; one file has one currency"
            faults.add(row, "currency", currency, message)
        if step and cost is not None and currency:
            steps[step] = cost
            currencies.append(currency)
    faults.raise_if_any()
    return Costs(currencies[0], steps)


def read_step(text: str) -> Step:
    """Read a step as area, from and to.

    Raises
    ------
    BadValue
        An unknown area or level, or a step that does not go up.
    """
    match = STEP.fullmatch(text)
    if match is None:
        raise BadValue(f"is not a step; {EXAMPLE}")
    area, start, end = match.groups()
    if area not in LADDERS:
        raise BadValue(f"is of no area; use one of {', '.join(LADDERS)}")
    rungs = LADDERS[area]
    if end not in rungs[1:] or (start is not None and start not in rungs):
        raise BadValue(f"has an unknown level; {area} goes {', '.join(rungs)}")
    start = rungs[rungs.index(end) - 1] if start is None else start
    if rungs.index(start) >= rungs.index(end):
        raise BadValue(f"does not go up; {area} goes {', '.join(rungs)}")
    return area, start, end


def _cost(text: str) -> float:
    if not COST.fullmatch(text):
        raise BadValue("is not an amount; write a number such as 450 or 450.50")
    return float(text.replace(",", "."))


def _currency(text: str) -> str:
    if not CURRENCY.fullmatch(text):
        raise BadValue("is not a currency; write a short word such as EUR")
    return text
