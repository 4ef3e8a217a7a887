"""Kept claims as a table: what each verdict was, and what it is now."""

from __future__ import annotations

import pandas as pd

from benchmark.show.claiming import Recheck
from benchmark.show.output import Column
from benchmark.show.words import lap_text, place_text

FIELDS = (
    "claim_no",
    "kept_at",
    "build",
    "circuit",
    "layout",
    "lap_time_s",
    "scope",
    "first_verdict",
    "last_verdict",
    "verdict",
    "changed",
    "checks",
    "evidence_sha256",
    "data_version",
    "fit",
    "answer",
)


def recheck_frame(checks: list[Recheck]) -> pd.DataFrame:
    """One row a kept claim, oldest first."""
    rows = [
        (
            one.kept.claim_no,
            one.kept.kept_at,
            one.answer.case.build,
            *one.answer.case.where,
            one.answer.case.lap_time_s,
            one.claim.scope,
            one.first.verdict,
            one.last.verdict,
            one.answer.verdict,
            one.changed,
            len(one.kept.checks),
            one.kept.evidence_sha256,
            one.answer.data_version,
            one.answer.basis["fit"],
            one.answer.sentence,
        )
        for one in checks
    ]
    return pd.DataFrame(rows, columns=list(FIELDS))


def recheck_columns(frame: pd.DataFrame) -> list[Column]:
    """Give the table that people read."""
    rows = frame.to_dict("records")
    return [
        Column("No.", [str(row["claim_no"]) for row in rows], right=True),
        Column("Kept at (UTC)", [str(row["kept_at"])[:16] for row in rows]),
        Column("Car", [str(row["build"]) for row in rows]),
        Column("Where", [place_text(row["circuit"], row["layout"]) for row in rows]),
        Column("Lap", [lap_text(row["lap_time_s"]) for row in rows], right=True),
        Column("Scope", [str(row["scope"]) for row in rows]),
        Column("Verdict when kept", [str(row["first_verdict"]) for row in rows]),
        Column("Verdict now", [str(row["verdict"]) for row in rows]),
        Column("Change", [_change(row["last_verdict"], row["verdict"]) for row in rows]),
    ]


def _change(last: str, now: str) -> str:
    return "none" if last == now else f"was {last}, is {now}"
