"""Which columns the tables of a fit have, and what its draws belong to: to write and read parts."""

from __future__ import annotations

from collections.abc import Mapping

from benchmark.model.design import GROUPS
from benchmark.model.frame import MODS, NUMBER_FACTS, RUN_KEY, TEXT_FACTS

RUN_TEXTS = (*(name for name in RUN_KEY if name != "run"), *TEXT_FACTS)
RUN_NUMBERS = ("run", *NUMBER_FACTS, "log_density", "log_density_sd", "track_c", "track_c_sd")
RUN_COLUMNS = (*RUN_KEY, *TEXT_FACTS, *(name for name in RUN_NUMBERS if name != "run"))  # in order
ENTRY_TEXTS = ("build", "model", "induction", "class", "tyre_category", "driver", "driver_level",
               "notes")  # fmt: skip
ENTRY_NUMBERS = (*MODS, "treadwear")
BY_NAME = ("model", "build", "driver")  # groups of which each of these has one level
# What names a unit of each fact that nobody recorded; "levels" has one for a build and area.
UNITS: Mapping[str, tuple[str, ...]] = {
    "log_density": GROUPS["session"],
    "track_c": GROUPS["session"],
    "cycles": ("run_id",),
    "log_treadwear": ("build", "tyre_category"),
    "driver_level": ("driver",),
    "natural": ("build",),
    "levels": ("build", "area"),
}
UNITS_BY_RUN = ("log_density", "track_c", "cycles", "log_treadwear")
