"""A rules text to start from, made for the days in a store."""

from __future__ import annotations

import json

import pandas as pd

MOST_ROUNDS = 6
LEAST_BEFORE = 0.4  # share of the days kept for earlier laps, from which factors are made

TEXT = """# Rules of a challenge. What follows a # is a remark; other choices stand in remarks.
name = "Our challenge"
version = 1  # raise it with every change

{rounds}
[entries]
tyres = ["touring", "sport", "track-day", "semi-slick", "slick"]
evidence = false  # true: only laps with a sheet or trace on record count

[classes]
by = "modification"  # or "tyre", "model"; "pace" and "declared" need more keys
minimum = 3  # fewest entries of a class
small = "pool"  # a smaller class joins its neighbour; or "keep", or "leave-out"

[laps]
count = "expected-best"  # or "best", "first", "mean-of-best", "equal-conditions"
k = 3  # of how many laps; delete with "best" and "equal-conditions"
minimum = 3  # fewest laps in a round to be placed

[factor]
kind = "class"  # or "specification", "personal", "none"
freeze = {freeze}  # laps before this day make the factors
renew = true  # class factors made anew before each later round; delete with another kind
tolerance_pct = 1.0  # percent; delete with "specification" and "none"

[points]
by_place = [25, 18, 15, 12, 10, 8, 6, 4, 2, 1]
drop_rounds = {drop}  # worst rounds that do not count

[ties]
round = ["second-best", "earlier"]  # tried in this order
season = ["wins", "places", "latest"]  # dropped rounds take part in these

[results]
protest_days = 7  # a round is final this many days after it
"""

ROUND = """[[rounds]]
name = "Round {number}"
circuit = {circuit}
layout = {layout}
date = {day}
"""


def starting_rules(laps: pd.DataFrame) -> str:
    """Write rules whose rounds are the latest dry days; earlier days are left for the factors."""
    dry = laps[laps["surface"].fillna("dry") == "dry"]
    dry = dry if len(dry) else laps
    days = dry.assign(date=dry["date"].astype(str).str[:10])
    days = days.groupby(["date", "circuit", "layout"]).size().reset_index()
    number = min(MOST_ROUNDS, max(len(days) - round(LEAST_BEFORE * len(days)), 1))
    chosen = days.tail(number).to_dict("records")
    rounds = "\n".join(
        ROUND.format(
            number=k,
            circuit=json.dumps(day["circuit"], ensure_ascii=False),
            layout=json.dumps(day["layout"], ensure_ascii=False),
            day=day["date"],
        )
        for k, day in enumerate(chosen, 1)
    )
    drop = 1 if number > 3 else 0  # a short season counts every round
    return TEXT.format(rounds=rounds, freeze=chosen[0]["date"], drop=drop)
