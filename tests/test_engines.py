"""The reduction of laps to run rows is one text of SQL, the same on other engines.

DataFusion runs in one process (its sibling Ballista is distributed), Spark on as many machines as
there are; here in local mode. Spark is a large download and needs Java 17, so it is an extra:
`pip install '.[distributed]'`, then `pytest tests/test_engines.py`.
"""

from __future__ import annotations

import random
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest

from benchmark.intake.laptable import read_lap_table
from benchmark.model.run_rows import run_rows_sql
from benchmark.store.store import Store
from tests.lap_files import lap, write

LAPS = 3_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two circuits over two years, exported as Parquet files; some facts are not recorded."""
    draw = random.Random(8)
    rows = [
        lap(
            n % 8 + 1,
            f"1:{draw.uniform(2, 59):07.4f}",
            circuit=("Highmarl", "Tarnebrook")[n // 8 % 2],
            date=f"202{4 + n // 1_500}-05-{n // 160 % 28 + 1:02d}",
            build=f"car {n // 16 % 10}",
            run=str(n // 160 + 1),
            driver=f"Ren\u00e9e {n // 16 % 7}",
            air_temp_c=("", "18.5", "7.25")[n // 8 % 3],
            treadwear=("", "200")[n // 8 % 2],
            mod_aero=("", "2")[n // 8 % 2],
            lap_kind="out" if n % 8 == 0 else "timed",
        )
        for n in range(LAPS)
    ]
    base = tmp_path_factory.mktemp("engines")
    with Store.empty() as store:
        store.add(read_lap_table(write(base, rows)))
        store.export_folder(base / "laps")
    return base / "laps"


@pytest.fixture(scope="module")
def expected(folder: Path) -> pa.Table:
    with duckdb.connect() as connection:
        connection.execute(f"create view laps as from read_parquet('{folder}/*/*/*.parquet')")
        rows = connection.sql(reduction(folder)).to_arrow_table()
    assert sum(rows["n"].to_pylist()) == LAPS - LAPS // 8
    return rows


def reduction(folder: Path) -> str:
    one = next(folder.rglob("*.parquet"))
    return run_rows_sql("laps", pa.parquet.read_schema(one).names)


def assert_same_rows(found: pa.Table, expected: pa.Table) -> None:
    """Rows come in any order; values, sums included, must be equal to the last bit."""
    order = [(name, "ascending") for name in expected.schema.names]
    found = found.select(expected.schema.names).cast(expected.schema)
    assert found.sort_by(order).equals(expected.sort_by(order))


def test_datafusion_gives_the_same_run_rows(folder: Path, expected: pa.Table) -> None:
    datafusion = pytest.importorskip("datafusion", reason="datafusion is a developer package")
    context = datafusion.SessionContext()
    context.register_listing_table("laps", f"{folder}/", table_partition_cols=[])
    assert_same_rows(context.sql(reduction(folder)).to_arrow_table(), expected)


@pytest.mark.filterwarnings("ignore::FutureWarning", "ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_spark_gives_the_same_run_rows(folder: Path, expected: pa.Table) -> None:
    """Run by hand on 26 November 2026 with Spark 4.3.0 and Java 17: the same to the last bit."""
    sql = pytest.importorskip("pyspark.sql", reason="pyspark is not installed: extra distributed")
    builder = sql.SparkSession.builder.master("local[1]").config("spark.ui.enabled", "false")
    spark = builder.config("spark.sql.shuffle.partitions", "2").getOrCreate()
    try:
        files = [str(path) for path in sorted(folder.rglob("*.parquet"))]
        spark.read.parquet(*files).createOrReplaceTempView("laps")
        found = spark.sql(reduction(folder)).toArrow()
    finally:
        spark.stop()
    assert_same_rows(found, expected)
