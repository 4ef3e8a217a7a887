"""The truth behind a made-up season: every effect on log lap time, and what follows from them.

The terms are written out here anew and share no code with the model that is tried on them, so
that a mistake in the model's terms cannot hide in the truth. Sizes are in log lap time: 0.01 is
1 %. Two worlds are known. In "model" the centre of clean laps is the sum that the pace model
assumes. "other" differs where real days do: power is worth more at one circuit than at another,
a tyre gives less to a heavy car, and heat soaks into the car from lap to lap.

In the other world drivers learn and the track rubbers in. Both are kept as departures from their
average over the season, so the adjusted pace of an entry stays one number: its usual driver as
good as he was on average over his runs, on a track as it was on average over the sessions.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from benchmark.errors import BadQuestion, BadValue
from benchmark.trade.classes import AREAS, DRY_TYRES
from benchmark.trade.conditions import REFERENCE, air_density, standard_pressure

FloatArray = npt.NDArray[np.floating]

MODS = tuple(f"mod_{area}" for area in AREAS)
# 0 is the hardest road tyre, 1 a slick. Common practice, no published source.
SOFTNESS = {
    "touring": 0.0,
    "sport": 0.25,
    "track-day": 0.5,
    "semi-slick": 0.75,
    "slick": 1.0,
    "wet": 0.5,
}
# The usual grade of each category; slicks and wets carry none.
TREADWEAR = {"touring": 360.0, "sport": 250.0, "track-day": 180.0, "semi-slick": 80.0}

REFERENCE_LAP = 2
REFERENCE_CYCLES = 2.0
# What a group effect belongs to, by the columns whose values name it.
GROUP_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "model": ("model",),
    "model_circuit": ("model", "circuit", "layout"),
    "build": ("build",),
    "build_spec": ("build", "spec"),
    "driver": ("driver",),
    "driver_circuit": ("driver", "circuit", "layout"),
    "day": ("circuit", "layout", "date"),
    "session": ("circuit", "layout", "date", "session"),
    "wet_session": ("circuit", "layout", "date", "session"),
    "build_day": ("build", "circuit", "layout", "date"),
    "outing": ("build", "circuit", "layout", "date", "session", "run"),
    "learning": ("driver", "circuit", "layout", "date", "session"),
    "rubber": ("circuit", "layout", "date", "session"),
}
LASTING = ("model", "model_circuit", "build", "build_spec", "driver", "driver_circuit")
PASSING = ("day", "session", "wet_session", "build_day", "outing", "learning", "rubber")


@dataclass(frozen=True, slots=True)
class Track:
    """One layout of a circuit: the lap of the average standard car, and its height."""

    circuit: str
    layout: str
    base_s: float  # dry lap of a standard natural car of the average model, touring, club driver
    altitude_m: float


@dataclass(frozen=True, slots=True)
class NoiseTruth:
    """What a lap adds to the centre of clean laps; sizes in log lap time, shares of all laps.

    `tau` is each driver's mean delay: log-normal about `tau_centre` with `tau_spread`.
    """

    sigma: float
    tau_centre: float
    tau_spread: float
    tau: Mapping[str, float]
    slow: float
    gross: float
    shares: tuple[float, float, float]  # ordinary, slow without a label, gross error


@dataclass(frozen=True)
class Truth:
    """All effects, standard deviations and noise of a season.

    Attributes
    ----------
    world : "model" or "other", see the head of this file.
    tracks : the layouts of the circuits.
    effects : by name, as "step:engine:1", "tyre:sport", "density_natural" or "fade_soft".
    groups : by group name, then by the values of its `GROUP_COLUMNS` joined by " | ".
    sds : the standard deviation from which each group's effects were drawn.
    noise : of single laps.
    """

    world: str
    tracks: tuple[Track, ...]
    effects: Mapping[str, float]
    groups: Mapping[str, Mapping[str, float]]
    sds: Mapping[str, float]
    noise: NoiseTruth

    def log_time(self, rows: pd.DataFrame) -> FloatArray:
        """Give the true centre of clean laps in log seconds, one a row.

        Day, session, build-day and outing count as average (0). A missing column or cell is the
        reference: 20 °C air, 30 °C track, 50 % humidity, the standard atmosphere at the circuit,
        dry, lap 2, 2 heat cycles, the usual treadwear, level 0, an average club driver, an
        average natural car.

        Parameters
        ----------
        rows : columns of the lap table and `lap`; `circuit` and `tyre_category` are needed.

        Raises
        ------
        BadQuestion
            A circuit or layout that the season does not have.
        """
        return np.sum(list(self.parts(rows).values()), axis=0)

    def parts(self, rows: pd.DataFrame) -> dict[str, FloatArray]:
        """Split `log_time` by cause: circuit, model, build, driver, `parts:engine` and so on."""
        facts = self._completed(rows)
        soft = facts["tyre_category"].map(SOFTNESS).to_numpy(dtype=float)
        groups = {name: self.group_effect(name, facts) for name in LASTING}
        return {
            "circuit": np.log(facts["base_s"].to_numpy(dtype=float)),
            "model": groups["model"] + groups["model_circuit"],
            "build": groups["build"] + groups["build_spec"],
            "driver": groups["driver"] + groups["driver_circuit"] + self._driver_level(facts),
            **{f"parts:{area}": self._steps(facts, area) for area in AREAS},
            "tyre": self._tyre(facts),
            "tyre_state": self._cycles(facts, soft),
            "conditions": self._density(facts) + self._heat(facts, soft),
            "surface": self._surface(facts, soft),
            "lap": self._lap(facts, soft),
        }

    def adjusted(self, entries: pd.DataFrame) -> FloatArray:
        """Give the true adjusted time of each entry: a clean lap at reference conditions [s].

        Parameters
        ----------
        entries : one row an entry with circuit, layout, build, model, induction, the six `mod_`
            columns, tyre_category, driver and driver_level, as `Season.entries` gives them.
            Columns of weather, treadwear, heat cycles, surface and lap are not looked at.
        """
        kept = ["circuit", "layout", "build", "model", "induction", *MODS, "tyre_category"]
        return np.exp(self.log_time(entries[[*kept, "driver", "driver_level"]]))

    def group_effect(self, name: str, facts: pd.DataFrame) -> FloatArray:
        """Effect of one group on each row; 0 where the row names nobody or nobody known."""
        known = self.groups.get(name, {})
        return group_keys(name, facts).map(known).fillna(0.0).to_numpy(dtype=float)

    def to_json(self) -> str:
        """Write everything as JSON text, in a fixed order, rounded to 9 decimals."""
        return json.dumps(_rounded(asdict(self)), indent=1, ensure_ascii=False) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Truth:
        """Read what `to_json` wrote (other keys beside are not looked at)."""
        data = json.loads(text)
        noise = data["noise"]
        return cls(
            world=data["world"],
            tracks=tuple(Track(**track) for track in data["tracks"]),
            effects=data["effects"],
            groups=data["groups"],
            sds=data["sds"],
            noise=NoiseTruth(**{**noise, "shares": tuple(noise["shares"])}),
        )

    def _completed(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Give every column that the effects need, the reference where nothing is recorded."""
        facts = pd.DataFrame(index=rows.index)
        for column, reference in _DEFAULTS.items():
            values = rows[column] if column in rows else pd.Series(np.nan, rows.index)
            facts[column] = values.astype(object).where(values.notna(), reference)
        numbers = [column for column, reference in _DEFAULTS.items() if not _is_text(reference)]
        facts[numbers] = facts[numbers].astype(float)
        facts["spec"] = specification(facts)
        tracks = {(track.circuit, track.layout): track for track in self.tracks}
        here = [tracks.get(key) for key in zip(facts["circuit"], facts["layout"], strict=True)]
        for key, track in zip(
            zip(facts["circuit"], facts["layout"], strict=True), here, strict=True
        ):
            if track is None:
                known = [f"{circuit} {layout}" for circuit, layout in tracks]
                raise BadQuestion.unknown("circuit and layout", " ".join(map(str, key)), known)
        facts["base_s"] = [track.base_s for track in here if track]
        facts["altitude_m"] = [track.altitude_m for track in here if track]
        return facts

    def _steps(self, facts: pd.DataFrame, area: str) -> FloatArray:
        """Sum of the steps of one area up to its level; in the other world power is local."""
        worth = np.cumsum([0.0] + [self.effects[f"step:{area}:{level}"] for level in (1, 2, 3)])
        effect = worth[facts[f"mod_{area}"].to_numpy(dtype=int)]
        if area == "engine":
            effect = effect * (1 + self._local("power", facts))
        return effect

    def _local(self, name: str, facts: pd.DataFrame) -> FloatArray:
        """How much more than usual something is worth at each row's circuit (other world)."""
        local = {
            (t.circuit, t.layout): self.effects.get(f"{name}:{t.circuit} {t.layout}", 0.0)
            for t in self.tracks
        }
        keys = zip(facts["circuit"], facts["layout"], strict=True)
        return np.array([local[key] for key in keys], dtype=float)

    def _tyre(self, facts: pd.DataFrame) -> FloatArray:
        """Category, and treadwear within it; in the other world a light car gains more."""
        e = self.effects
        dry = np.cumsum([0.0] + [e[f"tyre:{category}"] for category in DRY_TYRES[1:]])
        worth = {**dict(zip(DRY_TYRES, dry, strict=True)), "wet": e["wet_tyre"]}
        effect = facts["tyre_category"].map(worth).to_numpy(dtype=float)
        usual = facts["tyre_category"].map(TREADWEAR).to_numpy(dtype=float)
        ratio = np.log(facts["treadwear"].to_numpy(dtype=float) / usual)
        light = 1 + e.get("tyre_by_weight", 0.0) * (facts["mod_weight"].to_numpy() - 1)
        return effect * light + e["treadwear"] * np.nan_to_num(ratio)

    def _cycles(self, facts: pd.DataFrame, soft: FloatArray) -> FloatArray:
        aged = (facts["tyre_heat_cycles"].to_numpy() - REFERENCE_CYCLES) / 10
        return (self.effects["cycles"] + self.effects["cycles_soft"] * soft) * aged

    def _driver_level(self, facts: pd.DataFrame) -> FloatArray:
        worth = {level: self.effects.get(level, 0.0) for level in _DRIVERS}
        return facts["driver_level"].map(worth).to_numpy(dtype=float)

    def _density(self, facts: pd.DataFrame) -> FloatArray:
        """Thinner air than on the reference day at this circuit costs time."""
        at_home = standard_pressure(facts["altitude_m"].to_numpy(dtype=float))
        pressure = facts["pressure_hpa"].to_numpy(dtype=float)
        pressure = np.where(np.isnan(pressure), at_home, pressure)
        density = air_density(
            facts["air_temp_c"].to_numpy(), pressure, facts["humidity_pct"].to_numpy()
        )
        usual = air_density(_REFERENCE_AIR_C, at_home, _REFERENCE_HUMIDITY_PCT)
        worth = facts["induction"].map(
            {"natural": self.effects["density_natural"], "boosted": self.effects["density_boosted"]}
        )
        return worth.to_numpy(dtype=float) * np.log(density / usual)

    def _heat(self, facts: pd.DataFrame, soft: FloatArray) -> FloatArray:
        """Track temperature, on a dry track only."""
        e = self.effects
        hotter = (facts["track_temp_c"].to_numpy() - _REFERENCE_TRACK_C) / 10
        slope = e["heat"] + e["heat_soft"] * soft
        curve = e["heat_curve"] + e["heat_curve_soft"] * soft
        dry = (facts["surface"] == "dry").to_numpy()
        return np.where(dry, slope * hotter + curve * hotter**2, 0.0)

    def _surface(self, facts: pd.DataFrame, soft: FloatArray) -> FloatArray:
        """Damp and wet; wet tyres win some of it back, soft dry tyres lose more."""
        e = self.effects
        surface = facts["surface"]
        wet_tyre = (facts["tyre_category"] == "wet").to_numpy()
        effect = surface.map({"dry": 0.0, "damp": e["damp"], "wet": e["wet"]}).to_numpy(dtype=float)
        back = {"dry": 0.0, "damp": e["wet_tyre_damp"], "wet": e["wet_tyre_wet"]}
        helped = surface.map(back).to_numpy(dtype=float)
        lost = np.where((surface != "dry").to_numpy(), e["soft_wet"] * soft, 0.0)
        return effect + np.where(wet_tyre, helped, lost)

    def _lap(self, facts: pd.DataFrame, soft: FloatArray) -> FloatArray:
        """Tyres fade from lap to lap; in the other world heat soaks into boosted cars too."""
        e = self.effects
        lap = facts["lap"].to_numpy()
        further = np.maximum(lap - REFERENCE_LAP, 0.0)
        fade = (e["fade"] + e["fade_soft"] * soft) * further
        warm = np.where(lap > REFERENCE_LAP, e["lap_warm"] + e["lap_warm_soft"] * soft, 0.0)
        hot = np.maximum(facts["air_temp_c"].to_numpy() - 15.0, 0.0) / 10
        boosted = (facts["induction"] == "boosted").to_numpy()
        soak = e.get("soak", 0.0) * hot * (further + 2 * (facts["run"].to_numpy() - 1))
        return fade + warm + np.where(boosted, soak, 0.5 * soak)


