"""Writes the demo season as a club would have it: one lap table a day, and the truth beside.

Run `python -m benchmark.model.publish --out datasets` to make the files anew; the same bytes come
out on any machine.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd

from benchmark.model import scenario
from benchmark.model.demo_season import demo_season, true_board, true_gain
from benchmark.model.simulate import LAP_COLUMNS, Season

BYTE_ORDER_MARK = "\ufeff"
TRUTH = "truth.json"
CHECKSUMS = "SHA256SUMS"


@dataclass(frozen=True, slots=True)
class Style:
    """How a spreadsheet program wrote a file."""

    delimiter: str = ","
    decimal_comma: bool = False
    line_end: str = "\n"
    byte_order_mark: bool = False
    capitals: bool = False
    keys_last: bool = False  # columns in reverse order


PLAIN = Style()
SEMICOLONS = Style(";", decimal_comma=True, line_end="\r\n", byte_order_mark=True)
REORDERED = Style(capitals=True, keys_last=True)


def lap_table_text(laps: pd.DataFrame, style: Style = PLAIN) -> str:
    """Write laps as the text of a lap table; columns in which nothing is recorded are left out.

    Parameters
    ----------
    laps : the columns of the lap table, `lap_time` as text.
    style : delimiter, decimal sign, line ends, order and case of the header.
    """
    columns = [name for name in LAP_COLUMNS if laps[name].notna().any()]
    if style.keys_last:
        columns.reverse()
    out = io.StringIO()
    writer = csv.writer(out, delimiter=style.delimiter, lineterminator=style.line_end)
    writer.writerow([name.upper() if style.capitals else name for name in columns])
    cells = [[_cell(value, style) for value in laps[name]] for name in columns]
    writer.writerows(zip(*cells, strict=True))
    return (BYTE_ORDER_MARK if style.byte_order_mark else "") + out.getvalue()


def _cell(value: object, style: Style) -> str:
    """Write one value: nothing where it is missing, whole numbers without a point."""
    if value is None or value is pd.NA or value != value:  # NaN
        return ""
    if isinstance(value, str):
        timed = style.decimal_comma and value.replace(":", "").replace(".", "").isdigit()
        return value.replace(".", ",") if timed else value
    text = f"{value:g}" if float(str(value)).is_integer() else str(value)
    return text.replace(".", ",") if style.decimal_comma else text


def season_files(season: Season) -> dict[str, bytes]:
    """Give every file of the demo season by name: lap tables, truth, check sums."""
    files = {}
    for date, laps in season.laps.groupby("date", sort=True):
        place = "-".join([laps["circuit"].iloc[0], laps["layout"].iloc[0]]).lower()
        files[f"laps-{date}-{place}.csv"] = lap_table_text(laps, _style(str(date))).encode()
    files[TRUTH] = _truth_text(season).encode()
    sums = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items()]
    files[CHECKSUMS] = "".join(sums).encode()
    return files


def _style(date: str) -> Style:
    if date in scenario.SEMICOLON_DAYS:
        return SEMICOLONS
    return REORDERED if date in scenario.REORDERED_DAYS else PLAIN


def _truth_text(season: Season) -> str:
    """Write the truth, the true adjusted time of every entry, and the figures of the stories."""
    gain = true_gain(season, scenario.SEASON_OF_PARTS, scenario.HIGHMARL.circuit)
    rounded = {k: round(v, 3) if isinstance(v, float) else v for k, v in asdict(gain).items()}
    board = true_board(season).round({"adjusted_s": 4})
    document = {
        "about": "invented season; effects and sds in log lap time, times in seconds",
        **json.loads(season.truth.to_json()),
        "season_of_parts": {**rounded, "gain_s": round(gain.gain_s, 3)},
        "adjusted": board.to_dict(orient="records"),
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def write_season(out: Path, season: Season) -> list[Path]:
    """Write the files of the demo season into a folder, and give their paths."""
    out.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, data in season_files(season).items():
        (out / name).write_bytes(data)
        paths.append(out / name)
    return paths


def main(arguments: Sequence[str] | None = None) -> None:
    """Make the demo season and write it to the folder that `--out` names."""
    parser = argparse.ArgumentParser(prog="python -m benchmark.model.publish", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("datasets"), metavar="FOLDER")
    write_season(parser.parse_args(arguments).out, demo_season())


if __name__ == "__main__":
    main()
