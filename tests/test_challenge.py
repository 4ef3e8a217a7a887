"""A small challenge from laps to published standings, with refits."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from benchmark.answers.challenge.basis import Basis, basis_of
from benchmark.answers.challenge.factor_rows import factor_rows
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.fairness import fairness
from benchmark.answers.challenge.propose import class_words, classes_toml, propose
from benchmark.answers.challenge.standings import Standings, standings
from benchmark.answers.challenge.whatif import side_by_side
from benchmark.cli import app
from benchmark.errors import BadQuestion
from benchmark.intake.laptable import read_lap_table
from benchmark.intake.rules import ClassRule, Rules, When, parse_rules
from benchmark.model.plan import NORTH
from benchmark.show.challenge import standing_columns
from benchmark.show.challenge_report import challenge_sheet, published
from benchmark.show.challenge_start import starting_rules
from benchmark.show.challenge_words import fairness_lines
from benchmark.show.report import to_html
from benchmark.store.store import Store
from tests.challenges import kept, rules_text, season, shorten


@pytest.fixture(scope="module", autouse=True)
def shorter_chains():
    with pytest.MonkeyPatch.context() as patch:
        shorten(patch)
        yield


@pytest.fixture(scope="module")
def laps() -> pd.DataFrame:
    return season().counted()


@pytest.fixture(scope="module")
def rules(laps) -> Rules:
    return parse_rules(rules_text(laps))


@pytest.fixture(scope="module")
def basis(laps, rules) -> Basis:
    return basis_of(laps, rules, memory=kept)


@pytest.fixture(scope="module")
def found(basis, laps) -> Standings:
    return standings(basis, laps)


def test_a_scored_time_is_the_printed_time_by_the_printed_factor(found):
    placed = found.rounds[found.rounds["place"].notna() & (found.rounds["limit_s"] == 0)]
    again = (placed["raw_s"] * placed["factor"]).round(3)
    assert placed["scored_s"].to_numpy() == pytest.approx(again.to_numpy(), abs=1e-9)
    assert len(placed) > 4


def test_places_follow_scored_times_and_chances_add_up(found):
    for _, group in found.rounds.groupby("round"):
        assert group["scored_s"].is_monotonic_increasing
        assert group["p_win"].sum() == pytest.approx(1)
    assert found.season["p_win"].sum() == pytest.approx(1)


def test_a_raw_best_is_the_quickest_lap_of_the_day(found, laps, rules):
    day = rules.rounds[0].date.isoformat()
    best = laps[laps["date"].astype(str).str[:10] == day].groupby("build")["lap_time_s"].min()
    first = found.of("R1").set_index("build")["raw_s"]
    assert first.to_dict() == pytest.approx(best.to_dict())


def test_the_part_that_attempts_won_is_shown_where_the_best_lap_counts(found):
    first = found.of("R1")
    assert (first["attempts_s"] <= 1e-12).all()
    fewest = first[first["laps"] == first["laps"].min()]
    assert fewest["attempts_s"].to_numpy() == pytest.approx(0, abs=1e-12)


@pytest.mark.slow
def test_the_same_store_and_rules_give_the_same_bytes_a_year_later(basis, laps, rules):
    again = basis_of(laps.sample(frac=1, random_state=1), rules)  # no memory: all made anew
    for ending in (".html", ".csv"):
        assert published(basis, laps, ending) == published(again, laps, ending)


def test_factors_do_not_move_when_later_laps_come(basis, laps, rules):
    early = laps[laps["date"].astype(str).str[:10] <= rules.rounds[0].date.isoformat()]
    then = basis_of(early, replace(rules, rounds=rules.rounds[:1]))
    before, now = factor_rows(table_of(then)), factor_rows(table_of(basis))
    assert before["factor"].tolist() == now["factor"].tolist()


@pytest.fixture(scope="module")
def moving(laps) -> Table:
    """Class factors that are made anew before the second round."""
    text = rules_text(laps, factor='kind = "class"\ntolerance_pct = 1.0\nrenew = true')
    return table_of(basis_of(laps, parse_rules(text), memory=kept))


@pytest.mark.slow
def test_renewed_factors_rest_on_all_laps_before_their_round_and_on_no_later_one(moving, laps):
    first, second = moving.basis.rules.rounds
    assert moving.for_round(laps, first) is moving
    now = moving.for_round(laps, second)
    assert now.basis.cut_off == first.date.isoformat() > moving.basis.cut_off
    days = laps["date"].astype(str).str[:10]
    early = moving.for_round(laps[days < second.date.isoformat()], second)
    assert factor_rows(early).equals(factor_rows(now))
    assert not factor_rows(now).equals(factor_rows(moving))


def test_who_is_in_which_class_stays_as_it_was_in_the_first_round(moving, laps):
    now = moving.for_round(laps, moving.basis.rules.rounds[1])
    facts = moving.entries.sample(frac=1, random_state=1)
    assert now.classes_of(facts) == moving.classes_of(facts)
    assert set(now.class_names) <= set(moving.class_names)


def test_standings_multiply_by_the_renewed_factor_and_name_its_fit(moving, laps):
    told = standings(moving.basis, laps)
    second = moving.for_round(laps, moving.basis.rules.rounds[1])
    printed = factor_rows(second).set_index("class")["factor"]
    placed = told.of("R2").dropna(subset=["place"])
    assert placed["factor"].tolist() == [printed[c] for c in placed["class"]]
    assert told.stamp(moving.basis)["renewed"] == [
        {"round": "R2", "cut_off": second.basis.cut_off, "fit": second.basis.known.fit_id}
    ]


def test_class_factors_give_each_class_its_share_of_wins(basis):
    figures = fairness(table_of(basis))
    won = figures.classes["win_share"].to_numpy()
    assert won == pytest.approx(figures.classes["fair_share"].to_numpy(), abs=0.01)
    assert figures.overall["evenness"] > 0.999


def test_every_interval_of_the_fairness_figures_holds_its_own_estimate(basis):
    figures = fairness(table_of(basis, "none"))
    for name in ("evenness", "odds", "top_share", "able_share"):
        low, middle, high = (figures.overall[f"{name}_known{end}"] for end in ("_low", "", "_high"))
        assert low <= middle <= high, name
    for low, share, high in (("low", "win_share", "high"), ("podium_low", "podium_share",
                                                             "podium_high")):  # fmt: skip
        told = figures.classes
        assert ((told[low] <= told[share]) & (told[share] <= told[high])).all()


def test_only_factors_that_aim_at_equal_chances_speak_of_the_luck_of_a_season(basis):
    equal, none = (
        " ".join(fairness_lines(fairness(table_of(basis, kind)), kind))
        for kind in ("class", "none")
    )
    assert "which one cannot be said beforehand" in equal
    assert "cannot be said" not in none
    assert "nothing aims at equal chances" in none


def test_within_one_truth_classes_are_further_apart_than_on_average_over_all(basis):
    # A maximum over classes is convex in the shares (Jensen), so the average cannot be larger.
    figures = fairness(table_of(basis))
    assert figures.overall["odds_known"] >= figures.overall["odds"]


def test_the_average_entry_has_a_factor_of_one(basis):
    rows = factor_rows(table_of(basis))
    assert np.average(np.log(rows["factor"]), weights=rows["builds"]) == pytest.approx(0, abs=1e-4)


def test_no_earlier_laps_are_a_clear_question_and_no_factor_needs_none(laps):
    day = laps["date"].astype(str).str[:10].min()
    text = rules_text(laps).replace("[factor]", f"[factor]\nfreeze = {day}")
    nothing = basis_of(laps, parse_rules(text))
    with pytest.raises(BadQuestion, match="no counted dry lap before"):
        standings(nothing, laps)
    none = text.replace('kind = "class"\ntolerance_pct = 1.0', 'kind = "none"')
    table = standings(basis_of(laps, parse_rules(none)), laps)
    assert table.season["place"].min() == 1
    assert table.season["p_win"].isna().all()


def test_entries_left_out_are_listed_with_the_reason(laps, basis):
    text = rules_text(laps) + "[entries]\nevidence = true\n"
    out = standings(replace(basis, rules=parse_rules(text)), laps)
    assert set(out.rounds["reason"]) == {"all its laps were without evidence on record"}
    assert out.rounds["place"].isna().all()
    assert set(out.rounds["status"]) == {"left out"}


def test_a_round_with_the_wrong_layout_is_told_with_what_its_day_has(laps, rules):
    wrong = replace(rules.rounds[0], layout="short")
    other = replace(rules, rounds=(wrong, rules.rounds[1]))
    ground = basis_of(laps, rules, memory=kept)
    told = standings(replace(ground, rules=other), laps)
    day = wrong.date.isoformat()
    assert told.ahead == ("R1",)
    assert told.missing == (
        f"R1: no counted lap of {NORTH.circuit}, short, dry on {day}. Of that day the store has "
        f"{NORTH.circuit}, full, dry.",
    )


def test_a_round_is_final_once_its_protest_period_is_over(basis, laps, rules):
    second = rules.rounds[1].date
    later = standings(basis, laps, as_of=date(second.year + 1, 1, 1))
    assert set(later.rounds["status"]) == {"final"} == set(later.season["status"])
    now = standings(basis, laps, as_of=second)
    assert set(now.of("R2")["status"]) == {"provisional"}


def test_a_ruling_on_the_protest_period_goes_before_the_days_of_the_rules(basis, laps, rules):
    first, second = rules.rounds
    periods = {(first.circuit, first.date.isoformat()): "open",
               (second.circuit, second.date.isoformat()): "closed"}  # fmt: skip
    later = date(second.date.year + 1, 1, 1)
    found = standings(replace(basis, periods=periods), laps, as_of=later)
    assert set(found.of("R1")["status"]) == set(found.season["status"]) == {"provisional"}
    now = standings(replace(basis, periods=periods), laps, as_of=second.date)
    assert set(now.of("R2")["status"]) == {"final"}


def test_an_unknown_circuit_names_the_nearest(laps, rules):
    odd = replace(rules, rounds=(replace(rules.rounds[0], circuit="Invented Nort"),))
    with pytest.raises(BadQuestion, match="did you mean Invented North"):
        basis_of(laps, odd)


def test_proposed_classes_can_be_pasted_into_the_rules(basis, laps):
    found = propose(basis, 2, 2)
    text = rules_text(laps).replace("[classes]\nminimum = 2\n", classes_toml(found.rules) + "\n")
    assert parse_rules(text).declared == found.rules.declared
    assert found.rows[found.rows["scheme"] == "proposed"]["entries"].sum() == len(basis.entries)


def test_what_makes_a_class_is_said_as_in_a_sentence(rules):
    ways = (When(tyres=("touring", "sport", "slick"), areas={"engine": (1, 2, 3), "aero": (0, 2)}),
            When(areas={"weight": (0, 1)}))  # fmt: skip
    said = class_words(replace(rules, classes={**rules.classes, "by": "declared"},
                               declared=(ClassRule("A", ways),)), "A")  # fmt: skip
    assert said == (
        "touring, sport or slick tyres with engine level 1 to 3 and aero level 0 or 2; or "
        "weight level 0 or 1"
    )


def test_factors_and_fairness_are_published_before_the_first_round(laps):
    later = rules_text(laps).replace("date = 20", "date = 21")
    basis = basis_of(laps, parse_rules(later), memory=kept)
    page = published(basis, laps, ".html").decode()
    for said in ("no round has been held yet", "The rules", "Points by place", "Factors, as"):
        assert said in page


def test_a_season_names_everybody_who_drove_the_car(found):
    (drivers,) = [c.cells for c in standing_columns(found.season) if c.heading == "Drivers"]
    rounds = found.rounds[found.rounds["place"].notna()]
    for cell, build in zip(drivers, found.season["build"], strict=True):
        theirs = rounds[rounds["build"] == build]["driver"]
        assert set(theirs) <= set(cell.split(", "))


def test_rules_side_by_side_have_one_row_all_each(basis):
    figures = fairness(table_of(basis))
    table = side_by_side({"now": figures, "other": figures})
    assert (table["class"] == "all").sum() == 2


def test_the_starting_rules_of_a_store_are_good_rules(laps):
    rules = parse_rules(starting_rules(laps))
    assert rules.freeze == rules.rounds[0].date


def test_names_of_people_cannot_become_markup(laps, rules):
    nasty = laps.assign(driver=laps["driver"].mask(laps["driver"] == laps["driver"].iloc[0],
                                                   "<script>x</script>"))  # fmt: skip
    found = basis_of(nasty, replace(rules, factor={**rules.factor, "kind": "none"}), memory=kept)
    html = to_html(challenge_sheet(found, standings(found, nasty)))
    assert "<script>" not in html


@pytest.fixture(scope="module")
def doors(tmp_path_factory, laps) -> tuple[str, str]:
    """A store and a rules file for the command line."""
    folder = tmp_path_factory.mktemp("challenge")
    table = season().laps.drop(columns="lap_time_s")
    table.to_csv(folder / "season.csv", index=False)
    with Store.open(folder / "laps.duckdb", create=True) as store:
        store.add(read_lap_table(folder / "season.csv"))
    (folder / "cup.toml").write_text(rules_text(laps), encoding="utf-8")
    return str(folder / "laps.duckdb"), str(folder / "cup.toml")


CONTRACT = {
    "standings": {"place", "build", "driver", "class", "factor", "raw_s", "scored_s", "p_win",
                  "round", "points", "status", "reason"},
    "factors": {"class", "factor", "low", "high", "builds", "kind", "build"},
    "fairness": {"class", "entries", "win_share", "fair_share", "low", "high"},
    "classes": {"class", "words"},
}  # fmt: skip


@pytest.mark.parametrize("what", list(CONTRACT))
def test_a_command_gives_the_published_fields_as_json(what, doors, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path.parent / "refits"))
    db, rules = doors
    asked = ["challenge", what, "--rules", rules, "--db", db, "--format", "json"]
    asked += ["--number", "2"] if what == "classes" else []
    result = CliRunner().invoke(app, asked)
    assert result.exit_code == 0, result.stderr
    rows = json.loads(result.stdout)
    assert CONTRACT[what] <= set(rows[0])
    assert {"rules_version", "rules_digest", "cut_off", "fit", "mode", "reference"} <= set(rows[0])
    if what == "fairness":
        assert rows[-1]["class"] == "all"
        assert {"evenness", "odds", "top_share", "able_share"} <= set(rows[-1])


@pytest.mark.parametrize("what", ["factors", "standings", "fairness", "classes"])
def test_a_table_on_the_terminal_names_its_rules_laps_and_fit(what, doors, basis, monkeypatch):
    monkeypatch.setattr("benchmark.show.challenge.ask_basis", lambda *_: (basis, basis.laps))
    asked = ["challenge", what, "--rules", doors[1], "--db", doors[0]]
    said = CliRunner().invoke(app, [*asked, *(["--number", "2"] if what == "classes" else [])])
    assert said.exit_code == 0, said.stderr
    assert f"version {basis.rules.version}, SHA-256 {basis.rules.digest}" in said.stdout
    assert f"Data up to {basis.cut_off}" in said.stdout
    assert f"fit {basis.known.fit_id}" in said.stdout


def test_a_faulty_rules_file_ends_in_2_with_every_fault_on_its_line(doors, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text('name = 3\nversion = "x"\n', encoding="utf-8")
    asked = ["challenge", "factors", "--rules", str(bad), "--db", doors[0]]
    result = CliRunner().invoke(app, asked)
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 3
