"""The store: what is added, found again, contradicted and kept."""

from __future__ import annotations

import dataclasses
import random
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from benchmark.errors import BenchmarkError, FaultyFile, NoFit
from benchmark.intake.columns import NAMES
from benchmark.store.claims import Check, keep_claim
from benchmark.store.fits import FITS_KEPT
from benchmark.store.store import Added, Store
from tests.lap_files import lap, read_once, write


@pytest.fixture
def db(tmp_path: Path) -> Path:
    return tmp_path / "laps.duckdb"


def add(db: Path, rows: list[dict[str, str]], name: str = "spring.csv") -> Added:
    lap_file = read_once(write(db.parent, rows, name=name))
    with Store.open(db, create=True) as store:
        return store.add(lap_file)


def faults(db: Path, rows: list[dict[str, str]]) -> list[str]:
    with pytest.raises(FaultyFile) as faulty:
        add(db, rows, "summer.csv")
    return [str(fault) for fault in faulty.value.faults]


def counts(added: Added) -> tuple[int, int, int]:
    return added.laps_added, added.laps_already_there, added.facts_added


SPRING = [lap(1, lap_kind="out"), lap(2), lap(3, "1:01.9")]


def test_a_file_is_added_and_found_again(db: Path) -> None:
    assert counts(add(db, SPRING)) == (3, 0, 0)
    with Store.open(db) as store:
        laps = store.counted_laps()
        assert store.counted() == len(laps)
    assert list(laps.columns) == ["lap_time_s" if n == "lap_time" else n for n in NAMES]
    assert laps["lap"].tolist() == [2, 3]
    assert laps["lap_time_s"].tolist() == [62.345, 61.9]
    assert laps["date"].tolist() == ["2025-04-12"] * 2
    assert laps["air_temp_c"].isna().all()


def test_columns_of_a_frame_have_one_type_whatever_is_missing(db: Path) -> None:
    whole = {name: "1" for name in NAMES if name.startswith("mod_") or name in ("treadwear", "run")}
    add(db, [lap(1)])
    with Store.open(db) as store:
        sparse = store.counted_laps().dtypes
    add(db, [lap(1, build="Grey Teal", evidence="a.pdf", start_time="09:30", **whole)])
    with Store.open(db) as store:
        pd.testing.assert_series_equal(store.counted_laps().dtypes, sparse)
    with Store.empty() as store:
        pd.testing.assert_series_equal(store.counted_laps().dtypes, sparse)


def test_a_second_import_of_the_same_file_adds_no_lap(db: Path) -> None:
    add(db, SPRING)
    with Store.open(db) as store:
        before = store.data_version()
    assert counts(add(db, SPRING)) == (0, 3, 0)
    with Store.open(db) as store:
        assert store.data_version() == before
        assert len(store.accepted_laps()) == 3


def test_what_a_later_file_knows_is_filled_in_and_counted(db: Path) -> None:
    add(db, SPRING)
    more = [{**row, "air_temp_c": "18.5", "start_time": "09:30"} for row in SPRING]
    more[2]["timing"] = "beam"
    assert counts(add(db, [*more, lap(4, air_temp_c="")])) == (1, 3, 3)
    with Store.open(db) as store:
        laps = store.accepted_laps()
    assert laps["air_temp_c"].tolist() == [18.5] * 4
    assert laps["start_time"].tolist() == ["09:30"] * 4
    assert laps["timing"].dropna().tolist() == ["beam"]


def test_a_file_that_knows_less_changes_nothing(db: Path) -> None:
    full = [{**row, "air_temp_c": "18.5", "treadwear": "200", "timing": "beam"} for row in SPRING]
    add(db, full)
    assert counts(add(db, SPRING)) == (0, 3, 0)
    with Store.open(db) as store:
        assert store.accepted_laps()["treadwear"].tolist() == [200] * 3


def test_every_contradiction_with_the_store_is_named(db: Path) -> None:
    add(db, [{**row, "air_temp_c": "18", "start_time": "09:30"} for row in SPRING])
    rows = [
        lap(1, lap_kind="out", air_temp_c="20", start_time="10:30", driver="B. Fen"),
        lap(2, "1:03", driver="B. Fen"),
        lap(3, "1:01.9", driver="B. Fen", lap_kind="slow"),
        lap(1, model="Corvane RS", session="S2"),
    ]
    for row in rows[:3]:
        row["model"] = "Corvane RS"
    assert faults(db, rows) == [
        'summer.csv, row 1, start_time, "10:30": the store has 09:30 for the same session; '
        "a session has one start time: correct one of them",
        'summer.csv, row 1, model, "Corvane RS": the store has Corvane GT for the same build; '
        "a build has one model: correct one, or name two builds",
        'summer.csv, row 1, driver, "B. Fen": the store has A. Marsh for the same run; '
        "a run has one driver: correct one, or give them two run numbers",
        'summer.csv, row 1, air_temp_c, "20": the store has 18 for the same run; '
        "a run has one air temperature: correct one, or give them two run numbers",
        'summer.csv, row 2, lap_time, "1:03.000": the store has 1:02.345 for the same lap; '
        "a lap has one lap time: correct one, or give them two lap numbers",
        'summer.csv, row 3, lap_kind, "slow": the store has timed for the same lap; '
        "a lap has one kind of lap: correct one, or give them two lap numbers",
        'summer.csv, row 4, model, "Corvane RS": the store has Corvane GT for the same build; '
        "a build has one model: correct one, or name two builds",
    ]


