"""A quick fit of fewer laps: effects are drawn, the sizes of effects and noise are plugged in.

A challenge needs the fit as it stood before its first round, and fits that leave some owners out.
Integrating everything anew for each would take minutes, so a short chain learns the standard
deviations and the noise once, and the fits after it hold them fixed (empirical Bayes: Efron,
Statistical Science 34 (2019) 177). The intervals leave out how unsure these sizes are. Only the
laps handed in and the seed matter, so the same laps give the same fit a year later.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmark.model.chain import Arrays, Progress, Task, run_chain, unknown_names
from benchmark.model.effects import Effects
from benchmark.model.fit import Draws, Fit
from benchmark.model.frame import ModelFrame, model_frame
from benchmark.model.gibbs import SD_GROUPS, Gibbs, Known
from benchmark.model.noise import Noise
from benchmark.model.priors import STANDARD_PRIORS
from benchmark.model.structure import Structure, structure

# Sweeps to settle and to keep, of the chain that learns the sizes and of a fit that is told them.
# Doubling both moved no class factor of the demo challenge by more than 0.0005.
SIZES_WARM_UP, SIZES_KEEP = 150, 150
WARM_UP, KEEP = 60, 300
MODE_NOTE = "Sizes of effects and noise were plugged in; how unsure they are is left out."


@dataclass(frozen=True)
class Sizes:
    """What one fit lends to others: all in log lap time.

    Attributes
    ----------
    sd : standard deviation of each group of effects.
    noise : of single laps; `tau` holds one mean delay a driver, in the order of `tau_of`.
    tau_of : mean delay by driver.
    """

    sd: Mapping[str, float]
    noise: Noise
    tau_of: Mapping[str, float]


def learn_sizes(laps: pd.DataFrame, *, seed: int = 1, progress: Progress | None = None) -> Sizes:
    """Learn the standard deviations and the noise from counted laps, by a short chain.

    Raises
    ------
    FitFailed
        There is no counted lap.
    """
    s = structure(model_frame(laps))
    task = Task(s, STANDARD_PRIORS, SIZES_WARM_UP, SIZES_KEEP, (seed, 0))
    drawn = run_chain(task, progress)
    drivers = [name[0] for name in s.levels["driver"]]
    tau = np.median(drawn["noise/tau"], axis=0)
    single = {
        name: float(np.median(drawn[f"noise/{name}"]))
        for name in ("sigma", "tau_centre", "tau_spread", "slow", "gross")
    }
    noise = Noise(tau=tau, shares=np.mean(drawn["noise/shares"], axis=0), **single)
    sd = {k[4:]: float(np.median(v)) for k, v in drawn.items() if k.startswith("sds/")}
    return Sizes(sd, noise, dict(zip(drivers, tau.tolist(), strict=True)))


def usual_sizes() -> Sizes:
    """Give the sizes that are believed before any lap is seen, the same for every club."""
    priors = STANDARD_PRIORS
    return Sizes({g: priors.sizes[g].median for g in SD_GROUPS}, Noise.at_prior(priors, 0), {})


def refit(
    laps: pd.DataFrame,
    sizes: Sizes,
    *,
    draws: int = KEEP,
    seed: int = 1,
    progress: Progress | None = None,
) -> Fit:
    """Fit counted laps with the sizes of effects and noise held fixed.

    Parameters
    ----------
    laps : counted laps, columns of the lap table with `lap_time_s`. [s]
    sizes : from `learn_sizes` or `usual_sizes`; a driver that it does not name has the centre's
        mean delay.
    draws : posterior draws to keep.
    seed : the same laps, sizes and seed give the same fit.

    Returns
    -------
    A fit of mode "fast".

    Raises
    ------
    FitFailed
        There is no counted lap.
    """
    frame = model_frame(laps)
    s = structure(frame)
    tau = [sizes.tau_of.get(name[0], sizes.noise.tau_centre) for name in s.levels["driver"]]
    told = sizes.noise.__dict__ | {"tau": np.array(tau)}
    known = Known(sizes.sd, Noise(**told))
    arrays = run_chain(Task(s, STANDARD_PRIORS, WARM_UP, draws, (seed, 0), known), progress)
    for name, value in told.items():
        arrays[f"noise/{name}"] = np.broadcast_to(value, (draws, *np.shape(value))).copy()
    still = Gibbs(s, STANDARD_PRIORS, np.random.default_rng(seed), known, Effects.nought(s))
    names = unknown_names(s, still)
    return _as_fit(frame, s, arrays, names, seed)


def _as_fit(
    frame: ModelFrame,
    s: Structure,
    arrays: Arrays,
    names: dict[str, list[tuple[str, ...]]],
    seed: int,
) -> Fit:
    sha = hashlib.sha256(f"{frame.digest} fast {seed}".encode())
    sha.update(arrays["run_effects"].tobytes())
    return Fit(
        fit_id=sha.hexdigest()[:12],
        mode="fast",
        mode_note=MODE_NOTE,
        data_version=0,
        created=str(frame.runs["date"].max()),
        seed=seed,
        prior_scale=1.0,
        runs=frame.runs,
        laps=frame.laps,
        circuits=frame.circuits,
        left_out=frame.left_out,
        levels=s.levels,
        unknown_names=names,
        posterior=Draws.from_arrays(arrays),
        diagnostics={},
        warnings=(),
    )
