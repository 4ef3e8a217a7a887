"""How the app is served: alone on a laptop, to a club, or to be read only."""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from urllib.parse import urlsplit

from benchmark.store.served import is_for_a_club, is_read_only

PUBLIC_URL = "BENCHMARK_URL"


@dataclass(frozen=True, slots=True)
class Serving:
    """What the app was started with.

    `url` is the address that people type, where a proxy stands before the app; `https` says that
    browsers reach it by TLS.
    """

    db: Path
    club: bool = False
    read_only: bool = False
    url: str = ""

    @property
    def https(self) -> bool:
        """Tell whether browsers reach the app by TLS."""
        return self.url.startswith("https:")

    @property
    def host(self) -> str:
        """Give the host that people type, with its port where there is one."""
        return urlsplit(self.url).netloc


def serving() -> Serving:
    """Read how the app was started; the store is `--db`, else BENCHMARK_DB, else laps.duckdb."""
    db = Path(_named(tuple(sys.argv[1:])) or os.environ.get("BENCHMARK_DB") or "laps.duckdb")
    url = os.environ.get(PUBLIC_URL, "")
    return Serving(db, club=is_for_a_club(), read_only=is_read_only(), url=url)


@lru_cache
def _named(arguments: tuple[str, ...]) -> str | None:
    """Read the store's name from the arguments; a page asks dozens of times."""
    parser = argparse.ArgumentParser(add_help=False, allow_abbrev=False)
    parser.add_argument("--db")
    named: str | None = parser.parse_known_args(arguments)[0].db
    return named
