"""What can go wrong, in one tree.

BenchmarkError            the input or the question was wrong: one sentence, exit 2
├── FaultyFile            a file that people handed in has faults; carries all of them
├── BadQuestion           an unknown circuit, layout, build, class or option value
├── BadValue              a text or number that cannot be what it should be; also a ValueError
├── NoStore               there is no store at that path yet
├── StoreBusy             another process holds the store
├── NoFit                 the store has laps, but nobody has fitted them
├── NotAllowed            the person's role does not allow this change of the store
├── FitStopped            somebody asked the running fit to stop
└── FitFailed             the laps cannot be fitted, or the fit did not converge

Anything else that is raised is a fault of this program (exit 1).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with one cell (or, where `row` is None, with the whole file).

    Row 1 is the first record after the header; blank lines are not counted.
    """

    file: str
    row: int | None
    column: str
    value: str
    message: str

    def __str__(self) -> str:
        """Write the fault as the line that people see: file, row, column, "value": message."""
        row = "row -" if self.row is None else f"row {self.row}"
        return f'{self.file}, {row}, {self.column}, "{self.value}": {self.message}'


class BenchmarkError(Exception):
    """The input or the question was wrong; the message says what, where and what to do."""


class FaultyFile(BenchmarkError):
    """A file that cannot be taken; nothing of it was kept."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class BadQuestion(BenchmarkError):
    """A question that names something the store does not know, or an illegal value."""

    @classmethod
    def unknown(cls, kind: str, name: str, known: Iterable[str]) -> BadQuestion:
        """Say that `name` is not a known `kind`, and offer the nearest known names."""
        choices = sorted(set(known))
        near = get_close_matches(name, choices, n=3, cutoff=0.5) or choices[:8]
        if not near:
            return cls(f'no {kind} "{name}": there is none yet')
        more = "" if len(choices) <= len(near) else f" ({len(choices)} in all)"
        return cls(f'no {kind} "{name}": did you mean {", ".join(near)}?{more}')


class BadValue(BenchmarkError, ValueError):
    """A text or number that cannot be what it should be: a lap of 1:62, 200 % humidity."""


class NoStore(BenchmarkError):
    """There is no store at that path yet."""


class StoreBusy(BenchmarkError):
    """Another process holds the store."""


class NoFit(BenchmarkError):
    """The store has not been fitted yet."""


class NotAllowed(BenchmarkError):
    """The role of whoever asked does not allow this change of the store; nothing was changed."""


class FitStopped(BenchmarkError):
    """Somebody asked the running fit to stop; nothing of it was kept."""


class FitFailed(BenchmarkError):
    """The laps cannot be fitted."""
