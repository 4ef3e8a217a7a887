"""How a fit by regions does beside a fit of all laps at once, and against the truth.

    python -m tests.studies.by_region --laps 1000000 --region 400000 --seeds 6

Made-up decades (`benchmark.model.decade`) are fitted both ways, the one by regions of so many laps
at most and with what all cars share learnt from as many. Told are, of all builds at each circuit
where they have laps: the error of the pace beside the others there, how often its 90 % interval
holds the truth, how far the two fits lie apart in half-widths, and how wide the interval by regions
is against the other; the same of guests, whose home is in another region; and of the adjusted time
itself, whose error is for the larger part one that all builds have in common.

27 November 2026, two cores, 6 decades of 1,000,000 laps in three regions, some 2 minutes of a core
for both fits of each (the decade has no days of a build apart from others, so intervals, which
allow for such, are wide):

    .                      error, intervals that hold             apart,        width
                           all at once          by regions         95 % within
    55,545 builds at circuits
      beside others        0.073 %, 95 ± 2 %    0.081 %, 96 ± 1 %    0.13, 0.56    1.10
      itself               0.129 %, 94 ± 3 %    0.110 %, 99 ± 1 %    0.23, 0.84    1.19
    of these 3,208 guests
      beside others        0.067 %, 96 ± 2 %    0.096 %, 94 ± 1 %    0.35, 1.20    1.41
      itself               0.127 %, 93 ± 4 %    0.121 %, 99 ± 1 %    0.32, 0.97    1.28

A guest's laps at home count for him at home alone, so away he is known less well, and his interval
says so.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from benchmark.model.decade import (
    CIRCUITS_OF_A_REGION,
    STEP,
    TYRE,
    Fleet,
    circuit_name,
    fleet_of,
    size_of,
    write,
)
from benchmark.model.fit import KeptFit
from benchmark.model.frame import MODS
from benchmark.model.pace import adjusted_rows
from benchmark.show import fitting_regions
from benchmark.show.fitting import fit_store
from benchmark.store.reducing import folder_pattern
from benchmark.store.store import Store
from benchmark.trade.classes import DRY_TYRES

MODES = {"whole": False, "regions": True}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--laps", type=int, default=1_000_000)
    parser.add_argument("--region", type=int, default=400_000)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    asked = parser.parse_args()
    fitting_regions.REGION_LAPS = fitting_regions.LEARNING_LAPS = asked.region
    seeds = range(asked.first, asked.first + asked.seeds)
    table = pd.concat([decade(asked.laps, seed).assign(seed=seed) for seed in seeds])
    report("all", table)
    report("guests", table[table["guest"]])


def report(who: str, table: pd.DataFrame) -> None:
    print(f"{who}: {len(table)} builds at circuits")
    for what in ("beside others", "itself"):
        for mode in MODES:
            off = 100 * np.sqrt((table[f"{what}/{mode}/off"] ** 2).mean())
            held = 100 * table.groupby("seed")[f"{what}/{mode}/held"].mean()
            each = ", ".join(f"{one:.1f}" for one in held)
            print(
                f"   {what}, {mode}: error {off:.3f} %, intervals hold {held.mean():.1f} % ({each})"
            )
        apart, wider = table[f"{what}/apart"], table[f"{what}/wider"]
        print(f"   {what}, apart {apart.median():.2f} half-widths, 95 % within ", end="")
        print(f"{apart.quantile(0.95):.2f}; width {wider.median():.2f} times")


def decade(laps: int, seed: int) -> pd.DataFrame:
    """Fit one decade both ways: one row a build and circuit."""
    with tempfile.TemporaryDirectory(prefix="benchmark-") as name:
        folder = Path(name)
        write(laps, folder / "laps", seed)
        fits: dict[str, KeptFit] = {}
        for mode, by_region in MODES.items():
            db = folder / f"{mode}.duckdb"
            fit_store(db, lambda *_: None, mode="fast", files=folder_pattern(folder / "laps"),
                      by_region=by_region, draws=400)  # fmt: skip
            with Store.open(db) as store:
                fits[mode] = store.open_fit()
        fleet = fleet_of(size_of(laps), seed)
        numbers = {circuit_name(k): k for k in range(size_of(laps).circuits)}
        parts = [_at(fits, circuit, k, fleet) for circuit, k in numbers.items()]
    print(f"seed {seed} done", flush=True)
    return pd.concat(parts, ignore_index=True)


def _at(fits: dict[str, KeptFit], circuit: str, number: int, fleet: Fleet) -> pd.DataFrame:
    """Compare the fits at one circuit."""
    part = {mode: kept.part(circuit) for mode, kept in fits.items()}
    rows = adjusted_rows(part["whole"])
    rows = rows[rows["circuit"] == circuit].sort_values("build", ignore_index=True)
    build = _numbers(rows["build"])
    truth = _truth(rows, build, fleet) + fleet.effect["circuit"][number]
    home = np.searchsorted(fleet.first_build, build, side="right") - 1
    out = {"guest": home != number // CIRCUITS_OF_A_REGION}
    for what, centred in (("beside others", True), ("itself", False)):
        half, middle = {}, {}
        for mode, one in part.items():
            draws = one.log_time(rows)
            true = truth
            if centred:
                draws, true = draws - draws.mean(axis=1, keepdims=True), truth - truth.mean()
            low, middle[mode], high = np.quantile(draws, [0.05, 0.5, 0.95], axis=0)
            half[mode] = (high - low) / 2
            out[f"{what}/{mode}/off"] = middle[mode] - true
            out[f"{what}/{mode}/held"] = (low <= true) & (true <= high)
        out[f"{what}/apart"] = np.abs(middle["regions"] - middle["whole"]) / half["whole"]
        out[f"{what}/wider"] = half["regions"] / half["whole"]
    return pd.DataFrame(out)


def _numbers(names: pd.Series) -> np.ndarray:
    """Numbers of builds or drivers, as the decade has them."""
    return names.str.rsplit(" ", n=1).str[1].astype(int).to_numpy() - 1


def _truth(rows: pd.DataFrame, build: np.ndarray, fleet: Fleet) -> np.ndarray:
    """Pace of each entry in the truth, less the circuit's; log lap time."""
    effect = fleet.effect
    tyre = np.array([DRY_TYRES.index(name) for name in rows["tyre_category"]])
    pace = effect["model"][fleet.model[build]] + effect["build"][build]
    pace += effect["driver"][_numbers(rows["driver"])] + TYRE * tyre
    return np.asarray(pace + STEP * rows[list(MODS)].to_numpy(dtype=float).sum(axis=1))


if __name__ == "__main__":
    main()
