"""`benchmark forecast`: what a build would lap on another day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchmark.commands.asking import kept_fit
from benchmark.commands.options import DEFAULT_DB, AnswerFormat, Build, Circuit, Db, Layout, Level
from benchmark.show.output import Format

if TYPE_CHECKING:
    from benchmark.model.fit import Fit
    from benchmark.trade.conditions import Conditions

Number = float | None


def _number(told: str) -> Any:
    return typer.Option(help=told, metavar="X")


def forecast(
    build: Build,
    circuit: Circuit,
    layout: Layout = "full",
    driver: Annotated[str | None, typer.Option(help="Who drives; else the usual driver.")] = None,
    tyre: Annotated[str | None, typer.Option(help="Tyre category; else the latest.")] = None,
    air_temp_c: Annotated[Number, _number("Air temperature, °C.")] = None,
    track_temp_c: Annotated[Number, _number("Track temperature, °C.")] = None,
    pressure_hpa: Annotated[Number, _number("Station pressure, hPa.")] = None,
    humidity_pct: Annotated[Number, _number("Relative humidity, %.")] = None,
    wind_mps: Annotated[Number, _number("Mean wind, m/s.")] = None,
    surface: Annotated[str, typer.Option(help="dry, damp or wet.", metavar="S")] = "dry",
    tyre_heat_cycles: Annotated[Number, _number("Heat cycles on the set before the run.")] = None,
    laps: Annotated[int, typer.Option(help="Clean flying laps of the run, laps 2 to N + 1.")] = 5,
    target: Annotated[str | None, typer.Option(help="Lap time to beat, m:ss.sss.")] = None,
    metar: Annotated[
        str | None, typer.Option(help="A METAR as text; options given beside it come first.")
    ] = None,
    hours: Annotated[
        Path | None, typer.Option(help="Hourly weather, CSV with time and weather columns.")
    ] = None,
    level: Level = 0.9,
    db: Db = DEFAULT_DB,
    format: AnswerFormat = Format.TABLE,
) -> None:
    """Forecast one clean lap and the best of N, and the chance of beating a target.

    An estimate for comparing, no target to drive to. Intervals hold a new day, outing and lap
    noise, without traffic; weather that is not given is the reference.
    """
    from benchmark.answers.forecast import Question, by_hour
    from benchmark.answers.forecast import forecast as answer
    from benchmark.intake.hours import read_hours
    from benchmark.trade.timing import parse_lap_time

    target_s = None if target is None else float(parse_lap_time(target))
    day = None if hours is None else read_hours(hours)
    fit = kept_fit(db).part(circuit, [build], [] if driver is None else [driver])
    given = {
        "air_temp_c": air_temp_c,
        "track_temp_c": track_temp_c,
        "pressure_hpa": pressure_hpa,
        "humidity_pct": humidity_pct,
        "wind_mps": wind_mps,
    }
    question = Question(build, circuit, layout, driver, tyre,
                        _conditions(fit, circuit, surface, metar, given), tyre_heat_cycles,
                        laps, target_s)  # fmt: skip
    if day is None:
        _print(fit, answer(fit, question, level=level), None, level, format)
    else:
        found, table = by_hour(fit, question, [(h.time, h.conditions) for h in day], level=level)
        _print(fit, found, table, level, format)


def _conditions(
    fit: Fit, circuit: str, surface: str, metar: str | None, given: dict[str, float | None]
) -> Conditions:
    """Weather of the question: options first, then the METAR."""
    from dataclasses import replace

    from benchmark.intake.metar import read_metar, to_conditions
    from benchmark.trade.conditions import Conditions

    base = Conditions(surface=surface)
    if metar is not None:
        heights = fit.runs.loc[fit.runs["circuit"] == circuit, "altitude_m"].dropna()
        height = float(heights.median()) if len(heights) else None
        base = to_conditions(read_metar(metar), height, surface)
    told = {name: value for name, value in given.items() if value is not None}
    return replace(base, **told)  # type: ignore[arg-type]


def _print(fit: Fit, found: Any, hours: Any, level: float, format: Format) -> None:
    from benchmark.answers.entries import basis
    from benchmark.answers.forecast import asked_for
    from benchmark.show.gains_words import forecast_lines, hour_columns
    from benchmark.show.output import print_record, print_table

    if format is Format.TABLE:
        typer.echo("\n".join(forecast_lines(found, level)))
        if hours is not None:
            print_table(hour_columns(hours))
        return
    record = found.figures | {"warnings": list(found.warnings), **basis(fit, asked_for(fit, found))}
    record["expected"] = found.expected.to_dict("records")
    if hours is not None:
        record["hours"] = hours.to_dict("records")
    print_record(record, format)
