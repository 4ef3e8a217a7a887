"""Fit the class-fairness model to counted laps."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial

import numpy as np
import pandas as pd

from benchmark.errors import BadQuestion
from benchmark.model.caveats import data_warnings
from benchmark.model.chain import (
    SMALL,
    Arrays,
    Progress,
    Task,
    prepare,
    run_chain,
    run_chains,
    unknown_names,
)
from benchmark.model.effects import Effects
from benchmark.model.fit import R_HAT_MOST, Draws, Fit
from benchmark.model.frame import ModelFrame, model_frame, subset
from benchmark.model.gibbs import Gibbs, Known
from benchmark.model.posterior import effective_draws, r_hat
from benchmark.model.priors import STANDARD_PRIORS, Priors
from benchmark.model.structure import Structure, structure

MODES = ("auto", "full", "fast", "quick")
CHAINS = 2
# Sweeps to settle and draws to keep. Effective draws of an adjusted time are about a third of
# the draws kept, so that the ends of a 90 % interval are off by some 5 % of its width.
WARM_UP, KEEP = 150, 800
LARGE_WARM_UP, LARGE_LAPS = 200, 4_000
# Beyond these the full mode would take more than some ten minutes on two cores.
FAST_DRAWS, FAST_FEWEST_DRAWS, FAST_BYTES = 400, 200, 2_000_000_000
# A quick fit of a small store draws all effects anew; more laps would take it over ten seconds.
QUICK_MOST_LAPS, QUICK_WARM_UP, QUICK_KEEP = 3_000, 60, 400
UNSETTLED = "the sampling has not settled"
FAST_WARM_UP, FAST_KEEP = 60, 140  # sweeps of the sample, of which the means are taken
FULL_MOST_LAPS, FULL_MOST_EFFECTS = 60_000, 3_000


def fit(
    laps: pd.DataFrame | ModelFrame,
    *,
    priors: Priors = STANDARD_PRIORS,
    mode: str = "auto",
    draws: int | None = None,
    seed: int = 1,
    progress: Progress | None = None,
    data_version: int = 0,
    known: Known | None = None,
    last: Fit | None = None,
    shared: Fit | None = None,
) -> Fit:
    """Fit the model to counted laps and return the frozen fit.

    Parameters
    ----------
    laps : counted laps, columns of the lap table with `lap_time_s` [s], or the frame of such.
    priors : see `model.priors`; `STANDARD_PRIORS.widened(2)` doubles every width.
    mode : "full" integrates everything by sampling, "fast" plugs in the noise and the standard
        deviations, "auto" takes "full" up to a size that two cores do in some ten minutes, "quick"
        goes on from `last`, whose noise and standard deviations it holds: in a larger store it
        works out anew only what new laps touch (`model.new_laps`).
    draws : posterior draws to keep; by default 800, in the fast mode, where they are
        independent, 400 or, where there are more effects than fit two gigabytes so often, as many
        as do, and 200 at least; in a quick one as many as `last` has, which it cannot exceed, and
        400 at most in a small store.
    seed : the same seed and the same laps, in any order, give the same fit.
    progress : called with the share done and a word.
    data_version : of the store that the laps came from.
    known : standard deviations and noise to hold fixed, for studies with known truth.
    last : the fit that a quick one goes on from.
    shared : a fit of other laps, for the fast mode: noise, standard deviations and the draws of
        what all cars share (parts, tyres, conditions, models) are taken from it, and all else is
        drawn given each of these draws. So a region of a large sport is fitted by itself.

    Raises
    ------
    FitFailed
        There is no counted lap.
    BadQuestion
        An unknown mode, another than the fast one with `shared` or other priors than that fit's,
        or a quick one without a last fit, with other priors than its, or with too much that is new.
    """
    if mode not in MODES:
        raise BadQuestion(f'no mode "{mode}": use one of {", ".join(MODES)}')
    if shared is not None and (mode != "fast" or shared.prior_scale != priors.scale or known):
        raise BadQuestion("what regions share is for the fast mode, with the priors of that fit")
    if mode == "quick" and last is None:
        raise BadQuestion("a quick fit goes on from the last one, and there is none: fit first")
    if mode == "quick" and last is not None and (last.prior_scale != priors.scale or known):
        raise BadQuestion("a quick fit keeps the last one's priors and noise: fit in full")
    if not isinstance(laps, ModelFrame) and len(laps) >= SMALL and mode in ("auto", "full"):
        prepare()
    frame = laps if isinstance(laps, ModelFrame) else model_frame(laps)
    s = structure(frame)
    if mode == "auto":
        mode = "full" if is_small(s) else "fast"
    plan = Plan(frame, s, priors, seed, data_version, known)
    if mode == "quick" and last is not None:
        return _quick(plan, last, min(draws or last.draws, last.draws), progress)
    if mode == "fast" and shared is not None:
        return _fast_given(plan, shared)
    if mode == "fast":
        return _fast(plan, draws or fast_draws_of(s), progress)
    return _full(plan, draws, progress)


@dataclass(frozen=True)
class Plan:
    """What is to be fitted, and with which beliefs."""

    frame: ModelFrame
    s: Structure
    priors: Priors
    seed: int
    data_version: int
    known: Known | None


def is_small(s: Structure) -> bool:
    """Say whether the full mode is quick enough for this structure."""
    effects = sum(len(names) for group, names in s.levels.items() if group != "outing")
    return len(s.log_time) <= FULL_MOST_LAPS and effects <= FULL_MOST_EFFECTS


def fast_draws_of(s: Structure, times: float = 1.0) -> int:
    """Return how many draws of all effects the fast mode keeps, of so many `times` the laps."""
    bytes_a_draw = 4 * times * sum(len(names) for names in s.levels.values())
    return int(np.clip(FAST_BYTES // bytes_a_draw, FAST_FEWEST_DRAWS, FAST_DRAWS))


def _full(plan: Plan, draws: int | None, progress: Progress | None) -> Fit:
    """Fit by sampling; where the chains of a small store disagree, once more with twice as many."""
    large = len(plan.s.log_time) > LARGE_LAPS
    once = large or CHAINS == 1  # a study's single chain has none to disagree with
    warm_up = LARGE_WARM_UP if large else WARM_UP
    keep = -(-(draws or KEEP) // CHAINS)
    for longer in (1,) if once else (1, 2):
        tasks = [
            Task(plan.s, plan.priors, warm_up * longer, keep * longer, (plan.seed, k), plan.known)
            for k in range(CHAINS)
        ]
        result = _gather(plan, run_chains(tasks, progress))
        if result.converged:
            break
    return result


def _fast(plan: Plan, draws: int, progress: Progress | None) -> Fit:
    """Fit by empirical Bayes; the noise comes from a full fit of a sample of the builds."""
    # scikit-learn and numba are heavy: loaded where needed
    from benchmark.model.fast import fast_draws, learn, sample_of

    rng = np.random.default_rng(plan.seed)
    mine = sample_of(plan.s, rng)
    laps = plan.frame.laps[mine]
    part = subset(plan.frame, laps)
    sample = structure(part)
    task = Task(sample, plan.priors, FAST_WARM_UP, FAST_KEEP, (plan.seed, 0), plan.known)
    learnt_from = run_chain(task, progress)
    learnt = learn(learnt_from, sample.levels["driver"], plan.s, len(laps) / len(mine))
    arrays = fast_draws(plan.s, plan.priors, learnt, draws, plan.seed)
    note = (
        "The fast mode: noise from a sample of the builds, standard deviations plugged in and "
        "allowed for, facts that nobody recorded at their most likely value."
    )
    return _noted(_fit(plan, "fast", arrays, _unknown_names(plan)), plan.priors, note)


def _fast_given(plan: Plan, shared: Fit) -> Fit:
    """Fit by empirical Bayes, given the draws of what all cars share."""
    from benchmark.model.fast import fast_draws, learnt_of

    learnt = learnt_of(shared, plan.s)
    arrays = fast_draws(plan.s, plan.priors, learnt, shared.draws, plan.seed)
    note = (
        f"The fast mode on one region: noise, sizes of effects and what all cars share (parts, "
        f"tyres, conditions, models) from the {shared.laps_used:,} laps of fit {shared.fit_id}, "
        "all else drawn given these; facts that nobody recorded at their most likely value."
    )
    draft = _fit(plan, "fast", arrays, _unknown_names(plan), after=shared.fit_id)
    return _noted(draft, plan.priors, note)


def _quick(plan: Plan, last: Fit, draws: int, progress: Progress | None) -> Fit:
    """Count at once what is new since the last fit.

    In a small store new laps tell of everything, so all is drawn anew; in a larger one what they
    touch is worked out anew.
    """
    if len(plan.s.log_time) <= QUICK_MOST_LAPS:
        return _quick_anew(plan, last, min(draws, QUICK_KEEP), progress)
    from benchmark.model.new_laps import quick_draws

    note = (
        f"A quick fit that goes on from {last.fit_id}: new laps count for the builds, drivers and "
        "days they touch, all else is as that fit has it. Fit in full before you quote a number."
    )
    start = _start(plan)
    # Two quick fits in a row must not draw the same numbers, or what they draw moves together.
    start.rng = np.random.default_rng([plan.seed, int(last.fit_id, 16)])
    names = unknown_names(plan.s, start)
    as_fit = partial(_fit, plan, "quick", names=names, after=last.fit_id)
    draft = as_fit(quick_draws(plan.frame, start, last, draws, as_fit))
    return _as_settled_as(last, _noted(draft, plan.priors, note))


def _quick_anew(plan: Plan, last: Fit, draws: int, progress: Progress | None) -> Fit:
    """Draw all effects anew, with the noise and the standard deviations of the last fit."""
    from benchmark.model.fast import mean_noise

    note = (
        f"A quick fit that goes on from {last.fit_id}, with noise and standard deviations as that "
        "one has them. Fit in full before you quote a number."
    )
    noise = mean_noise(last.posterior.noise, last.levels["driver"], plan.s)
    known = Known({name: float(np.median(sd)) for name, sd in last.sds.items()}, noise)
    arrays = run_chain(
        Task(plan.s, plan.priors, QUICK_WARM_UP, draws, (plan.seed, 0), known), progress
    )
    held = {name: np.asarray(value) for name, value in vars(noise).items()}
    arrays |= {f"noise/{k}": np.broadcast_to(v, (draws, *v.shape)) for k, v in held.items()}
    draft = _fit(plan, "quick", arrays, _unknown_names(plan), after=last.fit_id)
    return _as_settled_as(last, _noted(draft, plan.priors, note))


def _as_settled_as(last: Fit, found: Fit) -> Fit:
    """Say of a quick fit what the sampling of the one it rests on was like."""
    unsettled = tuple(w for w in last.warnings if w.startswith(UNSETTLED))
    return replace(
        found, diagnostics=dict(last.diagnostics), warnings=(*unsettled, *found.warnings)
    )


def _noted(draft: Fit, priors: Priors, note: str) -> Fit:
    return replace(draft, mode_note=note, warnings=tuple(data_warnings(draft, priors)))


def _gather(plan: Plan, chains: list[Arrays]) -> Fit:
    """Join the chains into a fit, with its diagnostics and warnings."""
    arrays = {name: np.concatenate([chain[name] for chain in chains]) for name in chains[0]}
    names = _unknown_names(plan)
    draft = _fit(plan, "full", arrays, names)
    found = diagnostics(draft, len(chains))
    note = "Everything was integrated by sampling."
    warnings = list(data_warnings(draft, plan.priors))
    if not replace(draft, diagnostics=found).converged:
        text = (
            f"{UNSETTLED} (R-hat {found['r_hat']:.2f}, should be under "
            f"{R_HAT_MOST}): fit again with more draws (`--draws`) before you quote a number"
        )
        warnings.insert(0, text)
    return replace(draft, diagnostics=found, mode_note=note, warnings=tuple(warnings))


def _unknown_names(plan: Plan) -> dict[str, list[tuple[str, ...]]]:
    """Name the units of every fact that nobody recorded."""
    return unknown_names(plan.s, _start(plan))


def _start(plan: Plan) -> Gibbs:
    """Give the structure with nought for every effect, missing facts at their likeliest."""
    rng = np.random.default_rng(plan.seed)
    return Gibbs(plan.s, plan.priors, rng, plan.known, Effects.nought(plan.s))


def _fit(
    plan: Plan,
    mode: str,
    arrays: Arrays,
    names: dict[str, list[tuple[str, ...]]],
    after: str = "",
) -> Fit:
    """Put a fit together from its draws; `after` names the fit that it goes on from."""
    text = f"{plan.frame.digest} {mode} {plan.seed} {plan.priors.scale} {after}".rstrip()
    sha = hashlib.sha256(text.encode())
    sha.update(arrays["run_effects"].tobytes())
    return Fit(
        fit_id=sha.hexdigest()[:12],
        mode=mode,
        mode_note="",
        data_version=plan.data_version,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        seed=plan.seed,
        prior_scale=plan.priors.scale,
        runs=plan.frame.runs,
        laps=plan.frame.laps,
        circuits=plan.frame.circuits,
        left_out=plan.frame.left_out,
        levels=plan.s.levels,
        unknown_names=names,
        posterior=Draws.from_arrays(arrays),
        diagnostics={},
        warnings=(),
    )


def adjusted_rows(draft: Fit) -> pd.DataFrame:
    """One row for each entry at each circuit and layout where it has a lap, at the reference."""
    places = draft.runs[["build", "circuit", "layout"]].drop_duplicates()
    return places.merge(draft.entries, on="build", how="left")


def diagnostics(draft: Fit, chains: int) -> dict[str, float]:
    """Return the worst split R-hat and the smallest effective sample of the adjusted times."""
    log_time = draft.log_time(adjusted_rows(draft))
    log_time = log_time.reshape(chains, -1, log_time.shape[1])
    return {
        "r_hat": float(np.max(r_hat(log_time))),
        "effective_draws": float(np.min(effective_draws(log_time))),
        "chains": float(chains),
    }
