"""What lme4 finds in made-up decades of laps (`benchmark.model.decade`, seed 1), REML.

lme4 1.1-31 under R 4.2.2 of Debian 12, found closely by Newton steps on its criterion from where
its optimiser ends, 26 November 2026: `python -m tests.bench.lme4_reference 3000 30000 300000`. The
key is the number of laps.
"""

from __future__ import annotations

LME4: dict[int, dict[str, float]] = {
    3_000: {
        "criterion": -19878.621433,
        "model": 0.025877937,
        "build": 0.010308371,
        "driver": 0.013133532,
        "session": 0.007453034,
        "noise": 0.007762129,
    },
    30_000: {
        "criterion": -203831.845387,
        "model": 0.022653812,
        "build": 0.009828694,
        "driver": 0.012049968,
        "session": 0.005702925,
        "noise": 0.007834716,
    },
    300_000: {
        "criterion": -2042646.490867,
        "model": 0.020014125,
        "build": 0.009874642,
        "driver": 0.01209973,
        "session": 0.005939825,
        "noise": 0.007821932,
    },
}
