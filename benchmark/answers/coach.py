"""What to record and where to run next, so that a build's interval gets narrower.

Two questions to the posterior. How much of an adjusted time's variance hangs on facts that nobody
recorded: the share that a linear regression on their draws explains. And by how much one more
outing of some kind would narrow it: with y the adjusted log time and z the mean of that outing's
laps, Var(y | z) = Var(y) - Cov(y, z)² / Var(z), where Var(z) holds the chance of that day.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchmark.answers.entries import (
    check_known,
    check_level,
    check_place,
    entries_of,
    reference_rows,
)
from benchmark.answers.plan import spreads_of
from benchmark.model.fit import Fit
from benchmark.model.posterior import interval

LAPS = 5  # clean laps of the outing that is thought of
WORTH = 0.005  # shares of the width below this are not told; our choice
PARTNERS = 60  # cars with most laps here, of which one may be named to run beside; our choice
FIELDS = ("kind", "advice", "width_s", "width_then_s", "narrower_s", "narrower_share")


@dataclass(frozen=True)
class Outing:
    """An outing that might be driven: its words, draws of its centre, variance about it."""

    words: str
    centre: np.ndarray
    variance: float


def coach(
    fit: Fit, build: str, circuit: str, layout: str = "full", *, level: float = 0.9
) -> pd.DataFrame:
    """Say what would narrow a build's adjusted time most, the most useful first.

    Returns
    -------
    One row an advice with the columns of `FIELDS`: `kind` is "fact" (something that could be
    looked up and recorded) or "outing"; `width_s` is the whole width of the interval of the
    adjusted time now, `width_then_s` what is expected after it, `narrower_s` the difference [s].

    Raises
    ------
    BadQuestion
        An unknown build, circuit or layout, or an illegal level.
    """
    check_place(fit, circuit, layout)
    check_known("build", build, fit.whole.names["build"])
    check_level(level)
    row = reference_rows(entries_of(fit, [build], "dry"), circuit, layout)
    adjusted = fit.log_time(row)[:, 0]
    low, high = interval(np.exp(adjusted), level)
    width = float(high - low)
    shares = [
        *(("fact", words, share) for words, share in _facts(fit, build, adjusted)),
        *(("outing", o.words, _explained(adjusted, o)) for o in _outings(fit, row)),
    ]
    rows = [_advice(kind, words, share, width) for kind, words, share in shares]
    table = pd.DataFrame(rows, columns=list(FIELDS))
    table = table[(table["kind"] == "outing") | (table["narrower_share"] >= WORTH)]
    return table.sort_values("narrower_s", ascending=False, kind="stable").reset_index(drop=True)


def _advice(kind: str, words: str, explained: float, width: float) -> dict[str, Any]:
    """Turn a share of variance that would go into a narrower interval."""
    then = width * np.sqrt(1 - explained)
    return {
        "kind": kind,
        "advice": words,
        "width_s": width,
        "width_then_s": float(then),
        "narrower_s": float(width - then),
        "narrower_share": float(1 - then / width) if width > 0 else 0.0,
    }


def _explained(adjusted: np.ndarray, outing: Outing) -> float:
    """Share of the variance of the adjusted time that one outing's mean would take away."""
    covariance = float(np.cov(adjusted, outing.centre)[0, 1])
    variance = float(np.var(outing.centre, ddof=1)) + outing.variance
    return min(covariance**2 / (variance * float(np.var(adjusted, ddof=1))), 1.0)


def _outings(fit: Fit, row: pd.DataFrame) -> Iterator[Outing]:
    """Kinds of outing that anybody can drive."""
    s = spreads_of(fit)
    run = s.run(LAPS) ** 2
    day = s.day**2 + s.build_day**2
    centre = fit.log_time(row)[:, 0]
    once = day + s.session**2 + run
    thrice = day + (s.session**2 + run) / 3
    yield Outing(f"one run of {LAPS} laps on another day", centre, once)
    yield Outing(f"three runs of {LAPS} laps in three sessions of another day", centre, thrice)
    other = _other_driver(fit, row)
    if other is not None:
        theirs = fit.log_time(row.assign(driver=other, driver_level=None))[:, 0]
        yield Outing(f"three runs on another day, driven by {other}", theirs, thrice)
    rival = _partner(fit, row)
    if rival is not None:
        words = f"three runs in the same sessions as {rival['build'].iloc[0]}, compared with it"
        gap = centre - fit.log_time(rival)[:, 0]
        yield Outing(words, gap, 2 * (s.build_day**2 + run / 3))


