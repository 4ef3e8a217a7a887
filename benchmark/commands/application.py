"""`benchmark app`: the app on one store."""

from __future__ import annotations

from benchmark.commands.options import DEFAULT_DB, Db, Port


def app(port: Port = None, db: Db = DEFAULT_DB) -> None:
    """Serve the app on the store and print its address."""
    from benchmark.commands.serving import serve

    serve(db, port)
