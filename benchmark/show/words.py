"""Answers as sentences and cells: every number with its unit and its meaning."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchmark.trade.timing import format_lap_time

if TYPE_CHECKING:
    import pandas as pd

SURE, LIKELY = 0.90, 0.50  # chances above which we say "almost sure" and "likely"; our choice
MISSING = "not recorded"

CAUTIONS = (
    "An adjusted or forecast time is an estimate for comparing entries. It is no target to drive "
    "to.",
    "Driving at a circuit can injure and kill: follow the organiser's rules, marshals and licence "
    "requirements.",
    "Many track days and insurers forbid timing or competition: ask before you time a lap. Never "
    "time a lap on a public road; such laps are refused.",
    "Have the car scrutineered. Parts must be fitted by competent people, and road cars kept "
    "within the local vehicle code, certified by a licensed engineer where that code asks for it.",
    "Results of a challenge are the organiser's to declare, under the rules of its governing body.",
)

# The words of a leaderboard, as the page of the method explains them.
WORDS = (
    ("Entry", "one car as it stands: its latest parts and tyre, and its usual driver."),
    ("Best lap", "the quickest counted lap, whatever the day, the tyre and the driver were then."),
    (
        "Adjusted lap",
        "the clean lap expected of the same entry on a reference day: 20 °C air, 30 °C track, "
        "50 % humidity, calm and dry, lap 2 of a run, on a tyre with 2 heat cycles.",
    ),
    ("Interval", "the adjusted lap lies between these two times with a chance of 90 %."),
    ("Plausible places", "the places that the data leave open; 1 to 4 means any of four."),
    (
        "Chance of being quickest",
        "how often the entry comes first when everything unsure is drawn again and again.",
    ),
    ("Moved", "places won or lost when conditions are made equal, against the order as timed."),
)

ADJUSTED_TO = {
    "conditions": "conditions and tyre wear made equal",
    "conditions,tyre": "conditions, tyre wear and tyre category made equal",
    "conditions,tyre,driver": "conditions, tyre wear, tyre category and driver made equal",
}

Row = Mapping[Any, Any]


JOINERS = "\u200c\u200d"  # they belong to words of some scripts, and to emoji
UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def shown(text: object) -> str:
    """Write a text of users so that all of it is seen.

    Marks that turn the direction of writing, hide, or steer a terminal stand as `[U+202E]`.
    """
    written = str(text)
    if written.isprintable():  # none of `UNSEEN`, as nearly every text
        return written
    return "".join(_seen(letter) for letter in written)


def _seen(letter: str) -> str:
    is_seen = letter in JOINERS or unicodedata.category(letter) not in UNSEEN
    return letter if is_seen else f"[U+{ord(letter):04X}]"


def lap_text(seconds: float | None) -> str:
    """Write a lap time as m:ss.sss; a dash where there is none."""
    if seconds is None or not math.isfinite(seconds):
        return "-"
    return format_lap_time(float(seconds))


def range_text(low_s: float, high_s: float) -> str:
    """Write an interval of lap times as `m:ss.sss to m:ss.sss`."""
    return f"{lap_text(low_s)} to {lap_text(high_s)}"


def percent(probability: float | None) -> str:
    """Write a probability as a percentage that never claims certainty."""
    if probability is None or not math.isfinite(probability):
        return "-"
    if probability < 0.01:
        return "under 1 %"
    if probability > 0.99:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def places_text(low: int, high: int) -> str:
    """Write the ranks that stay plausible: `1` or `1 to 4`."""
    return f"{low}" if low == high else f"{low} to {high}"


def moved_text(raw_rank: int, rank: int) -> str:
    """Say how many places equal conditions move an entry, against its place as timed."""
    places = int(raw_rank) - int(rank)
    if places == 0:
        return "same"
    return f"{'▲ up' if places > 0 else '▼ down'} {abs(places)}"


def moved_words(row: Row) -> tuple[str, str]:
    """Say where one entry stands as timed and at equal conditions, and, where known, why."""
    places = int(row["raw_rank"]) - int(row["rank"])
    direction = "up" if places > 0 else "down"
    moved = f"{direction} {abs(places)} {'place' if abs(places) == 1 else 'places'}"
    stands = f"{row['build']}: {moved}, from {row['raw_rank']} as timed to {row['rank']}."
    note = row["best_note"]
    return stands, note if isinstance(note, str) else ""


def movers(board: pd.DataFrame, most: int = 5) -> list[tuple[str, str]]:
    """Tell the entries that equal conditions move furthest, at least two places, and why.

    Those who gain or lose the first place are told whatever the distance.
    """
    places = (board["raw_rank"] - board["rank"]).astype(int).abs()
    first = (board["rank"] == 1) | (board["raw_rank"] == 1)
    told = places[(places > 1) | ((places == 1) & first)]
    furthest = told.sort_values(ascending=False, kind="stable").head(most)
    return [moved_words(row) for row in board.loc[furthest.index].to_dict("records")]


def worth_text(seconds: float | None) -> str:
    """Say how much quicker or slower something made a lap, to a hundredth of a second."""
    if seconds is None or not math.isfinite(seconds):
        return "-"
    rounded = f"{abs(seconds):.2f}"
    if rounded == "0.00":
        return "no difference"
    return f"{rounded} s {'quicker' if seconds < 0 else 'slower'}"


def place_text(circuit: str, layout: str) -> str:
    """Name a circuit and, where it is not the full one, its layout."""
    return circuit if layout == "full" else f"{circuit}, layout {layout}"


def leader_sentence(board: pd.DataFrame, circuit: str, layout: str, level: float = 0.9) -> str:
    """Answer the question in one sentence: the quickest at equal conditions, and as timed."""
    where = place_text(circuit, layout)
    if board.empty:
        return f"No entry of this choice has a counted lap at {where}."
    first = board.iloc[0]
    timed = board.sort_values(["raw_rank", "rank"]).iloc[0]
    quickest = (
        f"Quickest at equal conditions at {where}: {first['build']}, "
        f"{lap_text(first['adjusted_s'])} ({100 * level:.0f} % interval "
        f"{range_text(first['low_s'], first['high_s'])})"
    )
    as_timed = f"As timed: {timed['build']}, {lap_text(timed['best_s'])}."
    if len(board) == 1:
        return f"{quickest}; it is the only entry. {as_timed}"
    return f"{quickest}, {sureness(board)}. {as_timed}"


def standing_sentence(row: Row, entries: int, circuit: str, layout: str) -> str:
    """Say in one sentence where an entry stands; `row` is its row of the 90 % leaderboard."""
    among = f"of {count_text(entries, 'entry', 'entries')}"
    return (
        f"{row['build']} at {place_text(circuit, layout)}: place {row['rank']} {among} at equal "
        f"conditions, adjusted lap {lap_text(row['adjusted_s'])} (90 % interval "
        f"{range_text(row['low_s'], row['high_s'])}). As timed: place {row['raw_rank']}, "
        f"{lap_text(row['best_s'])}."
    )


def sureness(board: pd.DataFrame) -> str:
    """Say how sure the first place is, and who else may hold it where it is not."""
    chance = float(board.iloc[0]["p_fastest"])
    sure = f"{percent(chance)} sure"
    if chance >= SURE:
        return sure
    rivals = board.iloc[1:].sort_values("p_fastest", ascending=False, kind="stable")
    rival = rivals.iloc[0]
    kind = "likely but open" if chance >= LIKELY else "too close to call"
    return f"{sure}: {kind}, {rival['build']} has {percent(float(rival['p_fastest']))}"


def reference_text(reference: Mapping[str, Any]) -> str:
    """Write the reference conditions as one line of words with units."""
    told = [words.format(reference[key]) for key, words in _REFERENCE if _known(reference, key)]
    told += ["calm"] if reference.get("wind_mps") == 0 else []
    adjust = ADJUSTED_TO.get(str(reference.get("adjust", "")))
    return "; ".join(filter(None, [adjust, ", ".join(told)]))


_REFERENCE = (
    ("air_temp_c", "air {:.0f} °C"),
    ("track_temp_c", "track {:.0f} °C"),
    ("humidity_pct", "humidity {:.0f} %"),
    ("pressure_hpa", "pressure {:.0f} hPa"),
    ("surface", "{} surface"),
    ("session", "{} session"),
    ("lap", "lap {:.0f} of a run"),
    ("tyre_heat_cycles", "{:.0f} heat cycles on the tyre"),
    ("tyre_category", "all on {} tyres"),
    ("driver_level", "all with an average {} driver"),
)


def _known(reference: Mapping[str, Any], key: str) -> bool:
    value = reference.get(key)
    return value is not None and not (isinstance(value, float) and math.isnan(value))


def count_text(number: int, one: str, many: str | None = None) -> str:
    """Write a count with its noun: `1 lap`, `1,204 laps`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
