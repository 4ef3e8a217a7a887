"""Taking in a lap file: its laps, its sheet and its line of the record, all or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import duckdb

from benchmark.intake.laptable import LapFile
from benchmark.store import adding, record, sheets
from benchmark.store.adding import Added
from benchmark.store.record import Entry, Json, Line
from benchmark.store.roles import Actor


@dataclass(frozen=True, slots=True)
class Taken:
    """What a file brought, and the line of the record that says so."""

    added: Added
    line: Line


def take_in(
    connection: duckdb.DuckDBPyConnection,
    actor: Actor,
    lap_file: LapFile,
    *,
    action: str = record.IMPORT,
    about: Json | None = None,
    reason: str = "",
    at: datetime | None = None,
    kept: str | None = None,
) -> Taken:
    """Take in a file, within the transaction that the caller holds.

    Parameters
    ----------
    action : `record.IMPORT`, or `record.ACCEPT` for a file that was handed in to a club.
    about : what else the line's subject says, such as the number of the submission.
    reason : why; an import needs none.
    at : when; now by default.
    kept : the digest of the sheet where it is kept elsewhere already, as in a replay. Packed anew
        by another version of the packer, or from other pieces, the same rows are other bytes.

    Raises
    ------
    FaultyFile
        The file has faults, or contradicts the store; each one is named.
    """
    at = (at or datetime.now(UTC)).astimezone(UTC).replace(microsecond=0)
    added = adding.look(connection, lap_file)
    import_id = adding.note_import(
        connection, lap_file.name, lap_file.sha256, added, at.replace(tzinfo=None)
    )
    digest = None  # a file that was taken in before and brings nothing needs no sheet
    if added.laps_added or added.facts_added or not adding.is_known(connection, import_id):
        digest = kept or sheets.keep(connection, import_id, lap_file.runs, lap_file.run_laps)
    subject = {
        "import": import_id,
        "file": lap_file.name,
        "sha256": lap_file.sha256,
        "repeated": lap_file.repeated,
        **(about or {}),
    }
    after = {
        "laps_added": added.laps_added,
        "laps_already_there": added.laps_already_there,
        "facts_added": added.facts_added,
        "rounded": added.rounded,
        "columns_not_used": added.ignored_columns,
        "sheet": digest,
    }
    line = record.append(connection, actor, Entry(action, subject, reason, {}, after), at)
    adding.insert(connection, added, import_id, line.number)
    return Taken(added, line)
