"""A large folder of laps fitted region by region, each region's fit written before the next.

What all cars share - parts, tyres, conditions, models, the noise and the sizes of effects - is
learnt from some regions; every region is then fitted given each draw of that. The memory is that of
the regions that are learnt from, however many laps there are.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from benchmark.answers.worked_out import worked_out
from benchmark.errors import BadQuestion
from benchmark.intake.lap_folder import LapFolder
from benchmark.model.fit import Fit
from benchmark.model.frame import ModelFrame
from benchmark.model.pace import fast_draws_of, fit
from benchmark.model.priors import Priors
from benchmark.model.regions import learning_circuits, regions_of
from benchmark.model.structure import structure
from benchmark.show.fit_job import Report
from benchmark.show.words import count_text
from benchmark.store.framing import frame_of_folder
from benchmark.store.kept_fits import Draft, draft_path
from benchmark.store.region_fits import RegionsWriter
from benchmark.store.region_scan import Scan, scan

REGION_LAPS = 1_000_000  # of a region, but for circuits that have more
LEARNING_LAPS = 1_000_000


def fit_regions(
    db: Path,
    folder: LapFolder,
    report: Report,
    *,
    priors: Priors,
    seed: int,
    draws: int | None,
    data_version: int,
) -> Draft:
    """Fit the laps of a folder by regions, written as a draft beside a store.

    Parameters
    ----------
    db, report, seed, draws : as for `fitting.fit_store`.
    priors, data_version : as for `benchmark.model.pace.fit`.

    Raises
    ------
    FitFailed
        There is no counted lap at all.
    BadQuestion
        The fit would not find room on the disk.
    """
    report(0.0, "looking which circuits share builds")
    found = scan(folder)
    total, done = int(found.met.laps.sum()), 0
    regions = regions_of(found.met, REGION_LAPS)
    chosen = learning_circuits(found.met, regions, LEARNING_LAPS, np.random.default_rng(seed))
    asked = partial(fit, mode="fast", priors=priors, data_version=data_version)
    learnt = _learn(asked, frame_of_folder(*found.part(chosen)), total, draws, seed, report)
    with RegionsWriter(draft_path(db)) as out:
        for k, circuits in enumerate(regions):
            said = f"region {k + 1} of {len(regions)}, {_named(found, circuits)}"
            _refuse_full_disk(db, out.bytes_a_lap * (total - done))
            report(done / total, said)
            # Random numbers are each region's own; what no region has seen has those of one seed.
            own = _fit_given(asked, frame_of_folder(*found.part(circuits)), learnt, seed + 1 + k)
            own = replace(own, seed=seed)
            out.add(own, worked_out(own, partial(_tell, report, done / total, said)))
            done += own.laps_used
        note = (
            f"The fast mode by regions, {len(regions)} of them: what all cars share was learnt "
            f"from {count_text(learnt.laps_used, 'lap')} of {_named(found, chosen)}, all else "
            "given that from the laps of each region, which has the circuits that share most of "
            "their cars. A car stands in each region as it last ran there; what is counted of the "
            "record beside an answer is counted in its circuit's region."
        )
        return Draft(out.path, out.finish(learnt, note, found.left_out), by_region=True)


def _learn(
    asked: Callable[..., Fit],
    frame: ModelFrame,
    total: int,
    draws: int | None,
    seed: int,
    report: Report,
) -> Fit:
    """Fit some regions at once, for what all cars share."""
    said = "learning what all cars share"
    report(0.0, said)
    n = draws or fast_draws_of(structure(frame), total / len(frame.laps))
    return asked(frame, draws=n, seed=seed, progress=partial(_tell, report, 0.0, said))


def _fit_given(asked: Callable[..., Fit], frame: ModelFrame, learnt: Fit, seed: int) -> Fit:
    return asked(frame, seed=seed, shared=learnt)


def _tell(report: Report, done: float, said: str, _: float, what: str) -> None:
    report(done, f"{said}: {what}")


def _named(found: Scan, circuits: np.ndarray) -> str:
    """Name one circuit, and say how many more there are."""
    first, *others = (found.met.circuits[k] for k in circuits)
    return f"{first} and {count_text(len(others), 'more circuit')}" if others else first


def _refuse_full_disk(db: Path, needed: float) -> None:
    free = shutil.disk_usage(db.parent).free
    if needed > free:
        raise BadQuestion(
            f"the fit needs {needed / 1e9:.1f} GB more beside {db}, where {free / 1e9:.1f} GB are "
            "free: make room, put the store elsewhere with --db, or keep fewer --draws"
        )
