"""One build: its days, what made them differ, a forecast, the next step, what to record."""

from __future__ import annotations

import streamlit as st

from benchmark.answers.advise import advise
from benchmark.answers.coach import coach
from benchmark.answers.explain import explain, history
from benchmark.answers.forecast import Question, forecast
from benchmark.answers.leaderboard import leaderboard
from benchmark.model.fit import Fit
from benchmark.show.asking import ask_place
from benchmark.show.gains_figures import history_chart, waterfall_chart
from benchmark.show.gains_words import explain_columns, explain_lines, forecast_lines
from benchmark.show.next_words import advise_columns, coach_lines
from benchmark.show.screen import (
    BY_FIT,
    cautions,
    choose,
    md,
    opening,
    part_of,
    points,
    ready_fit,
    show_chart,
    show_table,
    told,
)
from benchmark.show.words import standing_sentence
from benchmark.trade.conditions import Conditions
from benchmark.trade.timing import parse_lap_time

# Each is answered once for a fit and a question: many people ask the same.
_once = st.cache_data(max_entries=256, show_spinner=False, hash_funcs={**BY_FIT, Question: repr})
ask_board, ask_history, ask_explain = _once(leaderboard), _once(history), _once(explain)
ask_forecast, ask_advise, ask_coach = _once(forecast), _once(advise), _once(coach)


def show_standing(fit: Fit, build: str, where: tuple[str, str]) -> None:
    """Say where the build stands on a dry track here."""
    board = ask_board(fit, *where)
    own = board[board["build"] == build].to_dict("records")
    if own:
        st.markdown(f"### {md(standing_sentence(own[0], len(board), *where))}")


def show_history(fit: Fit, build: str, where: tuple[str, str]) -> list[str]:
    """Show the build's days; give their dates."""
    days = ask_history(fit, build, *where)
    st.subheader("Its days")
    if days.empty:
        st.info("No lap on a dry track here yet.")
        return []
    show_chart(history_chart, days, text="Lap of each day, as timed and at equal conditions")
    changes = days[days["changed"].notna()]
    points([f"{row['date']}: {row['changed']}." for row in changes.to_dict("records")])
    return [str(date) for date in days["date"]]


def show_explanation(fit: Fit, build: str, where: tuple[str, str], dates: list[str]) -> None:
    """Let the visitor choose two days and show what made them differ."""
    st.subheader("What made two days differ")
    if len(set(dates)) <= 1:
        st.info("This needs two days at this circuit.")
        return
    left, right = st.columns(2)
    with left:
        first = choose("From", dates, key="from") or dates[0]
    with right:
        second = choose("To", dates[::-1], key="to") or dates[-1]
    found = ask_explain(fit, build, first, second, circuit=where[0], layout=where[1])
    for line in explain_lines(found):
        st.markdown(md(line))
    show_chart(waterfall_chart, found, text="The causes adding up to the difference")
    show_table(explain_columns(found), "The causes, one a row")
    st.caption("Causes that were the same on both days are left out. Negative is quicker.")


def show_forecast(fit: Fit, build: str, where: tuple[str, str]) -> None:
    """Let the visitor give a day's weather and show the lap expected."""
    st.subheader("Another day")
    st.caption("The lap to expect of the car as it stands, at other temperatures.")
    first, second, third, fourth = st.columns(4)
    air = first.number_input("Air, °C", -30.0, 60.0, 20.0, 1.0)
    track = second.number_input("Track, °C", -30.0, 90.0, 30.0, 1.0)
    laps = third.number_input("Flying laps", 1, 60, 5, 1)
    target = fourth.text_input("Target lap, m:ss.sss")
    target_s = float(parse_lap_time(target)) if target.strip() else None
    conditions = Conditions(air_temp_c=air, track_temp_c=track)
    asked = Question(build, *where, conditions=conditions, laps=int(laps), target_s=target_s)
    points(forecast_lines(ask_forecast(fit, asked)))


opening(
    "One build",
    "One car: where it stands, what made its days differ, what it would do on another day, and "
    "what to fit or record next.",
)
kept = ready_fit()
with told():
    builds = kept.whole.names["build"]
    build = choose("Build", builds, key="build") or builds[0]
    where = ask_place(kept, build)
    fit = part_of(kept, where[0], (build,))
    show_standing(fit, build, where)
    dates = show_history(fit, build, where)
    show_explanation(fit, build, where, dates)
    show_forecast(fit, build, where)
    st.subheader("The next step")
    st.caption(
        "What each open step is expected to buy this car here, a lap, and the class it leads to. "
        "Negative is quicker."
    )
    show_table(advise_columns(ask_advise(fit, build, *where)), "Steps still open, one a row")
    st.subheader("What would make the answer surer")
    st.caption("How much narrower the 90 % interval of its adjusted lap would become with:")
    points(coach_lines(ask_coach(fit, build, *where)))
cautions()
