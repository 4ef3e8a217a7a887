"""What the data cannot tell, in words, each from a named rule.

The rules look at who ran what, when and with whom. They never change a number: the model's
intervals already hold what is not known; these sentences say why they are wide.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from benchmark.model.frame import MODS
from benchmark.model.priors import Priors
from benchmark.trade.classes import AREAS, INDUCTIONS

if TYPE_CHECKING:
    from benchmark.model.fit import Fit

# Posterior over prior standard deviation above which laps have hardly taught anything.
BARELY = 0.8
# From this correlation of track temperature and time of day on, heat and session order are one.
HOT_LATE = 0.9
# Names that a sentence holds before it says how many more there are.
MOST_NAMES = 5


def data_warnings(fit: Fit, priors: Priors) -> Iterator[str]:
    """Say in words what these laps cannot tell apart."""
    yield from separate_groups(fit)
    yield from barely_narrowed(fit, priors)
    yield from tyre_with_driver(fit)
    yield from heat_with_session(fit)
    yield from one_carries_a_step(fit)


def separate_groups(fit: Fit) -> Iterator[str]:
    """Rule "no link": entries at one place that share no session, driver or car with the rest."""
    for (circuit, layout), runs in fit.runs.groupby(["circuit", "layout"]):
        groups = linked_groups(runs)
        if len(groups) > 1:
            smaller = several([several(group) for group in groups[1:]], "; ")
            yield (
                f"{circuit}, {layout}: {len(groups)} groups of entries share no session, driver or "
                f"day, so they are compared only through recorded conditions and what is usual "
                f"(apart from the largest group: {smaller})"
            )


def linked_groups(runs: pd.DataFrame) -> list[list[str]]:
    """Group builds that are linked by sessions, days or drivers; the largest group first."""
    builds, names = pd.factorize(runs["build"], sort=True)
    links = [runs["date"] + chr(31) + runs["circuit"], runs["driver"]]
    n, edges = len(names), []
    offset = n
    for link in links:
        codes, labels = pd.factorize(link)
        edges.append((builds, codes + offset))
        offset += len(labels)
    rows = np.concatenate([a for a, _ in edges])
    columns = np.concatenate([b for _, b in edges])
    graph = coo_array((np.ones(len(rows)), (rows, columns)), shape=(offset, offset))
    _, label = connected_components(graph, directed=False)
    named = np.asarray(names, dtype=str)
    groups = [named[label[:n] == g].tolist() for g in np.unique(label[:n])]
    return sorted(groups, key=lambda group: (-len(group), group))


def barely_narrowed(fit: Fit, priors: Priors) -> Iterator[str]:
    """Rule "prior": an effect whose posterior is hardly narrower than its prior."""
    from benchmark.model.design import COLUMN, TYRE_STEPS

    def unknown(column: str, prior: str) -> bool:
        return _ratio(fit, COLUMN[column], priors.effects[prior].width) > BARELY

    # Of tyres and engines, only what some car has: the rest concerns no answer about these cars.
    ran, engines = set(fit.runs["tyre_category"]), set(fit.runs["induction"])
    steps = [name.removeprefix("tyre:") for name in TYRE_STEPS if unknown(name, "tyre")]
    tyres = [category for category in steps if category in ran]
    barely = [f"the step{'s' * (len(tyres) > 1)} to {_and(tyres)} tyres"] if tyres else []
    kinds = [k for k in INDUCTIONS if k in engines and unknown(f"density_{k}", f"density_{k}")]
    if kinds:
        barely.append("air density" + (f" ({kinds[0]} engines)" if len(kinds) == 1 else ""))
    if unknown("heat", "heat"):
        barely.append("track temperature")
    elif unknown("heat_soft", "heat_soft"):
        barely.append("track temperature on soft tyres")
    if unknown("cycles_soft", "cycles_soft"):
        barely.append("heat cycles of soft tyres")
    if barely:
        yield f"these laps say little about {several(barely)}: there the usual size was assumed"


def several(names: Sequence[str], between: str = ", ") -> str:
    """Join names, the first few of many, and say how many more there are."""
    if len(names) <= MOST_NAMES + 1:  # "and 1 more" would be no shorter
        return between.join(names)
    return f"{between.join(names[:MOST_NAMES])} and {len(names) - MOST_NAMES} more"


def _and(names: Sequence[str]) -> str:
    """Join names as in a sentence."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]


def _ratio(fit: Fit, column: int, width: float) -> float:
    return float(fit.posterior.run_effects[:, column].std()) / width


def tyre_with_driver(fit: Fit) -> Iterator[str]:
    """Rule "tyre and driver": builds whose every driver ran one tyre, and not all the same.

    What such a car's laps know is the sum of both; `answers.gains` gives that sum with its interval
    where the other cars do not tell the two apart either.
    """
    found: dict[str, list[str]] = {}
    pairs = fit.runs[["build", "tyre_category", "driver"]].drop_duplicates()
    by_build = pairs.groupby("build")[["tyre_category", "driver"]].nunique()
    alone = by_build["driver"] == pairs.groupby("build").size()
    tied = by_build.index[(by_build["tyre_category"] > 1) & alone]
    theirs = pairs[pairs["build"].isin(tied)].sort_values(["build", "driver"])
    for build, runs in theirs.groupby("build"):
        columns = runs["tyre_category"], runs["driver"]
        each = [f"{tyre} with {driver}" for tyre, driver in zip(*columns, strict=True)]
        found.setdefault(several(each), []).append(str(build))
    if found:
        cars = [f"{several(builds)} ({pairs})" for pairs, builds in found.items()]
        one = sum(map(len, found.values())) == 1
        yield (
            f"tyre and driver changed together on {several(cars, '; ')}: from the laps of "
            f"{'this car' if one else 'these cars'} only the sum of the two is known, not what "
            "either is worth alone"
        )


def heat_with_session(fit: Fit) -> Iterator[str]:
    """Rule "heat and session": the track was always hottest in the last session of the day."""
    known = fit.runs[fit.runs["track_c_sd"] == 0]
    sessions = known.groupby(["circuit", "layout", "date", "session"])["track_c"].mean()
    table = sessions.reset_index()
    day = table.groupby(["circuit", "layout", "date"])
    many = day["session"].transform("size") > 1
    order = day["session"].rank()[many]
    heat = (table["track_c"] - day["track_c"].transform("mean"))[many]
    if len(order) >= 6 and heat.std() > 0:
        r = float(np.corrcoef(order - order.mean(), heat)[0, 1])
        if abs(r) > HOT_LATE:
            later = "hotter" if r > 0 else "cooler"
            yield (
                f"later sessions were always {later}: a change of the track through the day cannot "
                "be told from its temperature"
            )


def one_carries_a_step(fit: Fit) -> Iterator[str]:
    """Rule "one carries it": a modification level that a single car or driver has shown."""
    runs = fit.runs
    carried = []
    for area, column in zip(AREAS, MODS, strict=True):
        for level in (1, 2, 3):
            with_it = runs[runs[column] >= level]
            if not with_it.empty and with_it["build"].nunique() == 1:
                carried.append(f"{area} {level} ({with_it['build'].iloc[0]})")
            elif not with_it.empty and with_it["driver"].nunique() == 1:
                carried.append(f"{area} {level} (driver {with_it['driver'].iloc[0]})")
    if carried:
        yield f"seen with one car or driver only: {several(carried)}"
