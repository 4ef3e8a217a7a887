"""Opening a store of whatever version: an older one is backed up and brought up to date first."""

from __future__ import annotations

import logging
import os
from pathlib import Path

from benchmark.errors import BenchmarkError
from benchmark.store import backup, migrate, opening
from benchmark.store.served import is_read_only

LOG = logging.getLogger(__name__)


def open_writer(path: Path, patience_s: float, *, create: bool) -> opening.Opened:
    """Open a store to be written (`create` makes one), brought to this program's schema.

    Raises
    ------
    NoStore, StoreBusy, BenchmarkError, NotAllowed
        As `Store.open`.
    """
    opened = opening.open_writer(path, migrate.new_store if create else None, patience_s=patience_s)
    try:
        version = migrate.version_of(opened.connection, path)
        if version < migrate.VERSION:
            kept = _keep_older(path, opened, version)
            migrate.migrate(opened.connection, version)
            LOG.warning(
                "%s was brought from schema %d to %d%s", path, version, migrate.VERSION, kept
            )
    except BaseException:
        opened.close()
        raise
    return opened


def _keep_older(path: Path, opened: opening.Opened, version: int) -> str:
    """Back up a store before it is brought to a newer schema; an empty file needs none."""
    if not version:
        return ""
    made = backup.back_up_held(path, opened, f"before-schema-{migrate.VERSION}")
    return f"; as it was, it is kept in {made.path}"


def open_reader(path: Path, patience_s: float) -> opening.Opened:
    """Open a store to be read; an older one is brought to this program's schema before.

    Raises
    ------
    NoStore, StoreBusy, BenchmarkError
        As `Store.open`.
    """
    opened = opening.open_reader(path, patience_s)
    try:
        version = migrate.version_of(opened.connection, path)
    except BaseException:
        opened.close()
        raise
    if version == migrate.VERSION:
        return opened
    opened.close()
    if is_read_only():
        raise BenchmarkError(
            f"{path} was made by an older program (schema {version}, this one needs "
            f"{migrate.VERSION}): start the app anew, and it is brought up to date"
        )
    if not all(os.access(needed, os.W_OK) for needed in (path, path.parent)):
        raise BenchmarkError(
            f"{path} was made by an older program (schema {version}, this one needs "
            f"{migrate.VERSION}) and may not be written to: copy it to a folder of yours"
        )
    open_writer(path, patience_s, create=False).close()
    return opening.open_reader(path, patience_s)
