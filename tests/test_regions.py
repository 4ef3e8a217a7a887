"""Circuits come together by the builds they share, up to so many laps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchmark.errors import FitFailed
from benchmark.intake.lap_folder import look_into
from benchmark.model.frame import MODS
from benchmark.model.regions import Met, learning_circuits, regions_of
from benchmark.store.framing import frame_of_folder
from benchmark.store.region_scan import _kinds, scan
from tests.lap_files import lap


def met(laps: list[int], shared: np.ndarray, facts: np.ndarray | None = None) -> Met:
    names = [f"C{k}" for k in range(len(laps))]
    return Met(names, np.array(laps), shared, np.zeros((len(laps), 0)) if facts is None else facts)


def two_regions() -> np.ndarray:
    """Two times three circuits that share most of 100 builds, and five with the other three."""
    shared = np.full((6, 6), 5.0)
    shared[:3, :3] = shared[3:, 3:] = 80
    np.fill_diagonal(shared, 100)
    return shared


def named(regions: list[np.ndarray]) -> list[list[int]]:
    return [region.tolist() for region in regions]


def test_circuits_that_share_their_builds_are_one_region():
    order = np.array([0, 3, 1, 4, 2, 5])  # whatever their names
    shared = two_regions()[np.ix_(order, order)]
    assert named(regions_of(met([10] * 6, shared), 30)) == [[0, 2, 4], [1, 3, 5]]


def test_a_region_has_no_more_laps_than_asked_for_but_for_one_circuit():
    found = regions_of(met([10, 10, 10, 50, 10, 10], two_regions()), 30)
    assert [3] in named(found)
    assert sorted(k for region in named(found) for k in region) == list(range(6))
    assert named(regions_of(met([10] * 6, two_regions()), 60)) == [list(range(6))]
    assert named(regions_of(met([10] * 6, two_regions()), 9)) == [[k] for k in range(6)]


def test_one_circuit_is_one_region():
    assert named(regions_of(met([7], np.array([[3.0]])), 1)) == [[0]]


def test_what_cars_share_is_learnt_from_whole_regions_until_there_are_enough_laps():
    laps = met([10] * 6, two_regions())
    regions = regions_of(laps, 30)
    one = learning_circuits(laps, regions, 30, np.random.default_rng(1)).tolist()
    assert one in named(regions)
    both = learning_circuits(laps, regions, 31, np.random.default_rng(1)).tolist()
    assert both == list(range(6))
    more = learning_circuits(laps, regions, 1000, np.random.default_rng(1)).tolist()
    assert more == both


def test_kinds_of_lap_that_these_lack_are_looked_for_elsewhere(monkeypatch):
    """Wet laps, say, at C4 and some more at C5: enough of them, for no more than twice the laps."""
    monkeypatch.setattr("benchmark.model.regions.FEW_OF_A_KIND", 4)
    wet = np.array([0, 0, 0, 0, 3, 1])[:, None]
    laps = met([10] * 6, two_regions(), wet)
    regions = regions_of(laps, 30)
    dry = next(s for s in range(9) if regions[0].tolist() == chosen(laps, regions, s, wet * 0))
    assert chosen(laps, regions, dry, wet) == [0, 1, 2, 4, 5]
    assert chosen(laps, regions, dry, wet + 5) == [0, 1, 2]  # has enough
    large = met([10, 10, 10, 10, 31, 10], two_regions(), wet)
    assert chosen(large, regions, dry, wet) == [0, 1, 2, 5]


def chosen(laps: Met, regions: list[np.ndarray], seed: int, facts: np.ndarray) -> list[int]:
    rng = np.random.default_rng(seed)
    return learning_circuits(replace(laps, facts=facts), regions, 30, rng).tolist()


@pytest.fixture
def folder(tmp_path):
    """Two files: A and B share Kestrel, the second file holds laps of A and C as well."""
    first = [
        lap(2, circuit="A", build="Kestrel"),
        lap(2, circuit="B", build="Kestrel"),
        lap(3, circuit="B", build="Wren", driver_level="expert"),
    ]
    second = [
        lap(2, circuit="A", build="Wren"),
        lap(2, circuit="C", build="Heron"),
        lap(3, circuit="C", build="Heron", mod_aero="3"),
        lap(1, circuit="D", lap_kind="out"),
    ]
    return first, second, tmp_path


def write_parquet(path: Path, rows: list[dict[str, str]]) -> str:
    table = pd.DataFrame(rows)
    if "lap_kind" in table:
        table["lap_kind"] = table["lap_kind"].fillna("timed")
    table = table.assign(
        **{name: table[name].astype(float).astype("Int8") for name in table if name in MODS},
        lap=table["lap"].astype(int),
        date=pd.to_datetime(table["date"]).dt.date,
        lap_time=62.345,
    )
    table.to_parquet(path)
    return str(path)


def test_laps_are_looked_over_by_circuit(folder):
    first, second, path = folder
    files = [
        write_parquet(path / f"{name}.parquet", rows)
        for name, rows in zip("12", (first, second), strict=True)
    ]
    found = scan(look_into(f"{path}/*.parquet"))
    assert found.met.circuits == ["A", "B", "C"]  # D has no lap that counts
    assert found.met.laps.tolist() == [2, 2, 2]
    assert found.met.shared.tolist() == [[2, 2, 0], [2, 2, 0], [0, 0, 1]]
    assert found.left_out == {"not a timed flying lap": 1}
    kinds = dict(zip(_kinds().values(), found.met.facts.T.tolist(), strict=True))
    assert kinds["surface = 'dry'"] == [2, 2, 2]
    assert kinds["tyre_category = 'track-day'"] == [2, 2, 2]
    assert kinds["mod_aero >= 2"] == [0, 0, 1]
    assert kinds["driver_level = 'expert'"] == [0, 1, 0]
    assert found.files == [set(files), {files[0]}, {files[1]}]
    part, names = found.part(np.array([1]))
    assert (part.files, names) == ([files[0]], ["B"])


def test_files_without_a_counted_lap_are_refused(folder):
    _, second, path = folder
    write_parquet(path / "1.parquet", second[-1:])
    with pytest.raises(FitFailed, match="there is no counted lap"):
        scan(look_into(f"{path}/*.parquet"))


def test_names_of_circuits_are_but_names(folder):
    first, _, path = folder
    odd = "O'Hara's Übung'); drop table lap_table; --"
    rows = [*first, lap(2, circuit=odd, build="Kestrel"), lap(3, circuit=odd, build="Kestrel")]
    write_parquet(path / "1.parquet", rows)
    found = scan(look_into(f"{path}/*.parquet"))
    place = found.met.circuits.index(odd)
    frame = frame_of_folder(*found.part(np.array([place])))
    assert frame.runs["circuit"].unique().tolist() == [odd]
    assert len(frame.laps) == 2


def test_layouts_of_a_circuit_stay_in_one_region(folder):
    first, _, path = folder
    rows = [{"layout": "full", **row} for row in first]
    rows.append(lap(2, circuit="B", build="Wren", layout="club"))
    write_parquet(path / "1.parquet", rows)
    found = scan(look_into(f"{path}/*.parquet"))
    assert found.met.circuits == ["A", "B"]
    frame = frame_of_folder(*found.part(np.array([1])))
    assert sorted(frame.circuits.index) == [("B", "club"), ("B", "full")]
