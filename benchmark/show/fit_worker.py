"""A fit in a process of its own: started from a page, it outlives the page.

The process runs this module: `python -m benchmark.show.fit_worker STORE [PERSON]`. It gives way to
the pages where the system lets it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchmark.errors import BenchmarkError, StoreBusy
from benchmark.show.fit_job import Job, ask_to_stop, latest, starting
from benchmark.store.store import Store

if TYPE_CHECKING:
    from benchmark.store.roles import SignIn

NICE = 10  # how far a fit stands behind the pages
_children: list[subprocess.Popen[bytes]] = []


@dataclass(frozen=True)
class Named:
    """The person who started a fit; its role is asked again when the fit is kept."""

    name: str | None

    def person(self) -> str | None:
        """Give the name."""
        return self.name


def start(db: Path, who: SignIn | None = None) -> None:
    """Start a fit of the store in a process of its own.

    Raises
    ------
    NotAllowed
        Whoever is signed in may not fit.
    StoreBusy
        A fit of this store is running, or another process holds the store.
    """
    with Store.open(db, who=who) as store:
        store.require("fit")
    person = who.person() if who is not None else None
    job = current(db)
    if job is not None and job.is_running:
        raise StoreBusy(f"{job.words()}; wait for its end, or stop it")
    command = [sys.executable, "-m", __name__, str(db.absolute()), *([person] if person else [])]
    nowhere = subprocess.DEVNULL
    starting(db)
    child = subprocess.Popen(  # noqa: S603 - our own command
        command, stdin=nowhere, stdout=nowhere, stderr=nowhere, start_new_session=True
    )
    _children.append(child)


def stop(db: Path, who: SignIn | None = None) -> None:
    """Ask the running fit to stop.

    Raises
    ------
    NotAllowed
        Whoever is signed in may not fit, nor stop a fit.
    """
    with Store.open(db, who=who) as store:
        store.require("fit")
    ask_to_stop(db)


def current(db: Path) -> Job | None:
    """Give the latest fit of the store, as `fit_job.latest`; ended processes are let go of."""
    _children[:] = [child for child in _children if child.poll() is None]
    return latest(db)


def main() -> None:
    """Fit the store that the command line names; the outcome stands in its file of progress."""
    from benchmark.show.fitting import fit_store

    db, person = Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else None
    with suppress(OSError, AttributeError):
        os.nice(NICE)
    try:
        fit_store(db, lambda *_: None, who=Named(person), quick_first=True)
    except BenchmarkError:
        sys.exit(2)


if __name__ == "__main__":
    main()
