"""Failed sign-ins make the next one wait: longer and longer, and never for good.

A stranger must not guess fast, and must not shut anybody out either. Failures are counted

- for a name from one address: from the sixth on it waits;
- for an address, whatever the names: from the thirty-first on (a club shares one address);
- for a name from all addresses: from the hundred and first on, where one address counts for at most
  ten, so that it takes more than ten addresses; 100 is the limit of NIST SP 800-63B, section 5.2.2
  of revision 3 (from memory);
- in a browser in which that person has signed in before: by itself and by nothing else. Whatever
  strangers do elsewhere, it still lets its person in. (The idea of such device cookies is common
  practice.)

A wait doubles from one second to a quarter of an hour. A day without a failure forgets it. Counted
is before the password is looked at, so that many attempts at once gain nothing.
"""

from __future__ import annotations

import sqlite3
from ipaddress import IPv6Address, ip_address, ip_network

FREE = {"device": 5, "pair": 5, "address": 30, "name": 100}
COUNTED_A_PAIR = 10
LONGEST_WAIT_S = 900.0
FORGOTTEN_AFTER_S = 86_400.0
MOST_ROWS = 20_000  # the oldest make room: a stranger can invent names without end


def wait_s(kind: str, count: int) -> float:
    """Give how long to wait after that many failures of a kind. [s]"""
    over = count - FREE[kind]
    return 0.0 if over <= 0 else min(2.0 ** min(over - 1, 20), LONGEST_WAIT_S)


def network_of(address: str) -> str:
    """Give what counts as one address: an IPv6 network of 64 bits, else the address itself."""
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(found, IPv6Address):
        mapped = found.ipv4_mapped
        return str(mapped or ip_network((int(found) >> 64 << 64, 64)))
    return str(found)


def counters(key: str, address: str, device: str | None) -> list[str]:
    """Name the counters of an attempt; `device` is the digest of a browser that is known."""
    if device is not None:
        return [f"device:{device}"]
    network = network_of(address)
    return [f"pair:{network} {key}", f"address:{network}", f"name:{key}"]


def count_attempt(connection: sqlite3.Connection, names: list[str], now: float) -> float:
    """Count an attempt as failed, or where one still has to wait give how long, uncounted. [s]"""
    marks = ", ".join("?" * len(names))
    rows = connection.execute(
        f"select what, count, last_at, until from failure where what in ({marks})", names
    ).fetchall()
    wait = max((until - now for *_, until in rows), default=0.0)
    if wait > 0:
        return min(wait, LONGEST_WAIT_S)  # a clock that was set back must not add to it
    counts = {what: count for what, count, last_at, _ in rows if now - last_at < FORGOTTEN_AFTER_S}
    beyond = counts.get(names[0], 0) >= COUNTED_A_PAIR
    for name in names:
        kind = name.partition(":")[0]
        if kind == "name" and beyond:
            continue
        count = counts.get(name, 0) + 1
        values = (name, count, now, now + wait_s(kind, count))
        connection.execute("insert or replace into failure values (?, ?, ?, ?)", values)
    _make_room(connection, now)
    return 0.0


def take_back(connection: sqlite3.Connection, names: list[str]) -> None:
    """Take back an attempt that was right, and forget failures of its name from there.

    The address keeps its other failures: else whoever has an account could guess on from there.
    """
    for name in names:
        if name.startswith(("device:", "pair:")):
            connection.execute("delete from failure where what = ?", (name,))
        else:
            connection.execute(
                "update failure set count = max(count - 1, 0), until = 0 where what = ?", (name,)
            )


def forget(connection: sqlite3.Connection, key: str) -> None:
    """Forget the failures of a name, whose password is now another."""
    connection.execute(
        "delete from failure where what = ? or (what like 'pair:%' and substr(what, -?) = ?)",
        (f"name:{key}", len(key) + 1, f" {key}"),
    )


def _make_room(connection: sqlite3.Connection, now: float) -> None:
    connection.execute("delete from failure where last_at < ?", (now - FORGOTTEN_AFTER_S,))
    rows = connection.execute("select count(*) from failure").fetchone()[0]
    if rows > MOST_ROWS:
        connection.execute(
            """
            delete from failure where what in (
                select what from failure order by count, last_at limit ?
            )
            """,
            (rows - MOST_ROWS + MOST_ROWS // 10,),
        )
