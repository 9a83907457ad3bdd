"""What the page says to its visitors about themselves: the way in, who they are, the way out."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.access.rules import Person, Role
from strokecurve.app.page import keys, markup

UNSAFE = (
    "Nobody has to sign in here: everyone who reaches this address can see and change every job. "
    "The page was started with --unsafe-no-sign-in."
)


def show_way_in(person: Person) -> None:
    """Ask a stranger to sign in; say to somebody who did, but is not on the list, what to do."""
    st.title("strokecurve", anchor=False)
    if person.mail is not None:
        st.error("You are signed in, but not on the list of people who may come in here.")
        st.html(
            markup.paragraph(
                f"Signed in as {person.mail}. Ask the keeper to add this address, or sign in with another."
            )
        )
        st.button("Sign out", key=keys.SIGN_OUT, on_click=st.logout, width="stretch")
        return
    if st.user.to_dict().get("is_logged_in"):
        # Signed in at the provider, but too long ago, or with an address that nobody has verified.
        st.info(
            "This sign-in does not count, or not any more. Sign in again; your provider has to have "
            "verified your mail address."
        )
    else:
        st.info("Sign in to see the jobs that are yours or were shared with you.")
    st.button("Sign in", key=keys.SIGN_IN, on_click=st.login, type="primary", width="stretch")


def show_who(person: Person) -> None:
    """Who the page takes the visitor for, with the way out; nothing where nobody signs in."""
    if person.role is Role.ALONE:
        return
    if person.mail is None:
        st.caption("You are here by a link for reviewers.")
        st.button("Sign in", key=keys.SIGN_IN, on_click=st.login, width="stretch")
        return
    role = "by a link for reviewers" if person.role is Role.GUEST else person.role.value
    st.html(markup.paragraph(f"Signed in as {person.words} ({role}).", "sc-small"))
    st.button("Sign out", key=keys.SIGN_OUT, on_click=st.logout, width="stretch")
