"""Damaged traces end in a sentence or in a result, never in a traceback."""

from __future__ import annotations

import random

import numpy as np
import pytest

from benchmark.errors import BenchmarkError
from benchmark.intake.trace import find_laps, parse_trace, propose_line
from benchmark.intake.trace_check import check_trace
from tests.drive import drive, gpx, nmea, observe

pytestmark = pytest.mark.slow

MUTATIONS = 1_040
BATCHES = 8
NASTY = (
    *(b"", b"-", b"0", b"90", b"-90.0", b"180", b"nan", b"1e99", b"9" * 400, b"\x00", b"\xff\xfe"),
    *(b"<", b"]]>", b"&a;", b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"</trkseg><trkseg>", b"<trkpt/>"),
    *(b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-14:00", b"1970-01-01T00:00:00Z"),
    *(b"235960", b"311299", b"V", b"$", b"*", b",", b",,,,,,,,", b"\r\n", b"\n\n"),
)


@pytest.fixture(scope="module")
def honest() -> list[bytes]:
    rng = np.random.default_rng(1)
    trace = observe(drive(2, rng), 0.4, rng, sigma_m=0.5)
    return [gpx(trace, hdop="0.9").encode(), nmea(trace).encode()]


def mutated(data: bytes, chance: random.Random) -> bytes:
    """Damage a file in one to thirty places."""
    for _ in range(chance.choice((1, 1, 2, 5, 30))):
        data = _once(data, chance)
    return data


def _once(data: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(data) + 1)
    size = chance.choice((1, 8, 60, 600))
    before, after = data[:at], data[at:]
    return chance.choice(
        (
            before + bytes([chance.randrange(256)]) + after[1:],
            before + bytes([chance.randrange(48, 58)]) + after[1:],
            before + after[size:],
            before + chance.choice(NASTY) + after,
            before + chance.choice(NASTY) + after[size:],
            before + after[:size] + after,
            before if chance.random() < 0.1 else data,
        )
    )


def walk(data: bytes) -> int:
    """The whole road of a trace; returns how many laps were found."""
    trace = parse_trace("drive", data)
    laps = find_laps(trace, propose_line(trace))
    check = check_trace(trace, laps, expected_length_m=2431.0, claimed_s=70.0)
    assert all(finding.detail for finding in check.findings)
    return len(laps)


@pytest.mark.parametrize("batch", range(BATCHES))
def test_a_damaged_trace_never_ends_in_a_traceback(batch, honest):
    chance = random.Random(batch)
    refusals = []
    for _ in range(MUTATIONS // BATCHES):
        data = mutated(chance.choice(honest), chance)
        try:
            walk(data)
        except BenchmarkError as error:
            refusals.append(str(error))
    assert all(refusal.startswith("drive, row ") for refusal in refusals)
    assert 10 < len(refusals) < MUTATIONS // BATCHES - 10  # both ends are reached


def test_undamaged_the_same_files_give_laps(honest):
    assert [walk(data) for data in honest] == [2, 2]
