"""The pictures and reports: what they show, in which order, and that they need no network."""

from __future__ import annotations

import re
import socket

import pytest

from benchmark.answers.entries import reference
from benchmark.answers.leaderboard import leaderboard
from benchmark.errors import BadQuestion
from benchmark.show.figures import (
    MOST_ROWS,
    PAGE_BESIDE_PX,
    ROW_PX,
    board_alt,
    board_chart,
    svg,
)
from benchmark.show.report import Report, Section, to_html, to_pdf, write_report
from benchmark.show.sheets import board_sheet
from tests.fakes import FakeFit, as_fit, cool_morning_fit, entry, run

NASTY = '<script>alert("1")</script> #strong[x] $y$ *z*'


@pytest.fixture
def board():
    return leaderboard(as_fit(cool_morning_fit()), "Foxdale")


@pytest.fixture
def sheet(board):
    fit = as_fit(cool_morning_fit())
    stated = reference(fit, "Foxdale", "full")
    return board_sheet(board, stated, fit, ("Foxdale", "full"))


@pytest.fixture
def offline(monkeypatch):
    def refuse(*_args, **_kwargs):
        raise AssertionError("a picture asked for the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)


def test_the_picture_keeps_the_order_of_the_board(board):
    spec = board_chart(board).to_dict()
    assert spec["layer"][0]["encoding"]["y"]["sort"] == ["Quick", "Middle", "Cool"]


def test_the_picture_holds_each_interval_and_both_times(board):
    spec = board_chart(board).to_dict()
    rows = next(iter(spec["datasets"].values()))
    assert [row["build"] for row in rows] == list(board["build"])
    for field in ("low_s", "high_s", "adjusted_s", "best_s"):
        assert [row[field] for row in rows] == pytest.approx(list(board[field]))


def test_the_axis_of_time_does_not_start_at_zero(board):
    spec = board_chart(board).to_dict()
    assert all(layer["encoding"]["x"]["scale"]["zero"] is False for layer in spec["layer"])


def test_a_picture_of_many_entries_shows_the_first_ones():
    builds = {f"Car {n:03d}": n / 1000 for n in range(MOST_ROWS + 5)}
    fit = FakeFit(
        runs=[run(build) for build in builds],
        laps=[(n, 2, 100.0 + n) for n in range(len(builds))],
        entries=[entry(build) for build in builds],
        builds=builds,
    )
    spec = board_chart(leaderboard(as_fit(fit), "Foxdale")).to_dict()
    assert len(next(iter(spec["datasets"].values()))) == MOST_ROWS


def test_the_picture_is_described_for_those_who_do_not_see_it(board):
    assert board_alt(board).endswith("Quickest at equal conditions: Quick, 1:40.000.")


def test_the_picture_is_drawn_without_network_and_the_same_each_time(board, offline):
    first, second = svg(board_chart(board)), svg(board_chart(board))
    assert first == second
    assert "1:40.0" in first


def test_the_page_to_print_needs_nothing_from_outside(sheet, offline):
    page = to_html(sheet)
    assert not re.search(r'(src|href)\s*=\s*["\']?http', page)
    assert "<script" not in page
    assert page.count("<h1>") == 1


def test_the_page_to_print_gives_the_answer_the_reason_the_fit_and_the_cautions(sheet):
    page = to_html(sheet)
    for words in (
        "Quickest at equal conditions at Foxdale: Quick",
        "Cool: down 2 places, from 1 as timed to 3. Its best lap (2025-05-01, S1) owes 1.50 s",
        "Fit fake0001 (full mode) on 6 counted laps",
        "It is no target to drive to.",
    ):
        assert words in page


def test_names_are_text_in_html():
    report = Report(NASTY, NASTY, [Section(NASTY, [NASTY], [NASTY])], [NASTY])
    page = to_html(report)
    assert "<script" not in page
    assert page.count("&lt;script&gt;") == 7


def test_names_are_text_in_the_pdf_and_its_bytes_are_the_same_each_time(sheet):
    report = Report(NASTY, NASTY, [*sheet.sections, Section(NASTY, [NASTY], [NASTY])], [NASTY])
    pdf = to_pdf(report)
    assert pdf.startswith(b"%PDF-")
    assert pdf == to_pdf(report)


@pytest.mark.parametrize("name", ["board.html", "board.PDF"])
def test_a_report_is_written_by_the_ending_of_its_name(sheet, tmp_path, name):
    write_report(sheet, tmp_path / name)
    start = (tmp_path / name).read_bytes()[:9]
    assert start in (b"<!doctype", b"%PDF-1.7\n")


def test_another_ending_is_refused(sheet, tmp_path):
    with pytest.raises(BadQuestion, match=r"cannot write a report as board.doc: end the name in"):
        write_report(sheet, tmp_path / "board.doc")


def test_a_place_that_cannot_be_written_to_is_said(sheet, tmp_path):
    with pytest.raises(BadQuestion, match=r"cannot write .*: No such file or directory"):
        write_report(sheet, tmp_path / "missing" / "board.html")


def test_a_picture_on_a_page_has_room_for_its_legend_beside_the_rows(board):
    """A page fits legend, axis and title into the height: without room, rows lie on each other."""
    spec = board_chart(board.head(1), beside_px=PAGE_BESIDE_PX).to_dict()
    assert spec["height"] == ROW_PX + PAGE_BESIDE_PX


def test_the_title_of_an_axis_is_in_short_lines_that_fit_a_phone(board):
    spec = board_chart(board).to_dict()
    title = spec["encoding"]["x"]["title"]
    assert title == ["Lap time [m:ss.s]", "the bar is the 90 % interval"]
