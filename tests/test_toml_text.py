"""TOML that nobody would write is refused at once, wherever a stranger can send some."""

from __future__ import annotations

import time

import pytest

from benchmark.errors import FaultyFile
from benchmark.intake.mapping import parse_mapping
from benchmark.intake.rules import parse_rules

HOSTILE = {
    "nested lists": ("a = [\n" + "[[[[[\n" * 600, "within each other"),
    "nested tables": (".".join("a" * 900) + " = 1", "within each other"),
    "nested values": ("a = " + "{a = " * 100 + "1" + "}" * 100, "within each other"),
    "a long number": ("a = 1" + "0" * 100, "number that is too long"),
    "a number that Python cannot write": ("b = 0x" + "f" * 1_980, "number that is too long"),
    "a key of fifty thousand parts": (".".join("a" * 50_000) + " = 1", "line 1 has 100,003"),
    "a large text": ("# remark\n" * 30_000, "is larger than 200,000 characters"),
}


@pytest.mark.parametrize(("text", "why"), HOSTILE.values(), ids=HOSTILE)
@pytest.mark.parametrize("read", [parse_rules, parse_mapping])
def test_what_nobody_would_write_is_a_fault_within_a_second(read, text, why):
    start = time.process_time()
    with pytest.raises(FaultyFile, match=why):
        read(text, "sent.toml")
    assert time.process_time() - start < 1.0


def test_a_key_of_as_many_parts_as_a_line_has_room_for_costs_little():
    """A text has room for a hundred such lines."""
    start = time.process_time()
    with pytest.raises(FaultyFile, match="within each other"):
        parse_rules(".".join("a" * 990) + " = 1", "sent.toml")
    assert time.process_time() - start < 0.5
