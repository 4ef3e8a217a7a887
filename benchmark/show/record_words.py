"""Lines of the record in words."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from benchmark.show.words import count_text

if TYPE_CHECKING:
    from benchmark.store.record import Line

ACTIONS: Mapping[str, str] = MappingProxyType(
    {
        "import": "took in a file",
        "accept": "accepted a submission",
        "refuse": "refused a submission",
        "withdraw": "took back a submission",
        "strike": "struck a lap",
        "unstrike": "put a lap back",
        "correct": "corrected a specification",
        "merge": "merged two names",
        "protest": "ruled on a protest period",
        "undo": "undid a line",
        "person": "gave a role",
        "settings": "changed a setting",
        "evidence": "added evidence",
        "restore": "restored a backup",
    }
)
Json = Mapping[str, Any]


def action_text(line: Line) -> str:
    """Say what was done, in two or three words."""
    return ACTIONS.get(line.action, line.action)


def about_text(line: Line) -> str:
    """Say what a line is about, and what it changed."""
    subject, before, after = (json.loads(text) for text in (line.subject, line.before, line.after))
    return ABOUT.get(line.action, _plain)(subject, before, after)


def _lap(subject: Json, _: Json, __: Json) -> str:
    names = ("build", "circuit", "layout", "date", "session")
    where = ", ".join(str(subject[name]) for name in names if name in subject)
    return f"{where}, run {subject.get('run', 1)}, lap {subject.get('lap', '?')}"


def _file(subject: Json, _: Json, after: Json) -> str:
    return f"{subject.get('file', '')}: {count_text(after.get('laps_added', 0), 'lap')} added"


def _accepted(subject: Json, before: Json, after: Json) -> str:
    whose = f"submission {subject.get('submission')} of {subject.get('by')}"
    return f"{whose}, {_file(subject, before, after)}"


def _submission(subject: Json, _: Json, __: Json) -> str:
    return f"submission {subject.get('submission')} of {subject.get('by')}: {subject.get('file')}"


def _correction(subject: Json, _: Json, after: Json) -> str:
    to = subject.get("to") or "the end"
    facts = ", ".join(f"{name} {value}" for name, value in (subject.get("set") or {}).items())
    days = f"from {subject.get('from')} to {to}"
    return f"{subject.get('build')}, {days}: {facts} ({count_text(after.get('runs', 0), 'run')})"


def _merge(subject: Json, _: Json, __: Json) -> str:
    kind, gone = next(iter(subject.items()))
    return f"{kind} {gone} into {subject.get('into')}"


def _protest(subject: Json, _: Json, after: Json) -> str:
    return f"{subject.get('circuit')}, {subject.get('date')}: {after.get('state')}"


def _undo(subject: Json, _: Json, __: Json) -> str:
    action = subject.get("action", "")
    return f"line {subject.get('line')} ({ACTIONS.get(action, action)})"


def _person(subject: Json, before: Json, after: Json) -> str:
    was = f", was {before['role']}" if before.get("role") else ""
    return f"{subject.get('person')} is {after.get('role')}{was}"


def _setting(subject: Json, before: Json, after: Json) -> str:
    return f"{subject.get('setting')}: {after.get('value')}, was {before.get('value')}"


def _restore(subject: Json, before: Json, _: Json) -> str:
    made = f"of {subject.get('made_at', '')}, SHA-256 {str(subject.get('backup', ''))[:12]}"
    lines = before.get("lines")
    was = f"; {lines} lines of record were there" if lines is not None else ""
    kept = f", kept in {before['kept_in']}" if before.get("kept_in") else ""
    return f"{made}{was}{kept}"


def _plain(subject: Json, _: Json, __: Json) -> str:
    return ", ".join(f"{name} {value}" for name, value in subject.items())


ABOUT: Mapping[str, Callable[[Json, Json, Json], str]] = MappingProxyType(
    {
        "import": _file,
        "accept": _accepted,
        "refuse": _submission,
        "withdraw": _submission,
        "strike": _lap,
        "unstrike": _lap,
        "correct": _correction,
        "merge": _merge,
        "protest": _protest,
        "undo": _undo,
        "person": _person,
        "settings": _setting,
        "restore": _restore,
    }
)
