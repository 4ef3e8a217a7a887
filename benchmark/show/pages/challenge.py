"""Set up a challenge, see whether it is fair, and publish its standings."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from threading import Semaphore

import pandas as pd
import streamlit as st

from benchmark.answers.challenge.basis import CROSS_FITTED, Basis
from benchmark.answers.challenge.factor_rows import factor_rows
from benchmark.answers.challenge.factors import Table, table_of
from benchmark.answers.challenge.fairness import fairness
from benchmark.answers.challenge.propose import classes_toml, propose
from benchmark.answers.challenge.standings import SEASON, Standings, standings
from benchmark.answers.challenge.whatif import SLOW, kinds_compared, side_by_side
from benchmark.errors import BenchmarkError, FaultyFile
from benchmark.intake.rules import Rules, parse_rules
from benchmark.show.by_state import store_state
from benchmark.show.challenge import (
    ask_basis,
    compared_columns,
    entry_columns,
    factor_columns,
    fairness_columns,
    kind_columns,
    leader_line,
    proposal_columns,
    rests_on_lines,
    standing_columns,
    table_words,
)
from benchmark.show.challenge_guide import (
    DECLARED_TEXT,
    WORDS,
    day_line,
    days_held,
    fault_line,
    key_sections,
    rounds_in_doubt,
    rounds_text,
)
from benchmark.show.challenge_report import (
    FIELD_WORDS,
    ROUND_WORDS,
    SEASON_WORDS,
    challenge_sheet,
    standings_csv,
)
from benchmark.show.challenge_rules import rules_lines
from benchmark.show.challenge_start import starting_rules
from benchmark.show.challenge_words import fairness_lines, figure_words, kind_words
from benchmark.show.output import records, to_spreadsheet_csv
from benchmark.show.report import to_html, to_pdf
from benchmark.show.screen import (
    HAND_IN,
    cautions,
    choose,
    md,
    opening,
    points,
    progress_on_page,
    show_table,
    store_path,
    told,
)
from benchmark.show.words import count_text
from benchmark.store.store import Store
from benchmark.trade.classes import SURFACES

LEVEL = 0.9
BOX_PX = 560  # of the rules: higher, and what is said of them is out of sight
PARTS = ("Standings", "Factors", "Fairness", "Classes", "What if")


def laps_of_store() -> pd.DataFrame:
    """Give the counted laps; where there are none, say what to do next and stop."""
    path = store_path()
    try:
        with Store.open(path) as store:
            laps = store.counted_laps()
    except BenchmarkError:
        laps = pd.DataFrame()
    if laps.empty:
        st.info("There are no counted laps yet. Hand in a lap table first.")
        st.page_link(HAND_IN, label="Go to: hand in laps")
        cautions()
        st.stop()
    return laps


def ask_rules(laps: pd.DataFrame) -> str:
    """Let the steward upload a rules file, or start from one made for this store, and edit it."""
    st.markdown(
        "A challenge is one text file. Start from the text below, which was made for the days in "
        "your store, or upload your own; edit it here and download it again."
    )
    uploaded = st.file_uploader("Rules file", type=["toml"], max_upload_size=1, key="rules_file")
    if uploaded is not None and st.session_state.get("rules_taken") != uploaded.file_id:
        st.session_state["rules_taken"] = uploaded.file_id
        st.session_state["rules_text"] = uploaded.getvalue().decode("utf-8-sig", "replace")
    start = starting_rules(laps)
    st.session_state.setdefault("rules_text", start)
    text: str = st.text_area("Rules", key="rules_text", height=BOX_PX)
    return text


def show_guide(laps: pd.DataFrame) -> None:
    """Show what helps to write rules: the days to make rounds of, and every key in words."""
    with st.expander("Days in your store, as rounds to copy"):
        days = days_held(laps).to_dict("records")
        named = {day_line(day): day for day in days}
        picked = st.multiselect("Days to make rounds of", list(named), key="days_picked")
        if picked:
            st.markdown("Put this into the rules in place of the rounds there:")
            st.code(rounds_text([named[line] for line in picked]), language="toml")
        st.caption(
            "A day still to come may be a round too. Days before the first round are what "
            "factors are made from, so leave some."
        )
    with st.expander("What every key means, and what may be written"):
        for heading, sentences in key_sections():
            st.markdown(f"**{md(heading)}**")
            st.markdown("\n".join(f"- **{md(key)}**: {md(said)}" for key, said in sentences))
        st.markdown("Classes by conditions of your own look like this:")
        st.code(DECLARED_TEXT, language="toml", wrap_lines=True)
    with st.expander("Words on this page"):
        st.markdown("\n".join(f"- **{md(word)}**: {md(said)}" for word, said in WORDS.items()))


def checked(text: str, name: str) -> Rules | None:
    """Read the rules; show every fault at once."""
    try:
        return parse_rules(text, name)
    except FaultyFile as error:
        st.error(f"{count_text(len(error.faults), 'fault')} to mend before the rules can be used:")
        points([fault_line(fault) for fault in error.faults])
        return None


@st.cache_resource(max_entries=8, show_spinner=False)
def ground(text: str, surface: str, stamp_text: str) -> tuple[Basis, pd.DataFrame]:
    """Make the ground of a challenge once for each text, surface and state of the store."""
    del stamp_text
    with progress_on_page("Fitting the laps before the freeze") as report:
        basis, laps = ask_basis(store_path(), parse_rules(text), surface, report)
        if basis.fit is not None and basis.rules.factor["kind"] in CROSS_FITTED:
            _ = basis.left_out  # now, while the bar is shown
    return basis, laps


def table_asked(basis: Basis, laps: pd.DataFrame) -> Table:
    """Give the table of factors; where the rules make it anew before each round, ask of which."""
    table = table_of(basis)
    if not table.renews:
        st.caption(md(table_words(basis.rules)))
        return table
    day = {at.name: at for at in basis.rules.rounds}
    name = choose("Factors before the round", list(day), key="factors_of")
    at = day[name or basis.rules.rounds[0].name]
    with progress_on_page("Fitting the laps before that round") as report:
        made = Table(replace(basis, progress=report), table.kind).for_round(laps, at)
    st.caption(f"Made from laps up to {made.basis.cut_off}.")
    return made


def show_factors(basis: Basis, laps: pd.DataFrame) -> None:
    """Show the table of factors and a download."""
    asked = table_asked(basis, laps)
    with st.spinner("Solving the factors and their intervals"):
        table = factor_rows(asked, LEVEL)
    st.markdown("A scored time is the time multiplied by its factor.")
    show_table(factor_columns(table, LEVEL), "Factors with intervals")
    text = to_spreadsheet_csv(records(table), [str(name) for name in table])
    st.download_button("Download factors as CSV", text,
                       file_name="factors.csv", mime="text/csv", on_click="ignore")  # fmt: skip


def show_fairness(basis: Basis, laps: pd.DataFrame) -> None:
    """Show who wins simulated events."""
    asked = table_asked(basis, laps)
    with st.spinner("Simulating events"):
        found = fairness(asked, LEVEL)
    first, *others = fairness_lines(found, basis.rules.factor["kind"])
    st.markdown(f"### {md(first)}")
    points(others)
    show_table(fairness_columns(found.classes, LEVEL), "Share of wins of each class")
    st.caption(FIELD_WORDS)
    show_table(entry_columns(found.entries), "Wins of each entry in 100 simulated events")
    if len(found.questions):
        st.markdown("Questions to ask (a question is no accusation):")
        points(list(found.questions["question"]))
    else:
        st.markdown("No entry's pace is out of keeping with its declared specification.")


def show_standings(basis: Basis, laps: pd.DataFrame, as_of: date) -> None:
    """Show season or round, and what to publish."""
    with st.spinner("Scoring the rounds"):
        found = standings(basis, laps, as_of=as_of)
    if not found.held:
        st.info(
            "No round of these rules has laps in the store yet. What can be seen and published "
            "before the season: Factors, Fairness, Classes and What if above; the page below."
        )
        points(list(found.missing))
        publish(basis, found)
        return
    chosen = st.selectbox("Show", [SEASON, *found.held], key="challenge_round")
    table = found.of(chosen)
    st.markdown(f"### {md(leader_line(found, basis.rules, table))}")
    show_table(standing_columns(table), "Standings")
    st.caption(SEASON_WORDS if chosen == SEASON else ROUND_WORDS)
    if found.ahead:
        st.caption(f"Not held yet: {md(', '.join(found.ahead))}.")
    points(list(found.missing))
    publish(basis, found)


def publish(basis: Basis, found: Standings) -> None:
    """Offer the whole challenge as files, made when they are asked for."""
    st.markdown("**Publish**")
    if found.held:
        st.download_button(
            "Download standings as CSV",
            standings_csv(found, basis),
            file_name="challenge.csv",
            mime="text/csv",
            on_click="ignore",
        )
    wanted = st.toggle(
        "Make a page to print or send, with the rules in words, factors and fairness",
        value=st.session_state.get("sheet_wanted", False),
    )
    st.session_state["sheet_wanted"] = wanted  # a toggle out of sight forgets what it said
    if not wanted:
        return
    with st.spinner("Writing the page"):
        sheet = challenge_sheet(basis, found, LEVEL)
        files = (
            ("HTML", to_html(sheet).encode(), "html", "text/html"),
            ("PDF", to_pdf(sheet), "pdf", "application/pdf"),
        )
    for name, content, ending, mime in files:
        st.download_button(
            f"Download as {name}",
            content,
            file_name=f"challenge.{ending}",
            mime=mime,
            on_click="ignore",
        )


def show_classes(basis: Basis) -> None:
    """Propose classes from the data."""
    left, right = st.columns(2)
    number = left.number_input("Number of classes", 1, 12, 3, key="class_number")
    least = right.number_input("Fewest cars in a class", 1, 50, 4, key="class_least")
    if not st.button("Propose classes", key="class_go"):
        return
    with st.spinner("Trying classes"):
        found = propose(basis, int(number), int(least))
    st.markdown(
        f"Class A is the quickest. The words put {100 * found.agreed:.0f} % of the cars where "
        "their expected pace would; the rest is the price of a rule that fits on one page."
    )
    proposed = found.rows[found.rows["scheme"] == "proposed"].to_dict("records")
    points([f"Class {row['class']}: {row['words']}." for row in proposed])
    show_table(proposal_columns(found.rows), "Proposed and present classes")
    st.markdown(
        "To use them, put this into the rules in place of the table [classes] and of every "
        "[[class]] there:"
    )
    st.code(classes_toml(found.rules), language="toml", wrap_lines=True)


@st.cache_resource(max_entries=8, show_spinner=False)
def kinds_of(text: str, surface: str, stamp_text: str) -> pd.DataFrame:
    """Compare the kinds of factor once for each text, surface and state of the store."""
    basis, _ = ground(text, surface, stamp_text)
    with progress_on_page("Comparing the kinds of factor") as report:
        return kinds_compared(basis, report)


def show_kinds(text: str, surface: str) -> None:
    """Compare the kinds of factor when asked to; what was found stays in sight."""
    st.markdown("**The kinds of factor, with your entries, before the first round**")
    stamp_text = str(store_state(store_path()))
    asked = (text, surface, stamp_text)
    if st.button("Compare the kinds of factor", key="kinds_go"):
        st.session_state["kinds_asked"] = asked
    if st.session_state.get("kinds_asked") != asked:
        st.caption("Takes a minute or two; leave the page as it is until the table is there.")
        return
    show_table(kind_columns(kinds_of(*asked)), "Kinds of factor compared")


def show_whatif(text: str, basis: Basis, surface: str) -> None:
    """Lay other kinds of factor and other rules beside these."""
    show_kinds(text, surface)
    show_other_rules(basis, surface)
    st.markdown("**What the figures mean**")
    points([*kind_words(SLOW), *figure_words()])


def show_other_rules(basis: Basis, surface: str) -> None:
    """Lay the rules of another file beside these."""
    st.markdown("**Other rules beside these**")
    uploaded = st.file_uploader(
        "Other rules to lay beside these", type=["toml"], max_upload_size=1, key="other_rules"
    )
    if uploaded is None:
        return
    other_text = uploaded.getvalue().decode("utf-8-sig", "replace")
    if checked(other_text, uploaded.name) is None:
        return
    other, _ = ground(other_text, surface, str(store_state(store_path())))
    named = {"these rules": fairness(table_of(basis), LEVEL),
             uploaded.name: fairness(table_of(other), LEVEL)}  # fmt: skip
    show_table(compared_columns(side_by_side(named)), "Rules side by side")


def show_part(part: str, text: str, basis: Basis, laps: pd.DataFrame, surface: str) -> None:
    """Show what rests on the laps before the freeze."""
    if part == "Factors":
        show_factors(basis, laps)
    elif part == "Fairness":
        show_fairness(basis, laps)
    elif part == "Classes":
        show_classes(basis)
    else:
        show_whatif(text, basis, surface)


def last_day(laps: pd.DataFrame) -> date:
    """Day of the latest counted lap."""
    return date.fromisoformat(str(laps["date"].max())[:10])


@st.cache_resource(show_spinner=False)
def turn() -> Semaphore:
    """One challenge is worked out at a time, however many visitors ask with rules of their own."""
    return Semaphore(1)


@contextmanager
def in_turn() -> Iterator[None]:
    """Wait for the turn, and say so."""
    gate = turn()
    if not gate.acquire(blocking=False):
        with st.spinner("Somebody else's challenge is being worked out; yours is next"):
            gate.acquire()
    try:
        yield
    finally:
        gate.release()


def show_results(text: str, laps_here: pd.DataFrame) -> None:
    """Show what these rules come to, once the visitor asks for it."""
    left, right = st.columns(2)
    surface = left.selectbox("Surface of the laps that count", SURFACES, key="surface")
    seen = right.date_input(
        "Results as of",
        value=last_day(laps_here),
        help="At first the day of the latest lap in the store. A round is final once its protest "
        "period is over.",
    )
    if not st.toggle("Show results by these rules (the first time takes a while)", key="compute"):
        st.caption("First read and edit the rules below; then switch this on.")
        return
    part = st.segmented_control("Look at", PARTS, default=PARTS[0], key="part", required=True)
    with in_turn():
        basis, laps = ground(text, surface, str(store_state(store_path())))
        if part == PARTS[0]:
            show_standings(basis, laps, seen)
        elif basis.fit is None:
            st.info("No lap before the freeze: nothing to say of factors and fairness.")
        else:
            show_part(part, text, basis, laps, surface)
    with st.expander("What this rests on"):
        points(rests_on_lines(basis))


opening(
    "A fair challenge",
    "Scores a club's challenge by rules written down beforehand, and shows whether every entry "
    "has a fair chance of winning.",
)
laps_here = laps_of_store()
results_place = st.container()
st.subheader("The rules")
said_place = st.container()
text = ask_rules(laps_here)
with said_place:
    rules = checked(text, "rules")
    if rules is not None:
        st.success(md(f"These rules can be used: {rules.name}, version {rules.version}, "
                      f"{count_text(len(rules.rounds), 'round')}."))  # fmt: skip
        if doubts := rounds_in_doubt(rules, days_held(laps_here)):
            st.warning("Look at these before you go on:")
            points(doubts)
if rules is not None:
    with st.expander("These rules in words"):
        points(rules_lines(rules))
show_guide(laps_here)
st.download_button("Download the rules", text, file_name="challenge.toml", mime="text/plain",
                   on_click="ignore")  # fmt: skip
if rules is not None:
    with results_place, told():
        show_results(text, laps_here)
else:
    results_place.info("First mend the faults that are named above the text of the rules.")
cautions()
