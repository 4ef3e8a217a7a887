"""Sign in, sign out, and what one's role may do; in the menu where the app serves a club."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import streamlit as st

from benchmark.errors import BenchmarkError
from benchmark.show.hand_over import visitors_hand_in
from benchmark.show.people_section import show_people
from benchmark.show.screen import md, opening, told
from benchmark.show.serving import serving
from benchmark.show.sign_in_form import ADDRESS
from benchmark.show.signing_in import (
    BySession,
    account_title,
    actor,
    provider_names,
    sign_in_here,
    sign_out,
)
from benchmark.store.accounts import HERE
from benchmark.store.passwords import LONGEST, SHORTEST
from benchmark.store.roles import NEEDED, WORDS, Role

LINK = 'style="color: inherit; font-weight: 600"'


def what_may(role: Role) -> list[str]:
    """Say what a role may change, beyond reading."""
    return [WORDS[action] for action, needed in NEEDED.items() if needed <= role]


def show_ways_in() -> None:
    """Offer the ways to sign in."""
    st.html(f'<a href="{ADDRESS}" target="_self" {LINK}>Sign in with a name and a password</a>')
    for name in provider_names():
        label = f"Sign in with {md(name)}" if name else "Sign in with the club's provider"
        if st.button(label, key=f"provider_{name}"):
            st.login(*([name] if name else []))
    with told():
        may = "read everything and hand in laps" if visitors_hand_in() else "read everything"
    st.markdown(f"Now you are a visitor: you can {may}. Signed in, by role, more:")
    for before, role in pairwise(Role):
        more = [change for change in what_may(role) if change not in what_may(before)]
        st.markdown(f"- **{role.word}**{' also' if before else ''}: {', '.join(more)}")


def change_password(here: BySession) -> None:
    """Ask for the old password and a new one, and change it."""
    with st.form("password", clear_on_submit=True):
        old = st.text_input("Password now", type="password", autocomplete="current-password")
        ask = partial(st.text_input, type="password", autocomplete="new-password")
        new = ask(f"New password, at least {SHORTEST} characters", max_chars=LONGEST)
        again = ask("New password once more", max_chars=LONGEST)
        if not st.form_submit_button("Change the password"):
            return
    if new != again:
        st.error("The two new passwords differ: nothing was changed.")
        return
    try:
        here.accounts.change_password(here.token, old, new, address=st.context.ip_address or HERE)
    except BenchmarkError as error:
        st.error(md(error))
        return
    st.success("The password is changed. Other browsers have to sign in again.")


def show_account() -> None:
    """Show who is signed in, what that role may do, and the way out."""
    here = sign_in_here()
    if here is None or here.person() is None:
        show_ways_in()
        return
    now = actor()
    st.markdown(f"### Signed in as {md(now.name)}, {now.role.word}")
    if st.button("Sign out", key="sign_out"):
        sign_out()
    st.markdown(f"Beyond reading, this role may {', '.join(what_may(now.role))}.")
    if isinstance(here, BySession):
        st.subheader("Change the password")
        change_password(here)
    if now.role is Role.OWNER:
        st.caption("Backups are made on the machine that holds the store: benchmark backup.")
        show_people()


opening(account_title(), "Shows who is signed in and what that person may do.")
if serving().club:
    show_account()
else:
    st.markdown("This app is not served to a club: nobody signs in here.")
