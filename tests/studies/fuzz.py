"""Fuzzing the door: mutated lap tables, mappings, rules files, traces and pasted laps.

Each case takes an honest file, damages it in one to thirty places, and walks the whole road: a
table into a store, a mapping read and used, rules read, a trace searched for laps, laps read from
text. What may come of it is a result or a `BenchmarkError`; never another exception, and never a
store that holds part of a file: after a refusal it has the fingerprint that it had before, after an
import it has gained exactly the laps that the import said.

`python -m tests.studies.fuzz --cases 2000 [--seed N]`

2026-11-26, two cores that other work shared, 233 s of one processor: 2,004 cases, none bad, run as
`--cases 672`, `--cases 672 --seed 672` and `--cases 660 --seed 1344` side by side.

| kind | taken | refused |
| --- | --- | --- |
| lap table | 14 | 320 |
| mapping | 24 | 310 |
| sheet through a mapping | 13 | 321 |
| rules | 91 | 243 |
| trace | 214 | 120 |
| pasted laps | 238 | 96 |
"""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmark.errors import BenchmarkError
from benchmark.intake.laptable import read_lap_table
from benchmark.intake.mapped import read_mapped
from benchmark.intake.mapping import parse_mapping
from benchmark.intake.outing import from_pasted, make_outing
from benchmark.intake.pasted import read_pasted
from benchmark.intake.rules import parse_rules
from benchmark.intake.slow_laps import propose_slow
from benchmark.intake.trace import find_laps, parse_trace, propose_line
from benchmark.intake.trace_check import check_trace
from benchmark.store.store import Store
from tests.drive import drive, gpx, nmea, observe

