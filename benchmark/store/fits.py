"""The fits of a store: how one is kept, and the one that was kept last."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from benchmark.errors import BenchmarkError, NoFit
from benchmark.store import kept_fits

if TYPE_CHECKING:
    from benchmark.model.fit import Fit, Told

FITS_KEPT = 5  # the latest ones; a fit of a season is some megabytes


@dataclass(frozen=True, slots=True)
class Prepared:
    """A fit about to be kept: its row of table `fit` after the number, and its file, if large."""

    row: tuple[object, ...]
    digest: str
    draft: kept_fits.Draft | None


def prepare(path: Path, fit: Fit) -> Prepared:
    """Write a fit out: into bytes, or, a large one, into a file beside the store."""
    if fit.is_large:
        return written(fit, kept_fits.write_draft(path, fit, {}))
    body = fit.to_bytes()
    digest = hashlib.sha256(body).hexdigest()
    return Prepared((*_told(fit), digest, body), digest, None)


def written(fit: Told, draft: kept_fits.Draft) -> Prepared:
    """Give a fit that was written beside the store before."""
    return Prepared((*_told(fit), draft.digest, b""), draft.digest, draft)


def _told(fit: Told) -> tuple[object, ...]:
    return fit.fit_id, fit.created, fit.mode, fit.data_version, fit.laps_used


def keep(connection: duckdb.DuckDBPyConnection, path: Path, fit: Prepared) -> None:
    """Keep a fit, within a transaction; the same one again changes nothing.

    The latest `FITS_KEPT` stay, of those by regions, which may take many gigabytes, the last one
    alone, and those that a check of a kept claim names.
    """
    if fit.draft is not None:
        kept_fits.settle(path, fit.draft)
    connection.execute(
        """
        insert into fit
        select (select coalesce(max(fit_no), 0) from fit) + 1, ?, ?, ?, ?, ?, ?, ?
        where ? not in (select digest from fit)
        """,
        [*fit.row, fit.digest],
    )
    large = kept_fits.by_region(path) if fit.draft is not None and fit.draft.by_region else set()
    connection.execute(
        """
        delete from fit
        where fit_id not in (select fit_id from claim_check)
            and (fit_no <= (select max(fit_no) from fit) - ? or list_contains(?, digest))
        """,
        [FITS_KEPT, sorted(large - {fit.digest})],
    )


def digests(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """Give the digests of all fits that are kept."""
    return {name for (name,) in connection.execute("select digest from fit").fetchall()}


def latest(connection: duckdb.DuckDBPyConnection, path: Path, columns: str) -> Any:
    """Give a column of the fit that was kept last, or several as one tuple.

    Raises
    ------
    NoFit
        Nothing has been fitted yet.
    """
    query = f"select {columns} from fit order by fit_no desc limit 1"
    rows = connection.execute(query).fetchall()
    if not rows:
        raise NoFit(f"no fit in {path} yet: run `benchmark fit --db {path}`")
    return rows[0][0] if len(rows[0]) == 1 else rows[0]


def latest_body(connection: duckdb.DuckDBPyConnection, path: Path) -> bytes:
    """Give the body of the fit that was kept last; none where it lies beside the store.

    Raises
    ------
    NoFit
        As `latest`.
    BenchmarkError
        The body is not the one that its digest is of.
    """
    body, digest = latest(connection, path, "body, digest")
    if body and hashlib.sha256(body).hexdigest() != digest:
        raise BenchmarkError(f"the fit in {path} is damaged: run `benchmark fit` again")
    return bytes(body)
