"""Serving the app as a child process."""

from __future__ import annotations

import errno
import os
import signal
import socket
import subprocess
import sys
import time
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from types import FrameType
from urllib.parse import urlsplit

import typer

import benchmark.show
from benchmark.commands.manner import HOST, LAPTOP, LOCAL_HOSTS, Manner, is_local
from benchmark.errors import BadQuestion

SERVER = Path(benchmark.show.__file__).parent / "server.py"
FIRST_PORT, PORTS_TRIED = 8501, 50
START_LIMIT_S = 60.0
END_LIMIT_S = 5.0  # a store is whole after a kill at any moment
NOT_OURS = (errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT)
# Served to others: each of these is also the default today, or the tighter choice. Said here, no
# file or environment variable on the machine can loosen it.
SERVED_SETTINGS: dict[str, str | int] = {
    "server.enableCORS": "true",  # protection against other sites' pages, whatever the name says
    "server.enableXsrfProtection": "true",
    "server.xsrfCookieSameSite": "strict",
    "server.maxUploadSize": 50,  # MB
    "server.maxMessageSize": 50,  # MB
    "server.fileWatcherType": "none",
    "server.runOnSave": "false",
    "server.enableStaticServing": "false",
    "server.enableAgentApi": "false",
    "server.trustedUserHeaders": "{}",
    "server.headless": "true",
    "browser.gatherUsageStats": "false",
    "client.showErrorDetails": "none",
    "client.showErrorLinks": "false",
    "client.toolbarMode": "viewer",
    "global.developmentMode": "false",
}


def free_port(wanted: int | None, address: str = HOST) -> int:
    """Give the wanted port, or the first free one from 8501 on.

    Raises
    ------
    BadQuestion
        The wanted port is taken, or all of those tried are, or the address is none of this machine.
    """
    tried = [wanted] if wanted else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED)
    for port in tried:
        if _is_free(port, address):
            return port
    what = f"port {wanted} is" if wanted else f"the ports from {FIRST_PORT} on are"
    raise BadQuestion(f"{what} taken: name a free one with `--port`")


def _is_free(port: int, address: str) -> bool:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            if error.errno in NOT_OURS or isinstance(error, socket.gaierror):
                raise BadQuestion(f"{address} is no address of this machine") from error
            return False
    return True


def serve(db: Path, port: int | None, how: Manner = LAPTOP) -> None:
    """Serve the app on the store, print its address, and stay until it is stopped.

    Raises
    ------
    BadQuestion
        The port is taken.
    RuntimeError
        The app ended by itself.
    """
    number = free_port(port, how.address)
    command = [sys.executable, "-m", "streamlit", "run", str(SERVER)]
    command += [*settings(number, how), "--", "--db", str(db.absolute())]
    child = subprocess.Popen(  # noqa: S603 - our own command
        command,
        stdout=subprocess.DEVNULL,
        env={**os.environ, **how.environment()},
        umask=_mask() if how.served else -1,
    )
    signal.signal(signal.SIGTERM, _stop)
    try:
        _wait_until_up(child, number, how)
        typer.echo(f"the app is at {how.shown(number)} (Ctrl-C stops it)")
        sys.stdout.flush()
        child.wait()
    finally:
        _end(child)
    raise RuntimeError(f"the app ended by itself with code {child.returncode}")


def _end(child: subprocess.Popen[bytes]) -> None:
    """End the app; one that is still busy after a while is not waited for."""
    child.terminate()
    try:
        child.wait(END_LIMIT_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def settings(port: int, how: Manner) -> list[str]:
    """Give the options of the server; they win over its file and over the environment."""
    options: dict[str, str | int] = {
        "server.port": port,
        "server.address": how.address,
        # A whole collection after each page took five times as long as the page, and stopped all
        # others meanwhile. Python's own collections go on.
        "runner.postScriptGC": "false",
        # A grid's own download writes `=cmd` as it stands; ours neutralise what would be a formula.
        "client.disableDataExport": "true",
    }
    if how.served:
        options |= SERVED_SETTINGS
    if how.url:
        hosts = [urlsplit(how.url).hostname or "", *LOCAL_HOSTS]
        options["server.corsAllowedOrigins"] = how.url
    elif is_local(how.address):
        hosts = LOCAL_HOSTS
    else:
        hosts = []  # by whatever name the network knows this machine
    found = [text for name, value in options.items() for text in (f"--{name}", str(value))]
    found += [text for host in hosts for text in ("--server.allowedHosts", host)]
    if how.provider is not None:
        found += ["--secrets.files", str(how.provider.absolute())]
    return found


def _mask() -> int:
    """Give the mask of this process, less for others: DuckDB's log holds what is handed in."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask | 0o007


def _stop(_number: int, _frame: FrameType | None) -> None:
    """End as Ctrl-C does, so that the app never outlives the command that serves it."""
    raise KeyboardInterrupt


def _wait_until_up(child: subprocess.Popen[bytes], port: int, how: Manner) -> None:
    limit = time.monotonic() + START_LIMIT_S
    host = {"0.0.0.0": HOST, "::": "::1"}.get(how.address, how.address)  # noqa: S104 - compared only
    while not _answers(host, port):
        if child.poll() is not None or time.monotonic() > limit:
            raise RuntimeError("the app did not start; its own messages stand above")
        time.sleep(0.1)


def _answers(host: str, port: int) -> bool:
    """Ask the app itself, past any proxy that the environment names."""
    connection = HTTPConnection(host, port, timeout=2)
    try:
        connection.request("GET", "/_stcore/health")
        return connection.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()