DATASETS = Path(__file__).parents[2] / "datasets"
HEAD = (
    "circuit,layout,date,session,start_time,model,build,driver,mod_engine,tyre_category,air_temp_c,"
    "pressure_hpa,surface,run,lap,lap_time,lap_kind,timing,evidence\n"
)
ROW = (
    "Quillmoor,full,2025-04-12,S{0},09:30,Corvane GT,Blue Heron,A. Marsh,1,sport,18.5,1003,dry,1,"
    "{1},1:0{1}.345,timed,beam,sheet.pdf\n"
)
TABLE = HEAD + "".join(ROW.format(session, lap) for session in (1, 2) for lap in range(1, 6))
MAPPING = """delimiter = ";"
date_format = "D.M.YYYY"
[columns]
date = "Tag"
lap = 2
lap_time = "Zeit"
air_temp_c = "Luft"
tyre_category = "Reifen"
[fixed]
circuit = "Quillmoor"
session = "S1"
model = "Corvane GT"
build = "Blue Heron"
driver = "A. Marsh"
[units]
air_temp_c = "°F"
[values.tyre_category]
"Semi" = "semi-slick"
"""
SHEET = "Tag;Nr;Zeit;Luft;Reifen\n" + "".join(
    f"13.4.2025;{lap};1'0{lap}\"345;68;Semi\n" for lap in range(1, 6)
)
PASTED = "Session 1\nout 2:10.3\n1:46.308\n1:45,9 new tyres\n1'46\"100; L5: 106.2\n2:20 in\n"
FACTS = {
    "circuit": "Quillmoor",
    "date": "2025-06-01",
    "session": "S1",
    "model": "Corvane GT",
    "build": "Blue Heron",
    "tyre_category": "sport",
}
NASTY = (
    *(b"", b"\x00", b"\xff\xfe", b"\xed\xa0\x80", b"\xe2\x80\xae", b"\xf0\x9f\x8f\x81", b"'" * 9),
    *(b'"', b'""', b",", b";", b"\t", b"\n", b"\r", b"\r\n\r\n", b"=cmd|'/c'!A1", b"@", b"-", b"+"),
    *(b"0", b"-1", b"9" * 40, b"1e308", b"nan", b"inf", b"1e-400", b"0x10", b"1_000", b"60"),
    *(b"9999-12-31", b"0000-00-00", b"24:00", b"1:60.0", b"1.46", b"1,46,3", b"12", b"out in"),
    *(b"[", b"]", b"{", b"}", b"=", b"[[", b"#", b"true", b"columns", b"<!DOCTYPE a>", b"&a;"),
    *(
        b"PK\x03\x04",
        b"\x1f\x8b",
        b"PAR1",
        b"'; drop table lap; --",
        b"../..",
        b"{0}%s",
        b"x" * 999,
    ),
)


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Damage bytes in one to thirty places."""
    for _ in range(chance.choice((1, 1, 2, 3, 8, 30))):
        at = chance.randrange(len(data) + 1)
        size = chance.choice((1, 4, 30, 300))
        before, after = data[:at], data[at:]
        data = chance.choice(
            (
                before + bytes([chance.randrange(256)]) + after[1:],
                before + bytes([chance.randrange(32, 127)]) + after[1:],
                before + after[size:],
                before + chance.choice(NASTY) + after,
                before + chance.choice(NASTY) + after[size:],
                before + after[:size] + after,
                _other_cell(data, chance),
                _other_digit(data, chance),
                _other_digit(data, chance),
            )
        )
    return data


def _other_cell(data: bytes, chance: random.Random) -> bytes:
    """Put one cell or line in the place of another."""
    mark = chance.choice((b",", b";", b"\n", b"<"))
    cells = data.split(mark)
    cells[chance.randrange(len(cells))] = chance.choice((*NASTY, *cells[:50]))
    return mark.join(cells)


def _other_digit(data: bytes, chance: random.Random) -> bytes:
    """Change one digit: what a slip of the hand does, and mostly still a legal file."""
    places = [at for at, byte in enumerate(data) if 48 <= byte <= 57]
    if not places:
        return data
    at = chance.choice(places)
    return data[:at] + bytes([chance.randrange(48, 58)]) + data[at + 1 :]


class Door:
    """Honest files of every kind, and the road that each one goes."""

    def __init__(self, folder: Path) -> None:
        rng = np.random.default_rng(1)
        trace = observe(drive(2, rng), 0.4, rng, sigma_m=0.5)
        self.folder = folder
        self.traces = [gpx(trace, hdop="0.9").encode(), nmea(trace).encode()]
        self.rules = (DATASETS / "challenge.toml").read_bytes()
        self.roads: dict[str, Callable[[random.Random], None]] = {
            "lap table": self.table,
            "mapping": self.mapping,
            "sheet through a mapping": self.sheet,
            "rules": self.rule,
            "trace": self.trace,
            "pasted laps": self.pasted,
        }
        self.store = Store.empty()
        self.store.add(read_lap_table(self.written("first.csv", TABLE.encode())))
        self.before = self.fingerprint()

    def written(self, name: str, data: bytes) -> Path:
        path = self.folder / name
        path.write_bytes(data)
        return path

    def table(self, chance: random.Random) -> None:
        base = TABLE if chance.random() < 0.3 else TABLE.replace("2025-04-12", "2025-05-01")
        path = self.written("laps.csv", damaged(base.encode(), chance))
        self.take_in(read_lap_table(path))

    def take_in(self, lap_file) -> None:  # type: ignore[no-untyped-def]
        """Add to the store, and see that it is all of the file or nothing."""
        held = len(self.store.accepted_laps())
        try:
            propose_slow(lap_file)
            added = self.store.add(lap_file)
        except BenchmarkError:
            assert self.fingerprint() == self.before, "a refused file left something behind"
            raise
        assert not lap_file.faults, "a faulty file was taken"
        gained = len(self.store.accepted_laps()) - held
        assert gained == added.laps_added, f"{gained} laps gained, {added.laps_added} told"
        assert added.laps_added + added.laps_already_there >= lap_file.run_laps.num_rows
        self.before = self.fingerprint()

    def fingerprint(self) -> str:
        """Give a digest of every lap and import in the store."""
        laps = self.store.accepted_laps().to_csv(index=False)
        imports = self.store.imports().to_csv(index=False)
        return hashlib.sha256(f"{laps}{imports}".encode("utf-8", "surrogatepass")).hexdigest()

    def mapping(self, chance: random.Random) -> None:
        text = damaged(MAPPING.encode(), chance).decode("utf-8", "replace")
        mapping = parse_mapping(text, "office.toml")
        assert parse_mapping(mapping.to_toml(), "again") == mapping
        self.take_in(read_mapped(self.written("office.csv", SHEET.encode()), mapping))

    def sheet(self, chance: random.Random) -> None:
        mapping = parse_mapping(MAPPING, "office.toml")
        path = self.written("office.csv", damaged(SHEET.encode(), chance))
        self.take_in(read_mapped(path, mapping))

    def rule(self, chance: random.Random) -> None:
        text = damaged(self.rules, chance).decode("utf-8", "replace")
        rules = parse_rules(text)
        assert len(rules.digest) == 64

    def trace(self, chance: random.Random) -> None:
        trace = parse_trace("drive", damaged(chance.choice(self.traces), chance))
        laps = find_laps(trace, propose_line(trace))
        check_trace(trace, laps, expected_length_m=2431.0, claimed_s=70.0)

    def pasted(self, chance: random.Random) -> None:
        text = damaged(PASTED.encode(), chance).decode("utf-8", "surrogateescape")
        pasted = read_pasted(text)
        facts = {**FACTS, "driver": text[:30]}
        make_outing(facts, from_pasted(pasted))


def fuzz(door: Door, kind: str, seed: int) -> str:
    """Try one case; give `taken` or `refused`.

    Raises
    ------
    Exception
        What no case may end in.
    """
    try:
        door.roads[kind](random.Random(f"{kind} {seed}"))
    except BenchmarkError as error:
        refusal = str(error).strip()
    else:
        return "taken"
    assert refusal, "a refusal that says nothing"
    return "refused"


def main() -> None:
    """Run the cases in turn over the kinds, and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=2000, help="cases of all kinds together")
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    asked = parser.parse_args()
    counts: Counter[tuple[str, str]] = Counter()
    bad = 0
    began = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        door = Door(Path(folder))
        for case in range(asked.cases):
            kind = list(door.roads)[case % len(door.roads)]
            try:
                counts[kind, fuzz(door, kind, asked.seed + case)] += 1
            except Exception:  # noqa: BLE001  this is what is looked for
                bad += 1
                print(f"{kind}, seed {asked.seed + case}:\n{traceback.format_exc()}")
            if case % 200 == 199:
                print(f"{case + 1} of {asked.cases} cases, {bad} bad", file=sys.stderr)
    for kind in door.roads:
        taken, refused = counts[kind, "taken"], counts[kind, "refused"]
        print(f"{kind}: {taken} taken, {refused} refused")
    print(f"{asked.cases} cases, {bad} bad, {time.process_time() - began:.0f} s of one processor")
    raise SystemExit(1 if bad else 0)


if __name__ == "__main__":
    main()
