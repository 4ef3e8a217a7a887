"""Serving the app as a child process, and finding what ships with the package."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from types import FrameType

import typer

import benchmark
from benchmark.errors import BadQuestion

HOST = "127.0.0.1"
FIRST_PORT, PORTS_TRIED = 8501, 50
START_LIMIT_S = 60.0


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


def free_port(wanted: int | None) -> int:
    """Give the wanted port, or the first free one from 8501 on.

    Raises
    ------
    BadQuestion
        The wanted port is taken, or all of those tried are.
    """
    tried = [wanted] if wanted else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED)
    for port in tried:
        if _is_free(port):
            return port
    what = f"port {wanted} is" if wanted else f"the ports from {FIRST_PORT} on are"
    raise BadQuestion(f"{what} taken: name a free one with `--port`")


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError:
            return False
    return True


def serve(db: Path, port: int | None) -> None:
    """Serve the app on the store, print its address, and stay until it is stopped.

    Raises
    ------
    BadQuestion
        The port is taken.
    RuntimeError
        The app ended by itself.
    """
    number = free_port(port)
    command = [sys.executable, "-m", "streamlit", "run", str(shipped("app.py"))]
    command += ["--server.port", str(number), "--", "--db", str(db.absolute())]
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)  # noqa: S603 - our own command
    signal.signal(signal.SIGTERM, _stop)
    try:
        _wait_until_up(child, number)
        address = f"http://{HOST}:{number}"
        typer.echo(f"the app is at {address} (Ctrl-C stops it)")
        sys.stdout.flush()
        child.wait()
    finally:
        child.terminate()
        child.wait()
    raise RuntimeError(f"the app ended by itself with code {child.returncode}")


def _stop(_number: int, _frame: FrameType | None) -> None:
    """End as Ctrl-C does, so that the app never outlives the command that serves it."""
    raise KeyboardInterrupt


def _wait_until_up(child: subprocess.Popen[bytes], port: int) -> None:
    limit = time.monotonic() + START_LIMIT_S
    while not _answers(port):
        if child.poll() is not None or time.monotonic() > limit:
            raise RuntimeError("the app did not start; its own messages stand above")
        time.sleep(0.1)


def _answers(port: int) -> bool:
    """Ask the app itself, past any proxy that the environment names."""
    connection = HTTPConnection(HOST, port, timeout=2)
    try:
        connection.request("GET", "/_stcore/health")
        return connection.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()
