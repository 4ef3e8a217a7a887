"""Who is quickest at a circuit, as timed and at equal conditions."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from benchmark.answers.entries import basis, reference
from benchmark.answers.leaderboard import leaderboard
from benchmark.model.fit import Fit, KeptFit
from benchmark.show.asking import ask_place
from benchmark.show.board import HELP, board_columns, board_lines
from benchmark.show.figures import MOST_ROWS, PAGE_BESIDE_PX, board_alt, board_chart
from benchmark.show.output import records, to_spreadsheet_csv
from benchmark.show.screen import (
    BY_FIT,
    cautions,
    choose,
    grid,
    md,
    opening,
    part_of,
    points,
    ready_fit,
    show_chart,
    told,
)
from benchmark.show.words import place_text
from benchmark.trade.classes import CLASSES, SURFACES, TYRE_CATEGORIES

LEVEL = 0.9
MADE_EQUAL = {  # as the address has it, and as the answer knows it
    "conditions": "conditions",
    "conditions and tyre": "conditions,tyre",
    "conditions, tyre and driver": "conditions,tyre,driver",
}
Question = dict[str, str | None]


def ask_choice(fit: KeptFit) -> Question:
    """Let the visitor choose what is made equal and which entries compete."""
    with st.expander("Choose entries, surface and what is made equal"):
        first, second, third = st.columns(3)
        with first:
            equal = choose("Made equal", list(MADE_EQUAL), key="equal")
            surface = choose("Surface", SURFACES, key="surface")
        with second:
            model = choose("Model", fit.whole.names["model"], key="model", all_of=True)
            in_class = choose("Class", _classes(fit), key="class", all_of=True)
        with third:
            tyre = choose("Latest tyre", TYRE_CATEGORIES, key="tyre", all_of=True)
    chosen = {"model": model, "in_class": in_class, "tyre": tyre}
    return chosen | {"adjust": MADE_EQUAL[equal or "conditions"], "surface": surface or SURFACES[0]}


def _classes(fit: KeptFit) -> list[str]:
    return list(dict.fromkeys([*CLASSES, *fit.whole.classes]))


@st.cache_data(max_entries=64, show_spinner="Comparing the entries", hash_funcs=BY_FIT)
def ask_board(fit: Fit, where: tuple[str, str], question: Question) -> pd.DataFrame:
    """Answer once for each fit and question."""
    return leaderboard(fit, *where, **question, level=LEVEL)  # type: ignore[arg-type]


def show_entries(question: Question) -> None:
    """Say which entries compete, so that a filter is never forgotten."""
    names = {"model": "model", "in_class": "class", "tyre": "latest tyre"}
    chosen = [f"{name} {md(question[key])}" for key, name in names.items() if question[key]]
    st.caption(f"Among {', '.join(chosen) or 'all entries'}, on a {question['surface']} track.")


def show_board(
    board: pd.DataFrame, stated: dict[str, object], fit: Fit, where: tuple[str, str]
) -> None:
    """Show the answer: why the order differs, the picture, the table, the download."""
    _, moved, rests_on = board_lines(board, stated, fit, where, LEVEL)
    if moved:
        st.subheader("What equal conditions change")
        st.markdown("\n".join(f"- **{md(stands)}** {md(why)}" for stands, why in moved))
    st.subheader("How sure the order is")
    st.caption(
        f"Each adjusted lap lies on its bar with a chance of {100 * LEVEL:.0f} %; where bars "
        "overlap, the order is open."
    )
    if len(board) > MOST_ROWS:
        st.caption(f"The picture shows the first {MOST_ROWS} of {len(board)} entries.")
    show_chart(board_chart, board, LEVEL, beside_px=PAGE_BESIDE_PX, text=board_alt(board))
    st.subheader("All entries")
    table = grid(board_columns(board, LEVEL))
    told = {name: st.column_config.Column(help=words) for name, words in HELP.items()}
    told["Build"] = st.column_config.Column(pinned=True)
    st.dataframe(table, hide_index=True, column_config=told, alt=board_alt(board))
    download(board, basis(fit, stated), where)
    with st.expander("What this rests on"):
        points(rests_on)


def download(board: pd.DataFrame, rests_on: dict[str, object], where: tuple[str, str]) -> None:
    """Offer the board as CSV, in seconds, safe to open in a spreadsheet."""
    st.download_button(
        "Download as CSV",
        lambda: to_spreadsheet_csv(records(board, rests_on), [*board.columns, *rests_on]),
        file_name=f"leaderboard {place_text(*where)}.csv",
        mime="text/csv",
        on_click="ignore",
        help="Times in seconds. A text that a spreadsheet would run as a formula gets a leading '.",
    )


opening(
    "Who is really the quickest?",
    "Ranks the cars at a circuit twice: by their best laps as timed, and by the laps expected of "
    "them when the day is the same for all.",
)
kept = ready_fit()
with told():
    where = ask_place(kept)
    fit = part_of(kept, where[0])
    answer_place = st.container()
    question = ask_choice(kept)
    board = ask_board(fit, where, question)
    stated = reference(
        fit, *where, surface=str(question["surface"]), adjust=str(question["adjust"])
    )
with answer_place:
    st.markdown(f"### {md(board_lines(board, stated, fit, where, LEVEL)[0])}")
    show_entries(question)
if not board.empty:
    show_board(board, stated, fit, where)
cautions()