_REFERENCE_AIR_C = float(REFERENCE.air_temp_c or 20)
_REFERENCE_TRACK_C = float(REFERENCE.track_temp_c or 30)
_REFERENCE_HUMIDITY_PCT = float(REFERENCE.humidity_pct or 50)
_DRIVERS = ("novice", "club", "expert", "professional")
_DEFAULTS: Mapping[str, object] = {
    "circuit": None,
    "layout": "full",
    "date": None,
    "session": None,
    "model": None,
    "induction": "natural",
    "build": None,
    "driver": None,
    "driver_level": "club",
    **dict.fromkeys(MODS, 0.0),
    "tyre_category": None,
    "treadwear": np.nan,
    "tyre_heat_cycles": REFERENCE_CYCLES,
    "air_temp_c": _REFERENCE_AIR_C,
    "track_temp_c": _REFERENCE_TRACK_C,
    "pressure_hpa": np.nan,
    "humidity_pct": _REFERENCE_HUMIDITY_PCT,
    "surface": "dry",
    "run": 1.0,
    "lap": float(REFERENCE_LAP),
}


def group_keys(name: str, facts: pd.DataFrame) -> pd.Series:
    """Name the group that each row belongs to: the values of its columns, joined by " | "."""
    columns = list(GROUP_COLUMNS[name])
    keys = facts[columns[0]].astype(str)
    for column in columns[1:]:
        values = facts[column].astype(int) if column == "run" else facts[column]
        keys = keys + " | " + values.astype(str)
    return keys


def specification(facts: pd.DataFrame) -> pd.Series:
    """Write the six levels of each row as six digits, engine first."""
    spec = pd.Series("", facts.index)
    for column in MODS:
        if facts[column].isna().any():
            raise BadValue(f"{column} is missing: the truth needs every level")
        spec = spec + facts[column].astype(int).astype(str)
    return spec


def _is_text(reference: object) -> bool:
    return reference is None or isinstance(reference, str)


def _rounded(value: object) -> object:
    """Round every number inside, so that the text is the same on any machine."""
    if isinstance(value, Mapping):
        return {str(k): _rounded(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(v) for v in value]
    return round(value, 9) if isinstance(value, float) else value
