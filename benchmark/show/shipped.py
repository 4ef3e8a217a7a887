"""Finding what ships with the package."""

from __future__ import annotations

from pathlib import Path

import benchmark


def shipped(name: str) -> Path:
    """Find a file or folder that ships beside the package (a checkout) or in it (a wheel).

    Raises
    ------
    FileNotFoundError
        Neither place holds it.
    """
    package = Path(benchmark.__file__).parent
    for place in (package / name, package.parent / name):
        if place.exists():
            return place
    raise FileNotFoundError(f"{name} is missing from this installation")
