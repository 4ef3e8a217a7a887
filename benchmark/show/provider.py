"""The file that names an OpenID Connect provider: what it must hold, and which providers it names.

It is Streamlit's secrets file, a TOML with a table `[auth]`; Streamlit does the signing in.
"""

from __future__ import annotations

import tomllib
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from benchmark.errors import BadQuestion

OF_A_PROVIDER = ("client_id", "client_secret", "server_metadata_url")
SHORTEST_SECRET = 32  # characters; RFC 7518, section 3.2: a key as long as its hash (256 bits)
LOCAL = ("127.0.0.1", "localhost", "::1")


def providers(path: Path) -> list[str | None]:
    """Give the names of the providers; None is the one that `[auth]` itself describes.

    Raises
    ------
    BadQuestion
        The file cannot be read, something is missing in it, or Authlib is not installed.
    """
    auth = _auth(path)
    callback = str(auth.get("redirect_uri", ""))
    if not _is_safe(callback) or not callback.endswith("/oauth2callback"):
        raise BadQuestion(
            f'{path}, [auth], redirect_uri "{callback}": write the address of the app and '
            "/oauth2callback, as in https://laps.example/oauth2callback"
        )
    if len(str(auth.get("cookie_secret", ""))) < SHORTEST_SECRET:
        raise BadQuestion(
            f"{path}, [auth], cookie_secret: write at least {SHORTEST_SECRET} random characters"
        )
    tables = {name: table for name, table in auth.items() if isinstance(table, dict)}
    found: list[str | None] = [name for name in tables if "client_id" in tables[name]]
    if "client_id" in auth:
        found.insert(0, None)
    if not found:
        raise BadQuestion(f"{path}, [auth]: names no provider; write {', '.join(OF_A_PROVIDER)}")
    for name in found:
        _check(path, name, tables[name] if name else auth)
    if find_spec("authlib") is None:
        raise BadQuestion("sign-in by a provider needs Authlib: pip install 'benchmark[provider]'")
    return found


def _auth(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
        auth = tomllib.loads(text).get("auth")
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadQuestion(f"{path} cannot be read: {error}") from error
    if not isinstance(auth, dict):
        raise BadQuestion(f"{path} has no table [auth]: README.md shows one")
    return auth


def _check(path: Path, name: str | None, table: dict[str, Any]) -> None:
    where = f"{path}, [auth{f'.{name}' if name else ''}]"
    if name and "_" in name:
        raise BadQuestion(f"{where}: name the provider without an underscore")
    for key in OF_A_PROVIDER:
        if not isinstance(table.get(key), str) or not table[key]:
            raise BadQuestion(f"{where}, {key}: is missing; the provider gives it to you")
    if not _is_safe(table["server_metadata_url"]):
        raise BadQuestion(f"{where}, server_metadata_url: must begin with https://")


def _is_safe(url: str) -> bool:
    parts = urlsplit(url)
    local = parts.scheme == "http" and parts.hostname in LOCAL
    return bool(parts.hostname) and (parts.scheme == "https" or local)
