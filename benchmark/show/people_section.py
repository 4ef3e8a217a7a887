"""The part of the account page where an owner names people."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from benchmark.errors import BenchmarkError
from benchmark.show.peopling import (
    Listed,
    add_person,
    change_role,
    everybody,
    people_columns,
    refusal_columns,
    remove_person,
    renew_password,
)
from benchmark.show.screen import md, show_table, store_path
from benchmark.show.signing_in import who
from benchmark.store.passwords import new_password
from benchmark.store.roles import ANYONE, Role

ROLES = [Role.ENTRANT, Role.STEWARD, Role.OWNER]
MOST_REFUSALS = 100
DONE = "people_done"  # what the last press came to, told once after the page is drawn again
NEW_PASSWORD, REMOVE = "Set a new password", "Remove from the club"


def show_people() -> None:
    """Show who has which role, and let an owner add, change and remove people."""
    st.subheader("People of the club")
    for line in st.session_state.pop(DONE, ()):
        st.success(line)
    listed = everybody(store_path())
    show_table(people_columns(listed), "The people of the club with their roles")
    add_somebody()
    change_somebody(listed)
    with st.expander("What was refused lately"):
        columns = refusal_columns(store_path(), MOST_REFUSALS)
        show_table(columns, "Changes and sign-ins that were refused, the latest first")


def add_somebody() -> None:
    """Ask for a new person; the password is made here, and shown once."""
    with st.form("add_person", clear_on_submit=True):
        name = st.text_input("Name of a new person, an e-mail address for a provider")
        role = st.selectbox("Role", ROLES, format_func=lambda role: role.word)
        by_password = st.checkbox("Signs in with a password", value=True)
        if not st.form_submit_button("Add"):
            return
    password = new_password() if by_password else None
    done(
        lambda: add_person(store_path(), who(), name, role, password),
        f"{md(name)} is {role.word}.",
        password,
    )


def change_somebody(listed: list[Listed]) -> None:
    """Ask whose role or password is to be another, or who leaves."""
    names = [one.name for one in listed if one.name != ANYONE]
    roles = {f"Make {role.word}": role for role in ROLES}
    with st.form("change_person", clear_on_submit=True):
        name = st.selectbox("Person", names, index=None, placeholder="choose")
        what = st.selectbox("Change", [*roles, NEW_PASSWORD, REMOVE])
        reason = st.text_input("Why, for the record")
        if not st.form_submit_button("Change"):
            return
    if name is None:
        st.error("Choose a person first.")
    elif what in roles:
        done(
            lambda: change_role(store_path(), who(), name, roles[what], reason),
            f"{md(name)} is {roles[what].word}.",
        )
    elif what == REMOVE:
        done(
            lambda: remove_person(store_path(), who(), name, reason),
            f"{md(name)} has no role and no password any more.",
        )
    else:
        password = new_password()
        done(
            lambda: renew_password(store_path(), who(), name, password),
            f"{md(name)} has a new password and has to sign in again.",
            password,
        )


def done(change: Callable[[], None], said: str, password: str | None = None) -> None:
    """Make a change, and say what came of it when the page is drawn again."""
    try:
        change()
    except BenchmarkError as error:
        st.error(md(error))
        return
    secret = [f"The password, shown this once: `{password}`"] if password else []
    st.session_state[DONE] = [said, *secret]
    st.rerun()
