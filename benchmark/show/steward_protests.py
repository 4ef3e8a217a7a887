"""Opening and closing the protest period of a day."""

from __future__ import annotations

from datetime import date

import streamlit as st

from benchmark.show.deed import deed
from benchmark.show.output import Column
from benchmark.show.screen import show_table, store_path
from benchmark.show.signing_in import who
from benchmark.show.submitting import moment
from benchmark.show.words import count_text, shown
from benchmark.store.finding import days
from benchmark.store.rulings import Protest, protest, protests_of
from benchmark.store.store import Store

OPEN, CLOSED = "open", "closed"
MEANS = {
    OPEN: "Results of this day are provisional: a protest may still change them.",
    CLOSED: "The protest period is over: results of this day are final.",
}


def show_protests() -> None:
    """Show which periods are open, and open or close one."""
    with Store.open(store_path()) as store:
        held, known = days(store), protests_of(store)
    is_open = [one for one in known if one.state == OPEN]
    st.markdown(f"### {count_text(len(is_open), 'protest period')} open.")
    if known:
        show_table(
            [
                Column("Day", [str(one.date) for one in known]),
                Column("Circuit", [one.circuit for one in known]),
                Column("Protest period", [one.state for one in known]),
                Column("Since", [moment(one.since) for one in known]),
            ],
            "The protest periods of days",
        )
    if not held:
        st.caption("There are no days yet.")
        return
    circuit, day = st.selectbox(
        "Day", held, format_func=lambda at: shown(f"{at[1]}, {at[0]}"), key="protest_day"
    )
    show_ruling(circuit, day, {(one.circuit, one.date): one for one in known}.get((circuit, day)))


def show_ruling(circuit: str, day: date, now: Protest | None) -> None:
    """Offer what can be done with the period of one day."""
    to = CLOSED if now is not None and now.state == OPEN else OPEN
    state = f"is {now.state} since {moment(now.since)}" if now else "was never opened"
    changes = [f"The protest period of {circuit} on {day} {state}.", MEANS[to]]
    label = "Close the protest period" if to == CLOSED else "Open the protest period"
    deed(f"protest_{to}", label, changes, lambda reason: _rule(to, circuit, day, reason))


def _rule(to: str, circuit: str, day: date, reason: str) -> str:
    with Store.open(store_path(), write=True, who=who()) as store:
        protest(store, to, (circuit, day), reason=reason)
    return f"The protest period of {circuit} on {day} is {to}."
