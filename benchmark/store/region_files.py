"""Where the fits of regions lie: in a folder beside the file that tells of them, named like it."""

from __future__ import annotations

from pathlib import Path

REGIONS = ".regions"
REGIONS_HEAD = "head of regions"  # an array that no other file of a fit has


def folder_of_regions(path: Path) -> Path:
    """Give the folder of the fits of regions that the file of a fit tells of."""
    return path.with_name(f"{path.name}{REGIONS}")