def _other_driver(fit: Fit, row: pd.DataFrame) -> str | None:
    """The driver with most laps here who never drove this car; of equals the first by name."""
    circuit, layout, build, usual = (
        str(row[column].iloc[0]) for column in ("circuit", "layout", "build", "driver")
    )
    own = fit.lookup.runs_of("build", build)
    drove = {usual, *fit.runs["driver"].iloc[own]}
    others = [name for name in _by_laps(fit, "driver", circuit, layout) if name not in drove]
    return others[0] if others else None


def _by_laps(fit: Fit, who: str, circuit: str, layout: str) -> list[str]:
    """Builds or drivers with laps here, most laps first; of equals the first by name."""
    _, of_run = fit.lookup.laps_of(fit.lookup.runs_where(circuit=circuit, layout=layout))
    counts = fit.runs[who].iloc[of_run].value_counts()
    return [name for _, name in sorted((-n, str(name)) for name, n in counts.items())]


def _partner(fit: Fit, row: pd.DataFrame) -> pd.DataFrame | None:
    """The other car, of the `PARTNERS` with most laps here, whose adjusted time is known best."""
    circuit, layout, build = (str(row[c].iloc[0]) for c in ("circuit", "layout", "build"))
    most = [name for name in _by_laps(fit, "build", circuit, layout) if name != build][:PARTNERS]
    others = entries_of(fit, set(most), "dry")
    if others.empty:
        return None
    rows = reference_rows(others, circuit, layout)
    best = int(np.argmin(fit.log_time(rows).std(axis=0)))
    return rows.iloc[[best]].reset_index(drop=True)


def _facts(fit: Fit, build: str, adjusted: np.ndarray) -> Iterator[tuple[str, float]]:
    """Facts that nobody recorded, in words, with the share of the variance that hangs on each."""
    runs = fit.runs[fit.runs["build"] == build]
    sessions = set(zip(runs["circuit"], runs["layout"], runs["date"], runs["session"], strict=True))
    drivers = {(driver,) for driver in runs["driver"]}
    kinds = (
        ("track_c", sessions, "the track temperature of {n} of its sessions"),
        ("log_density", sessions, "the air temperature and pressure of {n} of its sessions"),
        ("cycles", {(str(k),) for k in runs.index}, "the heat cycles of its tyres in {n} runs"),
        ("log_treadwear", {(build, t) for t in runs["tyre_category"]}, "the treadwear grade"),
        ("driver_level", drivers, "the level of its driver"),
        ("natural", {(build,)}, "whether its engine is boosted"),
        ("levels", None, "the levels of {n} of its areas"),
    )
    for name, wanted, words in kinds:
        names = fit.unknown_names.get(name, [])
        mine = [
            k for k, unit in enumerate(names)
            if (unit[0] == build if wanted is None else tuple(unit) in wanted)
        ]  # fmt: skip
        if mine:
            draws = fit.posterior.unknown[name][:, mine].astype(float)
            yield f"record {words.format(n=len(mine))}", _regressed(adjusted, draws)


def _regressed(y: np.ndarray, x: np.ndarray) -> float:
    """Share of the variance of y that x explains linearly, adjusted for the number of columns."""
    x = np.column_stack([np.ones(len(y)), x - x.mean(axis=0)])
    left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    freedom = max(len(y) - np.linalg.matrix_rank(x), 1)
    share = 1 - (left @ left / freedom) / float(np.var(y, ddof=1))
    return float(np.clip(share, 0.0, 1.0))
