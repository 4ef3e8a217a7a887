"""Who is signed in at the page that is being drawn, and what a page shows to whom.

What a page hides is a kindness, not the lock: the store asks `who()` itself at each change. Nothing
here trusts the address, the session state of the page or anything else that a browser can make up;
a person is who holds the token of a live session, or whom the provider vouches for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from benchmark.errors import NoStore
from benchmark.show.by_state import by_state
from benchmark.show.provider import providers
from benchmark.show.serving import serving
from benchmark.show.sign_in_form import SESSION
from benchmark.store.accounts import Accounts
from benchmark.store.roles import NOBODY, Actor, NotAllowed, Role, SignIn, machine_user, require
from benchmark.store.store import Store
from benchmark.store.vouching import Vouched, end_vouched, read_claims, vouched_person

READ_ONLY = "This app is served to be read: nothing can be changed here."


@dataclass(frozen=True, slots=True)
class BySession:
    """Whoever holds the token of a session."""

    accounts: Accounts
    token: str

    def person(self) -> str | None:
        """Give the person whose session it is now."""
        return self.accounts.person(self.token)

    def sign_out(self) -> None:
        """End the session in every tab."""
        self.accounts.sign_out(self.token)


@dataclass(frozen=True, slots=True)
class ByProvider:
    """Whom a provider vouches for."""

    db: Path
    vouched: Vouched

    def person(self) -> str | None:
        """Give the person for whom the provider vouches, unless that sign-in has ended."""
        return vouched_person(self.db, self.vouched)

    def sign_out(self) -> None:
        """End the sign-in in every tab."""
        end_vouched(self.db, self.vouched)


def sign_in_here() -> BySession | ByProvider | None:
    """Give what the browser of this page brought, if anybody is signed in by it now."""
    now = serving()
    if not now.club:
        return None
    token = browser_token()
    if token:
        by_session = BySession(Accounts(now.db), token)
        if by_session.person() is not None:
            return by_session
    vouched = read_claims(claims()) if provider_names() else None
    if vouched is not None:
        by_provider = ByProvider(now.db, vouched)
        if by_provider.person() is not None:
            return by_provider
    return None


def browser_token() -> str | None:
    """Give the token that the browser of this page brought in its cookie."""
    return st.context.cookies.get(SESSION)


def claims() -> Mapping[str, object]:
    """Give what a provider said of the person, checked and handed on by Streamlit."""
    return st.user.to_dict()


def who() -> SignIn | None:
    """Give who is signed in at this page, for `Store.open`; None for a visitor and on a laptop."""
    return sign_in_here()


def provider_names() -> list[str | None]:
    """Give the providers that the app was started with; None is the one without a name."""
    files = st.get_option("secrets.files")
    found = [Path(file) for file in files if Path(file).is_file()]
    return providers(found[0]) if serving().club and found else []


def actor() -> Actor:
    """Give who would change the store from this page now, and in which role."""
    now = serving()
    if not now.club and not now.read_only:
        return machine_user()
    signed_in = who()
    name = signed_in.person() if signed_in is not None else None
    return Actor(NOBODY, Role.VISITOR) if name is None else by_state(_actor, now.db, name)


def _actor(db: Path, name: str) -> Actor:
    """Give a person in the role that they have in the store."""
    try:
        with Store.open(db) as store:
            return store.actor_named(name)
    except NoStore:
        return Actor(NOBODY, Role.VISITOR)


def why_not(action: str) -> str:
    """Say why a change is not offered and who may make it; nothing where it is offered."""
    if serving().read_only:
        return READ_ONLY
    try:
        require(actor(), action)
    except NotAllowed as refused:
        text = str(refused)
        return f"{text[:1].upper()}{text[1:]}."
    return ""


def account_title() -> str:
    """Give the title of the page where people sign in and out."""
    return "Sign in" if who() is None else "Your account"


def show_who() -> None:
    """Show beside the menu who is signed in, with the way out."""
    here = sign_in_here()
    name = here.person() if here is not None else None
    if name is None:
        return
    with st.sidebar:
        st.text(f"{name}, {actor().role.word}")
        if st.button("Sign out", key="sign_out_beside"):
            sign_out()


def sign_out() -> None:
    """Sign out, here and in every tab of this sign-in, and draw the page again."""
    here = sign_in_here()
    if here is not None:
        here.sign_out()
    if isinstance(here, ByProvider):
        st.logout()  # sends the browser away; a rerun right after it could overtake that
        st.stop()
    st.rerun()