def test_faults_of_the_file_and_contradictions_come_together(db: Path) -> None:
    add(db, SPRING)
    assert [fault.split(":")[0] for fault in faults(db, [lap(2, "1:03"), lap(4, "fast")])] == [
        'summer.csv, row 1, lap_time, "1',
        'summer.csv, row 2, lap_time, "fast"',
    ]


def test_a_faulty_file_leaves_the_store_as_it_was(db: Path) -> None:
    add(db, SPRING)
    with Store.open(db) as store:
        before = store.imports()
    faults(db, [lap(7), lap(8, "fast")])
    faults(db, [lap(7), lap(2, "1:03")])
    with Store.open(db) as store:
        assert len(store.accepted_laps()) == 3
        pd.testing.assert_frame_equal(store.imports(), before)


def test_checking_says_what_adding_would_bring_and_adds_nothing(db: Path) -> None:
    add(db, SPRING)
    lap_file = read_once(write(db.parent, [lap(2), lap(4)], name="summer.csv"))
    with Store.open(db) as store:
        assert counts(store.check(lap_file)) == (1, 1, 0)
        assert counts(store.check(lap_file)) == (1, 1, 0)
        assert len(store.accepted_laps()) == 3
    with Store.empty() as store:
        assert counts(store.check(lap_file)) == (2, 0, 0)


def test_the_report_of_a_file_tells_rounding_repeats_and_columns_left_out(db: Path) -> None:
    rows = [lap(1, "62.34567", note="x"), lap(1, "62.34567", note="y")]
    assert add(db, rows) == Added(
        laps_added=1, laps_already_there=1, facts_added=0, ignored_columns=["note"], rounded=2
    )


def test_every_import_is_recorded(db: Path) -> None:
    add(db, SPRING)
    add(db, [*SPRING, lap(4)], "summer.csv")
    with Store.open(db) as store:
        imports = store.imports()
    assert imports["file"].tolist() == ["summer.csv", "spring.csv"]
    assert imports["laps_added"].tolist() == [1, 3]
    assert imports["laps_already_there"].tolist() == [3, 0]
    assert imports["sha256"].tolist() == [
        read_once(db.parent / name).sha256 for name in ("summer.csv", "spring.csv")
    ]


def test_laps_come_in_the_order_of_their_key(db: Path) -> None:
    add(db, [lap(10), lap(9), lap(2, run="10"), lap(2, run="9"), lap(1, build="Auk")])
    add(db, [lap(1, circuit="Élan"), lap(1, circuit="Zell"), lap(1, date="2024-12-31")], "b.csv")
    with Store.open(db) as store:
        laps = store.counted_laps()
    # By code point, as in the exported file: É stands after Z.
    assert laps[["circuit", "date", "build", "run", "lap"]].values.tolist() == [
        ["Quillmoor", "2024-12-31", "Blue Heron", 1, 1],
        ["Quillmoor", "2025-04-12", "Auk", 1, 1],
        ["Quillmoor", "2025-04-12", "Blue Heron", 1, 9],
        ["Quillmoor", "2025-04-12", "Blue Heron", 1, 10],
        ["Quillmoor", "2025-04-12", "Blue Heron", 9, 2],
        ["Quillmoor", "2025-04-12", "Blue Heron", 10, 2],
        ["Zell", "2025-04-12", "Blue Heron", 1, 1],
        ["Élan", "2025-04-12", "Blue Heron", 1, 1],
    ]


def test_the_store_tells_its_names(db: Path) -> None:
    add(db, [lap(1), lap(1, layout="short"), lap(1, circuit="Zell", build="Auk", driver="B. Fen")])
    with Store.open(db) as store:
        assert store.names("circuit") == ["Quillmoor", "Zell"]
        assert store.names("build") == ["Auk", "Blue Heron"]
        assert store.names("driver") == ["A. Marsh", "B. Fen"]
        assert store.names("model") == ["Corvane GT"]
        assert store.layouts("Quillmoor") == ["full", "short"]
        assert store.layouts("Nowhere") == []
        with pytest.raises(KeyError):
            store.names("lap; drop table lap")


# The rules that no database constraint keeps

KEYS = {
    "circuit": "circuit",
    "layout": "circuit_id, layout",
    "model": "model",
    "build": "build",
    "driver": "driver",
    "event": "circuit_id, date",
    "session": "event_id, layout_id, session",
    "run": "session_id, build_id, run",
    "lap": "run_id, lap",
}
PARENTS = [
    ("layout", "circuit"),
    ("build", "model"),
    ("event", "circuit"),
    ("session", "event"),
    ("session", "layout"),
    ("run", "session"),
    ("run", "build"),
    ("run", "driver"),
    ("lap", "run"),
    ("lap", "import"),
]


