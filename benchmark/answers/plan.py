"""How many laps it takes to see a gain: power of back-to-back swaps, and designs that waste laps.

A swap A-B-A is three runs in one session: as before, with the part, as before. Its estimate is B
less the mean of the two A: session, day and a steady drift cancel, what remains is each run's own
spread and its laps' spread. Over k swaps the runs about their swap's level leave 2k - 1 degrees of
freedom for a two-sided t test. All spreads are posterior medians of this store.

References
----------
Noncentral t for the power of a t test: Dalgaard, Introductory Statistics with R (2008), chapter 9.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import nct, norm, t

from benchmark.answers.entries import check_place
from benchmark.answers.ladders import typical_lap_s
from benchmark.errors import BadQuestion
from benchmark.model.fit import Fit

MOST_SWAPS = 200
RUN_LENGTHS = (2, 3, 4, 5, 6, 8)
RUNS_A_SWAP = 3
OUT_AND_IN = 2  # laps of a run that do not count


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of log lap time: of a lap, an outing, a session, a day, a car's day."""

    lap: float
    outing: float
    session: float
    day: float
    build_day: float

    def run(self, laps: int) -> float:
        """Standard deviation of the mean of one run of clean laps about its session's level."""
        return math.sqrt(self.outing**2 + self.lap**2 / laps)


@dataclass(frozen=True)
class Plan:
    """What it takes to see a gain.

    `needed` and each row of `options`: `laps_a_run`, `swaps`, `runs`, `flying_laps`, `laps` (with
    out and in laps), `power`. `wasteful` has one row a design with as many runs as `needed`:
    `design`, `power`, `false_alarm` (chance of "seeing" a gain that is not there, where the runs
    are compared as if only runs differed), `why`.
    """

    gain_s: float
    typical_lap_s: float
    power: float
    alpha: float
    spreads: Spreads
    needed: dict[str, float]
    options: pd.DataFrame
    wasteful: pd.DataFrame


def plan(
    fit: Fit,
    gain_s: float,
    circuit: str,
    layout: str = "full",
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    laps_a_run: int | None = None,
) -> Plan:
    """Say how many swaps, runs and laps see a gain of this size.

    Parameters
    ----------
    gain_s : size of the gain to be seen, its sign does not matter. [s]
    power : chance of seeing it where it is there.
    alpha : chance of seeing one that is not there, two-sided.
    laps_a_run : clean flying laps of each run; else the median of this store.

    Raises
    ------
    BadQuestion
        An unknown circuit or layout, a gain of 0, a probability that is none, runs of no lap, or a
        gain too small for any sensible number of swaps.
    """
    check_place(fit, circuit, layout)
    _check(gain_s, power, alpha, laps_a_run)
    lap_s = typical_lap_s(fit, circuit, layout, "dry")
    spreads = spreads_of(fit)
    gain = abs(math.log1p(-min(abs(gain_s) / lap_s, 0.9)))
    usual = laps_a_run or fit.whole.laps_a_run
    rows = [_option(gain, spreads, n, power, alpha) for n in sorted({*RUN_LENGTHS, usual})]
    found = [row for row in rows if row is not None]
    needed = next((row for row in found if row["laps_a_run"] == usual), None)
    if needed is None:
        raise BadQuestion(
            f"{abs(gain_s):g} s: more than {MOST_SWAPS} swaps would be needed to see it in runs of "
            f"{usual} laps; ask for a larger gain or longer runs"
        )
    wasteful = pd.DataFrame(_wasteful(gain, spreads, needed, alpha))
    return Plan(abs(gain_s), lap_s, power, alpha, spreads, needed, pd.DataFrame(found), wasteful)


def _check(gain_s: float, power: float, alpha: float, laps_a_run: int | None) -> None:
    if not math.isfinite(gain_s) or gain_s == 0:
        raise BadQuestion(f"gain {gain_s:g} s: write the size of the gain to be seen, such as 0.3")
    for name, value in (("power", power), ("alpha", alpha)):
        if not 0 < value < 1:
            raise BadQuestion(f"{name} {value:g}: write a number between 0 and 1")
    if power <= alpha:
        raise BadQuestion(f"power {power:g} has to be above alpha {alpha:g}")
    if laps_a_run is not None and laps_a_run < 1:
        raise BadQuestion(f"{laps_a_run} laps a run: write at least 1")


def spreads_of(fit: Fit) -> Spreads:
    """Spreads of the store, posterior medians; a lap's holds the usual driver's small delays."""
    noise = fit.posterior.noise
    lap = np.hypot(noise["sigma"].astype(float), fit.usual_delay)  # an Exponential's sd is its mean
    groups = ("outing", "session", "day", "build_day")
    return Spreads(float(np.median(lap)), **{g: float(np.median(fit.sds[g])) for g in groups})


def t_power(effect: float, standard_error: float, freedom: float, alpha: float) -> float:
    """Power of a two-sided t test: both tails of the noncentral t distribution."""
    critical = t.isf(alpha / 2, freedom)
    shift = effect / standard_error
    return float(nct.sf(critical, freedom, shift) + nct.cdf(-critical, freedom, shift))


def swap_power(gain: float, spreads: Spreads, swaps: int, laps: int, alpha: float) -> float:
    """Power of k swaps A-B-A with runs of so many laps; `gain` in log lap time."""
    error = spreads.run(laps) * math.sqrt(1.5 / swaps)
    return t_power(gain, error, 2 * swaps - 1, alpha)


def _option(
    gain: float, spreads: Spreads, laps: int, power: float, alpha: float
) -> dict[str, float] | None:
    for swaps in range(1, MOST_SWAPS + 1):
        reached = swap_power(gain, spreads, swaps, laps, alpha)
        if reached >= power:
            runs = RUNS_A_SWAP * swaps
            return {
                "laps_a_run": laps,
                "swaps": swaps,
                "runs": runs,
                "flying_laps": runs * laps,
                "laps": runs * (laps + OUT_AND_IN),
                "power": reached,
            }
    return None


def _wasteful(
    gain: float, spreads: Spreads, needed: dict[str, float], alpha: float
) -> list[dict[str, object]]:
    """Designs with the same number of runs in which something else differs between A and B."""
    half = max(int(needed["runs"]) // 2, 1)
    within = spreads.run(int(needed["laps_a_run"])) * math.sqrt(2 / half)
    session = math.sqrt(2) * spreads.session
    day = math.sqrt(2 * (spreads.day**2 + spreads.session**2 + spreads.build_day**2))
    designs = (
        ("all A in the morning, all B in the afternoon", session, "the session changed with it"),
        ("all A on one day, all B on another", day, "the day changed with it"),
    )
    return [
        {"design": name, "why": f"{why}, and more laps never average that out",
         **_confounded(gain, within, shared, 2 * half - 2, alpha)}
        for name, shared, why in designs
    ]  # fmt: skip


def _confounded(
    gain: float, within: float, shared: float, freedom: int, alpha: float
) -> dict[str, float]:
    """False alarms of the naive test, and the power that is left once they are kept at alpha."""
    naive = within * float(t.isf(alpha / 2, max(freedom, 1)))
    total = math.hypot(within, shared)
    false_alarm = 2 * float(norm.sf(naive / total))
    honest = float(norm.isf(alpha / 2))
    power = float(norm.sf(honest - gain / total) + norm.cdf(-honest - gain / total))
    return {"power": power, "false_alarm": false_alarm}
