"""`benchmark app`: the app on one store, on a laptop or served to a club."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchmark.commands.manner import HOST
from benchmark.commands.options import DEFAULT_DB, Db, Port

CLEAR = (
    "caution: passwords and laps cross the network in clear. Put a proxy with TLS before the app "
    "and name its address with --url https://..."
)


def app(
    port: Port = None,
    club: Annotated[
        bool, typer.Option("--club", help="Serve a club: people sign in, roles say who may what.")
    ] = False,
    read_only: Annotated[
        bool, typer.Option("--read-only", help="Serve it to be read; nobody can change anything.")
    ] = False,
    address: Annotated[
        str,
        typer.Option("--address", help="Where to listen; 0.0.0.0 is every network of the machine."),
    ] = HOST,
    url: Annotated[
        str,
        typer.Option(
            "--url",
            envvar="BENCHMARK_URL",
            metavar="URL",
            help="What people type, as in https://laps.example, where a proxy stands before it.",
        ),
    ] = "",
    provider: Annotated[
        Path | None,
        typer.Option("--provider", metavar="FILE", help="Sign-in by OpenID Connect: its TOML."),
    ] = None,
    db: Db = DEFAULT_DB,
) -> None:
    """Serve the app on the store and print its address."""
    from benchmark.commands.manner import is_local, manner
    from benchmark.commands.serving import serve
    from benchmark.store.served import CLUB

    how = manner(db, club=club, read_only=read_only, address=address, url=url, provider=provider)
    if how.served == CLUB and not club:
        typer.echo("people have roles in this store: it is served with sign-in", err=True)
    if how.served and not is_local(address) and not url.startswith("https:"):
        typer.echo(CLEAR, err=True)
    serve(db, port, how)