def test_keys_are_unique_and_every_child_has_its_parent(db: Path) -> None:
    variants = [{"layout": "short"}, {"session": "S2"}, {"build": "Auk"}, {"date": "2025-05-01"}]
    rows = [lap(n, **variant) for variant in variants for n in (1, 2)]
    add(db, rows[:5])
    add(db, [*SPRING, *rows, lap(1, circuit="Zell", model="Corvane RS", build="Teal")], "b.csv")
    with duckdb.connect(str(db), read_only=True) as connection:
        for table, key in KEYS.items():
            for unique in (key, f"{table}_id"):
                query = f"select {unique} from {table} group by all having count(*) > 1"
                assert connection.execute(query).fetchall() == [], (table, unique)
        for child, parent in PARENTS:
            query = f"select count(*) from {child} anti join {parent} using ({parent}_id)"
            assert connection.execute(query).fetchall() == [(0,)], (child, parent)
        assert connection.execute("select count(*) from lap").fetchall() == [(12,)]


def test_any_client_reads_the_published_columns(db: Path) -> None:
    add(db, SPRING)
    with duckdb.connect(str(db), read_only=True) as connection:
        for view in ("lap_table", "counted_lap"):
            columns = [row[0] for row in connection.execute(f"describe {view}").fetchall()]
            assert [column for column in columns if column in NAMES] == list(NAMES)
        sessions = connection.execute("select circuit, runs from session_conditions").fetchall()
    assert sessions == [("Quillmoor", 1)]


# Fits


@dataclasses.dataclass
class Kept:
    """As much of a fit as the store needs to keep it."""

    fit_id: str = "f1"
    created: str = "2025-04-12T10:00:00+00:00"
    mode: str = "full"
    data_version: int = 1
    laps_used: int = 2
    is_large: bool = False
    body: bytes = b"draws\0" * 1000

    def to_bytes(self) -> bytes:
        return self.body


def test_the_latest_fit_is_given_back_bit_by_bit(db: Path) -> None:
    add(db, SPRING)
    with Store.open(db, write=True) as store:
        store.keep_fit(Kept(body=b"old"))  # type: ignore[arg-type]
        store.keep_fit(Kept())  # type: ignore[arg-type]
        store.keep_fit(Kept())  # type: ignore[arg-type]
    with Store.open(db) as store:
        assert store.latest_fit_bytes() == Kept().body
        assert store.fits()["fit_no"].tolist() == [2, 1]
        assert store.fits()["laps_used"].tolist() == [2, 2]


def fits_of(db: Path) -> list[str]:
    with Store.open(db) as store:
        return store.fits()["fit_id"].tolist()


def keep_fits(db: Path, numbers: range) -> None:
    for number in numbers:
        with Store.open(db, create=True) as store:
            fit = Kept(f"f{number}", body=random.Random(number).randbytes(1_000_000))
            store.keep_fit(fit)  # type: ignore[arg-type]


def test_only_the_latest_fits_stay(db: Path) -> None:
    keep_fits(db, range(FITS_KEPT + 2))
    assert fits_of(db) == [f"f{number}" for number in range(FITS_KEPT + 1, 1, -1)]
    with Store.open(db) as store:
        assert store.fits()["fit_no"].tolist()[0] == FITS_KEPT + 2


def test_a_fit_that_a_kept_claim_names_stays(db: Path) -> None:
    keep_fits(db, range(1))
    with Store.open(db, write=True) as store:
        keep_claim(store, "{}", Check("stands", "f0", 1, "{}"))
    keep_fits(db, range(1, FITS_KEPT + 3))
    assert fits_of(db)[-2:] == ["f3", "f0"]
    assert len(fits_of(db)) == FITS_KEPT + 1


def test_a_store_stops_growing_with_fits(db: Path) -> None:
    keep_fits(db, range(2 * FITS_KEPT))
    before = db.stat().st_size
    keep_fits(db, range(2 * FITS_KEPT, 4 * FITS_KEPT))
    assert db.stat().st_size < 1.3 * before


def test_keeping_a_fit_changes_no_lap(db: Path) -> None:
    add(db, SPRING)
    with Store.open(db, write=True) as store:
        before = store.data_version()
        store.keep_fit(Kept())  # type: ignore[arg-type]
        assert store.data_version() == before


def test_without_a_fit_it_says_how_to_get_one(db: Path) -> None:
    add(db, SPRING)
    with Store.open(db) as store, pytest.raises(NoFit) as no_fit:
        store.latest_fit()
    assert str(no_fit.value) == f"no fit in {db} yet: run `benchmark fit --db {db}`"


def test_a_damaged_fit_is_not_used(db: Path) -> None:
    with Store.open(db, create=True) as store:
        store.keep_fit(Kept())  # type: ignore[arg-type]
    with duckdb.connect(str(db)) as connection:
        connection.execute("update fit set body = 'other'::blob")
    with Store.open(db) as store, pytest.raises(BenchmarkError, match="is damaged: run `bench"):
        store.latest_fit_bytes()
