"""A fit: the posterior draws of every effect, with what is needed to ask them anything.

A fit is frozen. It is kept in the store as bytes, quoted by its `fit_id` and never changes, so
that an answer can be recomputed a year later. It carries the runs and laps it was made from.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
import pandas as pd

from benchmark.model import predict
from benchmark.model.entry import entries
from benchmark.model.lookup import Lookup
from benchmark.model.posterior import total
from benchmark.model.whole import Whole, whole_of
from benchmark.trade.classes import AREAS
from benchmark.trade.conditions import REFERENCE

FORMAT = 1
LARGE_BYTES = 32_000_000  # of draws; smaller ones are read whole in a tenth of a second
# A fit counts as settled below this split R-hat of every adjusted time (Gelman and Rubin,
# Statistical Science 7, 1992, and their later books): an interval could then shrink by 10 % at
# most with endless draws. Vehtari and others (2021) ask for 1.01 where draws are cheap.
R_HAT_MOST = 1.1


@dataclass(frozen=True)
class Draws:
    """Posterior draws; the first axis of every array counts the draws.

    Attributes
    ----------
    run_effects, lap_effects : of `RUN_FEATURES` and `LAP_FEATURES`.
    groups : for each group of the model, the effects of its levels (named in `Fit.levels`).
    sds : standard deviation of each group.
    noise : sigma, tau (one a driver), tau_centre, tau_spread, slow, gross, shares.
    unknown : facts that nobody recorded: "log_density", "track_c" (one a session), "cycles" (one
        a run), "log_treadwear" (one a build and tyre category), "driver_level" (one a driver),
        "natural" (one a build), "levels" (one a build and area).
    """

    run_effects: np.ndarray
    lap_effects: np.ndarray
    groups: Mapping[str, np.ndarray]
    sds: Mapping[str, np.ndarray]
    noise: Mapping[str, np.ndarray]
    unknown: Mapping[str, np.ndarray]

    def arrays(self) -> dict[str, np.ndarray]:
        """Give every array under one flat name."""
        out = {"run_effects": self.run_effects, "lap_effects": self.lap_effects}
        for kind in ("groups", "sds", "noise", "unknown"):
            out.update({f"{kind}/{k}": v for k, v in getattr(self, kind).items()})
        return out

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, np.ndarray]) -> Draws:
        """Undo `arrays`."""
        kinds: dict[str, dict[str, np.ndarray]] = {
            kind: {} for kind in ("groups", "sds", "noise", "unknown")
        }
        for name, values in arrays.items():
            kind, _, rest = name.partition("/")
            if rest:
                kinds[kind][rest] = values
        return cls(arrays["run_effects"], arrays["lap_effects"], **kinds)


class Told(Protocol):
    """What is told of a fit as a whole."""

    @property
    def fit_id(self) -> str:
        """Its name."""

    @property
    def created(self) -> str:
        """When it was made, UTC."""

    @property
    def mode(self) -> str:
        """How it was made."""

    @property
    def mode_note(self) -> str:
        """The same in words."""

    @property
    def data_version(self) -> int:
        """Version of the laps that it rests on."""

    @property
    def laps_used(self) -> int:
        """Number of laps that it rests on."""

    @property
    def left_out(self) -> Mapping[str, int]:
        """Laps that it could not use, by reason."""

    @property
    def warnings(self) -> tuple[str, ...]:
        """What its laps cannot tell."""

    @property
    def whole(self) -> Whole:
        """Figures of all runs, laps and entries."""


class KeptFit(Protocol):
    """A fit that was kept, whole or in a file of which only a part need be read."""

    @property
    def fit_id(self) -> str:
        """Its name: the same for all of its parts."""

    @property
    def data_version(self) -> int:
        """Version of the laps that it rests on."""

    @property
    def circuits(self) -> pd.DataFrame:
        """Every circuit and layout."""

    @property
    def whole(self) -> Whole:
        """Figures of all runs, laps and entries."""

    def places_of(self, build: str) -> list[tuple[str, str]]:
        """Give the circuits and layouts where a build has laps, sorted."""

    def part(
        self, circuit: str | None, builds: Iterable[str] = (), drivers: Iterable[str] = ()
    ) -> Fit:
        """Give what answers at a circuit, and about these builds and drivers, need of it."""

    def all(self) -> Fit:
        """Give all of it."""


@dataclass(frozen=True)
class Recorded:
    """What rows of a question may leave out, by name of the build or the driver."""

    model: Mapping[Any, Any]
    induction: Mapping[Any, Any]
    driver_level: Mapping[Any, Any]


@dataclass(frozen=True)
class Fit:
    """A fitted model. See the module's first lines; `log_time` and `parts` answer questions."""

    fit_id: str
    mode: str
    mode_note: str
    data_version: int
    created: str
    seed: int
    prior_scale: float
    runs: pd.DataFrame
    laps: pd.DataFrame
    circuits: pd.DataFrame
    left_out: Mapping[str, int]
    levels: Mapping[str, list[tuple[str, ...]]]
    unknown_names: Mapping[str, list[tuple[str, ...]]]
    posterior: Draws
    diagnostics: Mapping[str, float]
    warnings: tuple[str, ...]

    def places_of(self, build: str) -> list[tuple[str, str]]:
        """Give the circuits and layouts where a build has laps, sorted."""
        own = self.runs.iloc[self.lookup.runs_of("build", build)]
        return sorted(set(zip(own["circuit"], own["layout"], strict=True)))

    def part(
        self,
        circuit: str | None,  # noqa: ARG002 - a fit in memory is its own part
        builds: Iterable[str] = (),  # noqa: ARG002
        drivers: Iterable[str] = (),  # noqa: ARG002
    ) -> Fit:
        """Give what answers at a circuit, and about these builds and drivers, need of it."""
        return self

    def all(self) -> Fit:
        """Give all of it."""
        return self

    @property
    def is_large(self) -> bool:
        """Whether its draws are better kept in a file beside the store, read in parts."""
        return sum(values.nbytes for values in self.posterior.arrays().values()) > LARGE_BYTES

    @property
    def counted_in(self) -> str:
        """Where builds, drivers and steps of the record are counted, in words."""
        return "the whole store"

    @property
    def draws(self) -> int:
        """Number of posterior draws."""
        return len(self.posterior.run_effects)

    @property
    def converged(self) -> bool:
        """Whether the chains agree about every adjusted time."""
        return self.diagnostics.get("r_hat", 1.0) <= R_HAT_MOST

    @property
    def laps_used(self) -> int:
        """Number of laps that the fit rests on."""
        return len(self.laps)

    @property
    def sds(self) -> Mapping[str, np.ndarray]:
        """Draws of each group's standard deviation, in log lap time."""
        return self.posterior.sds

    @cached_property
    def entries(self) -> pd.DataFrame:
        """One row a build as it stands: see `model.entry.entries`."""
        return entries(self.runs, self.laps)

    @cached_property
    def whole(self) -> Whole:
        """What answers about one place ask of all runs, laps and entries."""
        return whole_of(self.runs, self.laps, self.entries)

    @cached_property
    def lookup(self) -> Lookup:
        """Where the runs and laps of a name stand."""
        return Lookup(self.runs, self.laps)

    @cached_property
    def memory(self) -> dict[str, Any]:
        """What answers have worked out of the whole fit, for those that are asked next."""
        return {}

    def kept(self, what: str) -> Mapping[str, np.ndarray] | None:
        """Give what an answer has worked out and was kept with the fit, None where nothing was."""
        del what
        return None

    @cached_property
    def recorded(self) -> Recorded:
        """What is known of builds and drivers by name."""
        by_build = self.entries.set_index("build")
        levels = self.entries.drop_duplicates("driver").set_index("driver")["driver_level"]
        latest = self.runs.groupby("driver")["driver_level"].last().combine_first(levels)
        return Recorded(
            by_build["model"].to_dict(), by_build["induction"].to_dict(), latest.to_dict()
        )

    @cached_property
    def usual_delay(self) -> np.ndarray:
        """Draws of the mean delay of the driver in the middle, log lap time."""
        return np.median(self.posterior.noise["tau"], axis=1).astype(float)

    @cached_property
    def effects(self) -> np.ndarray:
        """Draws of the effects of `RUN_FEATURES`, in double precision."""
        return self.posterior.run_effects.astype(float)

    @cached_property
    def level_worths(self) -> list[np.ndarray]:
        """Of each area the worth of its levels, (draws, levels): see `predict.level_worths`."""
        return [predict.level_worths(self.effects, k) for k in range(len(AREAS))]

    @cached_property
    def level_numbers(self) -> Mapping[str, dict[tuple[str, ...], int]]:
        """Place of each level's draws in its group, by name."""
        return _numbers(self.levels)

    @cached_property
    def unknown_numbers(self) -> Mapping[str, dict[tuple[str, ...], int]]:
        """Place of the draws of each fact that nobody recorded, by the name of its unit."""
        return _numbers(self.unknown_names)

    def log_time(self, rows: pd.DataFrame, *, chance: tuple[str, ...] = ()) -> np.ndarray:
        """Return draws of the centre of clean laps, in log seconds, shape (draws, rows).

        Parameters
        ----------
        rows : situations. Columns: `circuit`, `layout`, `build`, `model`, `induction`, the six
            `mod_*`, `tyre_category`, `treadwear`, `tyre_heat_cycles`, `driver`, `driver_level`,
            `air_temp_c`, `track_temp_c`, `pressure_hpa`, `humidity_pct`, `surface`, `lap`. What
            is missing takes the reference: 20 °C air, 30 °C track, 50 %, the circuit's standard
            pressure, dry, lap 2, 2 heat cycles. A missing driver is an average one of that level,
            a missing build an average one of that model. A name the fit has never seen gets one
            draw from its population, the same wherever the name stands.
        chance : of "day", "session", "build_day", "outing": drawn anew for each row, else nought.
        """
        out = np.empty((len(rows), self.draws)).T
        for here, parts in predict.in_blocks(self, rows.drop(columns="run_id", errors="ignore")):
            out[:, here] = total(parts)
        for group in chance:
            out += predict.fresh(self, group, len(rows))
        return out

    def parts(self, rows: pd.DataFrame) -> dict[str, np.ndarray]:
        """Split `log_time` into what it is made of; the parts add up exactly.

        Rows as in `log_time`. With a column `run_id` the rows are laps of runs that the fit has
        seen: facts nobody recorded take the fit's own draws, and the day, the session, the
        build's day and the outing have their own effects (nought without it).

        Returns
        -------
        Arrays (draws, rows) in log seconds by part: "circuit", "model", "build", "driver",
        "parts:engine" and so on, "tyre", "tyre_state", "conditions", "surface", "lap", "day",
        "session", "build_day", "outing".
        """
        return predict.parts(self, rows)

    def parts_in_blocks(self, rows: pd.DataFrame) -> Iterator[tuple[slice, dict[str, np.ndarray]]]:
        """Give `parts` of some rows at a time: which rows, and their parts."""
        return predict.in_blocks(self, rows)

    def lap_noise(
        self, drivers: list[str | None], rng: np.random.Generator, laps: int = 1
    ) -> np.ndarray:
        """Draw what clean laps add to the centre, without gross errors or slow laps.

        Returns
        -------
        Log time, shape (draws, drivers, laps): Normal spread plus the driver's delay.
        """
        return predict.lap_noise(self, drivers, rng, laps)

    def reference(self, circuit: str, layout: str) -> dict[str, Any]:
        """Return the reference conditions at a circuit, in numbers."""
        pressure = float(self.circuits.loc[(circuit, layout), "pressure_hpa"])  # type: ignore[arg-type]
        return {
            "air_temp_c": REFERENCE.air_temp_c,
            "track_temp_c": REFERENCE.track_temp_c,
            "humidity_pct": REFERENCE.humidity_pct,
            "pressure_hpa": round(pressure, 1),
            "wind_mps": REFERENCE.wind_mps,
            "surface": REFERENCE.surface,
            "session": "average",
            "lap": 2,
            "tyre_heat_cycles": 2,
        }

    def meta(self) -> dict[str, Any]:
        """Give what is told of the fit as a whole, as JSON can hold it."""
        told = (
            "fit_id", "mode", "mode_note", "data_version", "created", "seed", "prior_scale",
        )  # fmt: skip
        return {
            **{name: getattr(self, name) for name in told},
            "left_out": dict(self.left_out),
            "diagnostics": dict(self.diagnostics),
            "warnings": list(self.warnings),
        }

    def to_bytes(self) -> bytes:
        """Write the fit as one block of bytes (a zip of arrays, tables and JSON; no code in it)."""
        meta = {
            "format": FORMAT,
            **self.meta(),
            "levels": {k: [list(n) for n in v] for k, v in self.levels.items()},
            "unknown_names": {k: [list(n) for n in v] for k, v in self.unknown_names.items()},
        }
        arrays = {
            "meta": np.frombuffer(json.dumps(meta).encode(), np.uint8),
            **{name: _table_bytes(getattr(self, name)) for name in ("runs", "laps", "circuits")},
            # What is the same in every draw is kept once.
            **{
                f"draws/{k}": v[:1] if v.strides[0] == 0 else v
                for k, v in self.posterior.arrays().items()
            },
        }
        out = io.BytesIO()
        np.savez(out, allow_pickle=False, **arrays)
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> Fit:
        """Undo `to_bytes`.

        Raises
        ------
        ValueError
            The bytes are no fit of this version.
        """
        with np.load(io.BytesIO(data), allow_pickle=False) as zipped:
            arrays = {name: zipped[name] for name in zipped.files}
        meta = json.loads(arrays.pop("meta").tobytes())
        if meta.pop("format") != FORMAT:
            raise ValueError("this fit was kept by another version: fit again")
        tables: Any = {
            name: _table(arrays.pop(name).tobytes()) for name in ("runs", "laps", "circuits")
        }
        for name in ("levels", "unknown_names"):
            meta[name] = {k: [tuple(n) for n in v] for k, v in meta[name].items()}
        meta["warnings"] = tuple(meta["warnings"])
        n = len(arrays["draws/run_effects"])
        posterior = Draws.from_arrays(
            {k.removeprefix("draws/"): _in_all_draws(v, n) for k, v in arrays.items()}
        )
        return cls(posterior=posterior, **tables, **meta)


def _numbers(
    names: Mapping[str, list[tuple[str, ...]]],
) -> dict[str, dict[tuple[str, ...], int]]:
    return {kind: {name: k for k, name in enumerate(its)} for kind, its in names.items()}


def _in_all_draws(values: np.ndarray, n: int) -> np.ndarray:
    return values if len(values) == n else np.broadcast_to(values, (n, *values.shape[1:]))


def _table_bytes(table: pd.DataFrame) -> np.ndarray:
    out = io.BytesIO()
    table.to_parquet(out)
    return np.frombuffer(out.getvalue(), np.uint8)


def _table(data: bytes) -> pd.DataFrame:
    """Undo `_table_bytes`; a missing text is None again, as in a fit just made."""
    table = pd.read_parquet(io.BytesIO(data))
    texts: list[str] = list(table.select_dtypes("string").columns)
    for column in texts:
        table[column] = table[column].astype(object).where(table[column].notna(), None)
    return table
