"""A claim as JSON text and back, so that it can be kept and checked again the same way."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from benchmark.answers.claim_case import Claim
from benchmark.answers.claim_rules import Finding
from benchmark.answers.claim_trace import TraceEvidence


def claim_to_text(claim: Claim) -> str:
    """Write a claim as JSON; the same claim gives the same text."""
    return json.dumps(asdict(claim), ensure_ascii=False, sort_keys=True)


def claim_from_text(text: str) -> Claim:
    """Undo `claim_to_text`."""
    data: dict[str, Any] = json.loads(text)
    if data["trace"] is not None:
        findings = tuple(Finding(**finding) for finding in data["trace"].pop("findings"))
        data["trace"] = TraceEvidence(findings=findings, **data["trace"])
    return Claim(**data)
